package demo

import (
	"math"
	"math/rand/v2"
	"time"
)

// What the refrigerators are like inside. A compressor's rhythm of 47 minutes, a day's, a little noise; and what goes
// wrong, as lines between points. Invented, as decimal text it becomes a log; nothing here is compared with a limit.

// point of a scripted line: a temperature at an instant.
type point struct {
	day, hour, minute int
	celsius           float64
}

// lines by sensor; between its points a line stands before the rhythm.
var lines = map[string][][]point{
	"T1": {
		{{3, 2, 10, 4.8}, {3, 2, 22, 8.0}, {3, 2, 40, 9.6}, {3, 2, 57, 8.0}, {3, 3, 20, 4.6}},                                        // door ajar
		{{18, 2, 14, 4.7}, {18, 2, 52, 8.0}, {18, 4, 10, 11.2}, {18, 5, 40, 13.8}, {18, 6, 40, 8.0}, {18, 7, 30, 4.7}},               // no power
		{{31, 7, 5, 4.8}, {31, 7, 9, 8.0}, {31, 7, 15, 9.2}, {31, 7, 25, 9.8}, {31, 7, 35, 10.2}, {31, 7, 45, 8.0}, {31, 8, 0, 4.7}}, // ajar again
	},
	"T3": {{{13, 3, 40, 3.0}, {13, 4, 10, 0.0}, {13, 4, 35, -1.8}, {13, 5, 0, 0.0}, {13, 5, 40, 3.2}}},      // the back wall freezes
	"T7": {{{20, 10, 5, 4.6}, {20, 10, 20, 8.0}, {20, 10, 50, 11.0}, {20, 11, 20, 8.0}, {20, 11, 45, 4.8}}}, // cleaned, door open
}

// celsius of a sensor at an instant; false while its battery is dead.
func (s *Story) celsius(l *logger, t time.Time) (float64, bool) {
	if l.code == "T4" && t.After(s.at(6, 23, 10)) && t.Before(s.at(8, 7, 20)) {
		return 0, false
	}
	noise := rand.New(rand.NewPCG(seed+uint64(l.n), uint64(t.Unix()))).Float64()*0.2 - 0.1 //nolint:gosec // a story
	for _, line := range lines[l.code] {
		for i := 1; i < len(line); i++ {
			a, b := line[i-1], line[i]
			from, to := s.at(a.day, a.hour, a.minute), s.at(b.day, b.hour, b.minute)
			if !t.Before(from) && !t.After(to) {
				return a.celsius + (b.celsius-a.celsius)*t.Sub(from).Seconds()/to.Sub(from).Seconds() + noise/4, true
			}
		}
	}
	return s.rhythm(l, t) + noise, true
}

func (s *Story) rhythm(l *logger, t time.Time) float64 {
	m, phase := float64(t.Unix())/60, float64(l.n)
	c := 4.6 + 0.5*math.Sin(2*math.Pi*m/47+phase) + 0.25*math.Sin(2*math.Pi*m/1440+phase)
	switch wall := t.In(s.zone); {
	case l.code == "T3":
		c -= 0.9 // the back wall
	case l.code == "T4" && wall.Hour()%12 == 4 && wall.Minute() < 12:
		c = 8.6 // it defrosts twice a day
	}
	return c
}
