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
// readings of the wall time, with the offset after and the offset before the change, First the earlier; Change is the
// instant of the change that skipped it, the first instant whose wall time is later.
type Resolution struct {
	Kind        Kind
	First, Last time.Time // UTC
	Change      time.Time // UTC; zero unless Missing
}

// reach is how far from UTC a zone's clock can be: no zone of the tz database was ever sixteen hours away, and since
// 1973 they lie between -12 and +14 hours.
const reach = 16 * time.Hour

// Resolve finds every instant at which zone shows w. It walks over the one to three periods of constant offset that
// touch the reach of w, so that no change is missed and none further away is mistaken for this one.
func Resolve(w Wall, zone *time.Location) Resolution {
	asUTC := time.Date(w.Year, w.Month, w.Day, w.Hour, w.Minute, w.Sec, w.Nano, time.UTC)
	if Of(asUTC, time.UTC) != w { // time.Date normalises 31 April into 1 May; we do not
		return Resolution{}
	}
	var r Resolution
	from, before := asUTC.Add(-reach), time.Time{} // before: the reading with the offset before the change at from
	for first := true; ; first = false {
		l := from.In(zone)
		_, offset := l.Zone()
		_, end := l.ZoneBounds()
		if !end.IsZero() && !end.After(from) {
			// Go 1.26 ends every year after 365 days where a zone's rule, not its table, decides: on 31 December of a
			// leap year from 2040 on, the period "ended" already. No change falls there; go on by the hour.
			end = from.Add(time.Hour)
		}
		t := asUTC.Add(-time.Duration(offset) * time.Second)
		switch {
		case !t.Before(from) && (end.IsZero() || t.Before(end)):
			if r.Kind == None || r.Kind == Missing {
				r = Resolution{Kind: Plain, First: t}
			} else {
				r.Kind = Twice
			}
			r.Last = t
		case !first && r.Kind == None && t.Before(from) && !before.Before(from):
			r = Resolution{Missing, t, before, from}
		}
		if end.IsZero() || end.After(asUTC.Add(reach)) {
			return r
		}
		from, before = end.UTC(), t
	}
}

// StartOfDay is the first instant of a local day. It is not always 00:00: Santiago has no midnight on the day its
// clocks go forward; where midnight comes twice (Havana, or St. John's until 2011) it is the first. A day that a zone
// left out (30 December 2011 in Apia) starts where the next one does. day may lie outside the month, as in time.Date.
func StartOfDay(year int, month time.Month, day int, zone *time.Location) time.Time {
	r := Resolve(Of(time.Date(year, month, day, 0, 0, 0, 0, time.UTC), time.UTC), zone)
	if r.Kind == Missing {
		return r.Change
	}
	return r.First
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
