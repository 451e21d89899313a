package waste

import (
	"sort"
	"time"

	"vialward/tracker/walltime"
)

// Spans of a trend: whole months and weeks, the newest that which the period ends in.
const (
	trendMonths = 12
	trendWeeks  = 13
)

// monthStart is the first instant of a month, n months after that of t.
func monthStart(t time.Time, n int, zone *time.Location) time.Time {
	w := walltime.Of(t, zone)
	m := int(w.Month) - 1 + n
	year, month := w.Year+m/12, m%12
	if month < 0 {
		year, month = year-1, month+12
	}
	return walltime.StartOfDay(year, time.Month(month+1), 1, zone)
}

// dayStart is the first instant of a day, n days after that of t.
func dayStart(t time.Time, n int, zone *time.Location) time.Time {
	w := walltime.Of(t, zone)
	d := time.Date(w.Year, w.Month, w.Day+n, 0, 0, 0, 0, time.UTC) // a date, not an instant
	return walltime.StartOfDay(d.Year(), d.Month(), d.Day(), zone)
}

// weekStart is the first instant of a week, n weeks after that of t; a week starts on Monday (ISO 8601).
func weekStart(t time.Time, n int, zone *time.Location) time.Time {
	w := walltime.Of(t, zone)
	back := (int(time.Date(w.Year, w.Month, w.Day, 0, 0, 0, 0, time.UTC).Weekday()) + 6) % 7
	return dayStart(t, 7*n-back, zone)
}

// trend cuts the lives that ended into spans, the newest the one the period ends in. Spans before began have no point: the
// record was not there yet. all is in order of time.
func trend(all []Ended, p Period, began, now time.Time, count int, start func(time.Time, int, *time.Location) time.Time) Chart {
	var points []Point
	last := p.To.Add(-time.Microsecond)
	for i := 1 - count; i <= 0; i++ {
		q := Point{From: start(last, i, p.Zone), To: start(last, i+1, p.Zone)}
		if !q.To.After(began) {
			continue
		}
		q.Whole = !q.From.Before(began) && !q.To.After(now)
		for _, e := range within(all, q.From, q.To) {
			q.add(e)
		}
		points = append(points, q)
	}
	return chartOf(points)
}

// within is the part of lives in order of their end that ended from <= t < to.
func within(all []Ended, from, to time.Time) []Ended {
	at := func(t time.Time) int { return sort.Search(len(all), func(i int) bool { return !all[i].At.Before(t) }) }
	if !from.Before(to) {
		return nil
	}
	return all[at(from):at(to)]
}
