package waste

import (
	"slices"
	"time"
)

// Projection is what a month or year will have wasted at its end, if the days to come are like those of the past weeks.
type Projection struct {
	From, To  time.Time
	SoFar     Tally
	DaysLeft  int // whole days after today
	DaysDrawn int // of the past, that the rest was drawn from
	// Half of the draws end at or below Likely, one in twenty below Low, one in twenty above High.
	Low, Likely, High Amount
}

// Amount of waste.
type Amount struct {
	Wasted int
	Cents  int64
}

const (
	projectionDays  = 56 // the past that speaks for the future: eight weeks
	projectionLeast = 14 // fewer days say nothing
	projectionDraws = 2000
	projectionSeed  = 1
)

// project draws the days that are left from those of the past weeks, again and again (the bootstrap); false where the past
// is too short to say anything. all is in order of time.
func project(all []Ended, from, to, began, now time.Time, zone *time.Location) (Projection, bool) {
	p := Projection{From: from, To: to}
	for _, e := range within(all, from, now) {
		p.SoFar.add(e)
	}
	today := dayStart(now, 0, zone)
	var past []Amount
	for n := -projectionDays; n < 0; n++ {
		day, next := dayStart(today, n, zone), dayStart(today, n+1, zone)
		if day.Before(began) {
			continue
		}
		var t Tally
		for _, e := range within(all, day, next) {
			t.add(e)
		}
		past = append(past, Amount{t.Wasted, t.Cents})
	}
	p.DaysDrawn = len(past)
	if len(past) < projectionLeast {
		return p, false
	}
	for dayStart(today, p.DaysLeft+1, zone).Before(to) {
		p.DaysLeft++
	}
	chance := splitMix(projectionSeed)
	counts, cents := make([]int, projectionDraws), make([]int64, projectionDraws)
	for i := range projectionDraws {
		counts[i], cents[i] = p.SoFar.Wasted, p.SoFar.Cents
		for range p.DaysLeft {
			d := past[chance.below(len(past))]
			counts[i] += d.Wasted
			cents[i] += d.Cents
		}
	}
	slices.Sort(counts)
	slices.Sort(cents)
	at := func(percent int) Amount {
		i := (projectionDraws - 1) * percent / 100
		return Amount{counts[i], cents[i]}
	}
	p.Low, p.Likely, p.High = at(5), at(50), at(95)
	return p, true
}
