// Package walltime turns wall times of a zone into instants and back, on the nights the clocks change too.
//
// Nothing else in vialward calls time.Date with a real zone, AddDate or Truncate: the standard library picks one of
// two instants for a repeated wall time (the first in American zones, the second in European ones) and shifts a
// missing one without saying so. Everything here is pure: no clock, no time.Local.
package walltime

import "time"

// Wall is a wall time without a zone. Fields outside their range (month 13, 31 April) make Resolve answer None.
type Wall struct {
	Year                         int
	Month                        time.Month
	Day, Hour, Minute, Sec, Nano int
}

// Of reads the wall time that zone shows at t.
func Of(t time.Time, zone *time.Location) Wall {
	l := t.In(zone)
	return Wall{l.Year(), l.Month(), l.Day(), l.Hour(), l.Minute(), l.Second(), l.Nanosecond()}
}

// Kind says how many instants show a wall time.
type Kind int

const (
	None    Kind = iota // not a date or time at all
	Plain               // exactly one instant
	Twice               // two instants: the repeated hour of a clock change
	Missing             // no instant: the skipped hour of a clock change
)

// Resolution is what a wall time stands for.
//
// Plain: First == Last. Twice: First is the earlier instant, Last the later. Missing: First and Last are the two
// readings of the wall time, with the offset after and the offset before the change, First the earlier.
type Resolution struct {
	Kind        Kind
	First, Last time.Time // UTC
}

// Resolve finds every instant at which zone shows w. The search looks at the offsets in force a day and a half around
// w, which covers every change in the tz database: offsets never move by more than 24 hours at once.
func Resolve(w Wall, zone *time.Location) Resolution {
	asUTC := time.Date(w.Year, w.Month, w.Day, w.Hour, w.Minute, w.Sec, w.Nano, time.UTC)
	if Of(asUTC, time.UTC) != w { // time.Date normalises 31 April into 1 May; we do not
		return Resolution{}
	}
	var offsets []int
	for step := -36; step <= 36; step++ {
		_, o := asUTC.Add(time.Duration(step) * time.Hour).In(zone).Zone()
		if len(offsets) == 0 || offsets[len(offsets)-1] != o {
			offsets = append(offsets, o)
		}
	}
	var hits, readings []time.Time
	for _, o := range offsets {
		t := asUTC.Add(-time.Duration(o) * time.Second)
		readings = insert(readings, t)
		if Of(t, zone) == w {
			hits = insert(hits, t)
		}
	}
	switch {
	case len(hits) == 1:
		return Resolution{Plain, hits[0], hits[0]}
	case len(hits) > 1:
		return Resolution{Twice, hits[0], hits[len(hits)-1]}
	default:
		return Resolution{Missing, readings[0], readings[len(readings)-1]}
	}
}

// insert keeps ts sorted and without repeats.
func insert(ts []time.Time, t time.Time) []time.Time {
	i := 0
	for i < len(ts) && ts[i].Before(t) {
		i++
	}
	if i < len(ts) && ts[i].Equal(t) {
		return ts
	}
	ts = append(ts, time.Time{})
	copy(ts[i+1:], ts[i:])
	ts[i] = t
	return ts
}

// StartOfDay is the first instant of a local day. It is not always 00:00: Santiago has no midnight on the day its
// clocks go forward, and a zone may repeat it.
func StartOfDay(year int, month time.Month, day int, zone *time.Location) time.Time {
	noonish := time.Date(year, month, day, 0, 0, 0, 0, time.UTC)
	year, month, day = noonish.Date() // lets callers say day+1
	lo, hi := noonish.Add(-36*time.Hour), noonish.Add(36*time.Hour)
	before := func(t time.Time) bool { // is t's local date before the wanted one?
		y, m, d := t.In(zone).Date()
		return time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Before(noonish)
	}
	for hi.Sub(lo) > time.Nanosecond { // local dates never run backwards by a day, so the search is monotone
		mid := lo.Add(hi.Sub(lo) / 2)
		if before(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi.UTC()
}

// EndOfDay is the first instant after a local day: the start of the next one.
func EndOfDay(year int, month time.Month, day int, zone *time.Location) time.Time {
	return StartOfDay(year, month, day+1, zone)
}

// AddDays is rule 2 of the design: a limit of n days is the earlier of n x 24 elapsed hours and the same wall time n
// calendar days on; a wall time that comes twice counts as the first, one that does not exist as the earlier of its
// two readings.
func AddDays(t time.Time, n int, zone *time.Location) time.Time {
	elapsed := t.Add(time.Duration(n) * 24 * time.Hour)
	w := Of(t, zone)
	d := time.Date(w.Year, w.Month, w.Day+n, 0, 0, 0, 0, time.UTC)
	w.Year, w.Month, w.Day = d.Date()
	if r := Resolve(w, zone); r.First.Before(elapsed) {
		return r.First
	}
	return elapsed.UTC()
}

// CutMinute drops seconds: a beyond-use date is never later than computed. Offsets with seconds (before 1972) do not
// matter, since the cut is made on the instant.
func CutMinute(t time.Time) time.Time { return t.UTC().Truncate(time.Minute) }

// Cut is how every instant enters the program: UTC, cut to microseconds, the resolution of Postgres.
func Cut(t time.Time) time.Time { return t.UTC().Truncate(time.Microsecond) }

// Layouts in which people read an instant. Day of the week first: a date alone is misread across midnight.
const (
	Long  = "Mon 2 Jan 2006 15:04 MST" // Wed 12 Nov 2025 08:30 EST
	Short = "Mon 15:04"                // Wed 08:30
	Clock = "15:04 MST"
)

// Say prints t as a person of that zone reads it.
func Say(t time.Time, zone *time.Location) string { return t.In(zone).Format(Long) }
