package tracker

import (
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// PeriodOf reads a period as people write it: a month "2025-10", a day "2025-10-31", or RFC 3339. A month or a day as the
// end is in it. Nothing given is the last whole month before now; only a month as the start is that month.
func PeriodOf(zone *time.Location, from, to string, now time.Time) (begin, end time.Time, err error) {
	if from == "" && to == "" {
		w := walltime.Of(now, zone)
		first := time.Date(w.Year, w.Month-1, 1, 0, 0, 0, 0, time.UTC) // a date, not an instant
		from = first.Format("2006-01")
	}
	begin, over, err := dayOrMonth(from, "start", zone)
	if err != nil {
		return begin, end, err
	}
	if to == "" {
		end = over
	} else if _, end, err = dayOrMonth(to, "end", zone); err != nil {
		return begin, end, err
	}
	if !begin.Before(end) {
		return begin, end, stock.Refuse("period", "", "the period ends at or before its start; give an end that is later")
	}
	return begin, end, nil
}

// dayOrMonth is the first instant of what is named, and the first one after it.
func dayOrMonth(s, what string, zone *time.Location) (begin, over time.Time, err error) {
	if d, err := time.Parse("2006-01", s); err == nil {
		next := d.AddDate(0, 1, 0)
		return walltime.StartOfDay(d.Year(), d.Month(), 1, zone), walltime.StartOfDay(next.Year(), next.Month(), 1, zone), nil
	}
	if d, err := time.Parse(time.DateOnly, s); err == nil {
		return walltime.StartOfDay(d.Year(), d.Month(), d.Day(), zone), walltime.EndOfDay(d.Year(), d.Month(), d.Day(), zone), nil
	}
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		t = walltime.Cut(t)
		return t, t, nil
	}
	return begin, over, stock.Refuse("period", "", "%q is no %s of a period; write a month as 2025-10, a day as 2025-10-31, or a time with its offset", s, what)
}
