package walltime_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/walltime"
)

// zones with a change worth a look, and the years in which theirs happened: an hour in American, European and southern
// zones, half an hour, two hours, midnight skipped, midnight repeated, a day left out.
var changes = map[string][]int{
	"America/New_York":    {2025, 2026},
	"Europe/Berlin":       {2025, 2026},
	"America/Santiago":    {2025}, // no 00:00 on the day its clocks go forward
	"America/Havana":      {2025}, // back at 01:00: midnight comes twice
	"America/St_Johns":    {2010, 2025},
	"Australia/Lord_Howe": {2025}, // half an hour
	"Antarctica/Troll":    {2025}, // two hours
	"Pacific/Apia":        {2011}, // without 30 December, and two ordinary changes
	"Africa/Casablanca":   {2025},
	"Pacific/Chatham":     {2025},
	"Asia/Pyongyang":      {2015, 2018},
	"America/Caracas":     {2007, 2016},
	"Pacific/Kwajalein":   {1993},
}

func zone(t interface {
	require.TestingT
	Helper()
}, name string,
) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	require.NoError(t, err)
	return z
}

// around lists every minute from three days before to three days after each change of the zone in those years.
func around(z *time.Location, years []int) (spans [][]time.Time) {
	for _, y := range years {
		t := time.Date(y, 1, 1, 0, 0, 0, 0, time.UTC)
		for {
			_, end := t.In(z).ZoneBounds()
			if end.IsZero() || end.UTC().Year() > y {
				break
			}
			t = end.UTC()
			var span []time.Time
			for m := t.Add(-72 * time.Hour); m.Before(t.Add(72 * time.Hour)); m = m.Add(time.Minute) {
				span = append(span, m)
			}
			spans = append(spans, span)
		}
	}
	return spans
}

// Every minute around every change: what Resolve answers is what a plain list of the minutes of those six days says.
// A wrong pick of the repeated hour or a shifted missing one shows here.
func TestResolveIsWhatTheClockShows(t *testing.T) {
	for name, years := range changes {
		t.Run(name, func(t *testing.T) {
			z := zone(t, name)
			spans := around(z, years)
			require.NotEmpty(t, spans)
			for _, span := range spans {
				shown := map[walltime.Wall][]time.Time{}
				for _, m := range span {
					w := walltime.Of(m, z)
					shown[w] = append(shown[w], m)
				}
				for _, m := range span[2*1440 : 4*1440] {
					w := walltime.Of(m, time.UTC) // every wall time of those days, the missing ones too
					at := shown[w]
					r := walltime.Resolve(w, z)
					if len(at) == 0 {
						mustBeMissing(t, w, r, z)
						continue
					}
					want := walltime.Resolution{Kind: walltime.Plain, First: at[0], Last: at[len(at)-1]}
					if len(at) > 1 {
						want.Kind = walltime.Twice
					}
					if r != want { // all in UTC, without a monotonic part, so == is equality of instants
						require.Equal(t, want, r, w)
					}
				}
			}
		})
	}
}

func mustBeMissing(t *testing.T, w walltime.Wall, r walltime.Resolution, z *time.Location) {
	t.Helper()
	require.Equal(t, walltime.Missing, r.Kind, w)
	require.True(t, r.First.Before(r.Change) && !r.Last.Before(r.Change), w)
	_, before := r.Change.Add(-1).In(z).Zone()
	_, after := r.Change.In(z).Zone()
	asUTC := time.Date(w.Year, w.Month, w.Day, w.Hour, w.Minute, w.Sec, w.Nano, time.UTC)
	require.Equal(t, asUTC.Add(-time.Duration(after)*time.Second), r.First, w)
	require.Equal(t, asUTC.Add(-time.Duration(before)*time.Second), r.Last, w)
}

// A limit in days never ends later than its elapsed hours nor than the same wall time, whichever minute it began, and
// loses no more than the largest change of a clock.
func TestDaysAreNeverLongerThanHours(t *testing.T) {
	for name, years := range changes {
		t.Run(name, func(t *testing.T) {
			z := zone(t, name)
			for _, span := range around(z, years) {
				for _, m := range span {
					for _, n := range []int{1, 2, 4, 10} {
						end := walltime.AddDays(m, n, z)
						elapsed := m.Add(time.Duration(n) * 24 * time.Hour)
						if end.After(elapsed) || end.Before(elapsed.Add(-24*time.Hour)) { // half a million times: require only to fail
							require.Failf(t, "not within a day before the elapsed hours", "%s + %d d = %s", m, n, end)
						}
						if end.Before(elapsed) { // then it is the wall time, its first instant
							w := walltime.Of(m, z)
							w.Year, w.Month, w.Day = time.Date(w.Year, w.Month, w.Day+n, 0, 0, 0, 0, time.UTC).Date()
							if first := walltime.Resolve(w, z).First; !first.Equal(end) {
								require.Failf(t, "neither elapsed hours nor wall time", "%s + %d d = %s, wall time %s", m, n, end, first)
							}
						}
					}
				}
			}
		})
	}
}

// A day's end is the next one's start, days do not overlap, and the start shows the day itself, the nanosecond before
// does not: every day of a century.
func TestDaysMeet(t *testing.T) {
	for name := range changes {
		t.Run(name, func(t *testing.T) {
			z := zone(t, name)
			leftOut := 0
			start := walltime.StartOfDay(1973, 1, 1, z)
			for d := time.Date(1973, 1, 1, 0, 0, 0, 0, time.UTC); d.Year() < 2073; d = d.AddDate(0, 0, 1) {
				end := walltime.EndOfDay(d.Year(), d.Month(), d.Day(), z)
				shown, before := date(start.In(z)), date(start.Add(-1).In(z))
				if start.Equal(end) { // the days these zones left out have no length
					require.Contains(t, []string{"Pacific/Apia 2011-12-30", "Pacific/Kwajalein 1993-08-21"}, name+d.Format(" 2006-01-02"))
					leftOut++
				} else if !start.Before(end) || shown != date(d) || before >= date(d) {
					require.Failf(t, "not the start of its day", "%s: %s to %s", d, start, end)
				}
				start = end
			}
			require.Equal(t, name == "Pacific/Apia" || name == "Pacific/Kwajalein", leftOut == 1)
		})
	}
}

// date orders local dates as numbers.
func date(t time.Time) int { return t.Year()*10000 + int(t.Month())*100 + t.Day() }

// Days whose start is not a plain midnight. Source of the changes: IANA tz database (C).
func TestStartOfDay(t *testing.T) {
	for _, c := range []struct{ zone, day, starts string }{
		{"America/New_York", "2026-03-08", "2026-03-08T05:00:00Z"},
		{"America/Santiago", "2026-09-06", "2026-09-06T04:00:00Z"}, // 00:00-00:59 do not exist: starts at 01:00
		{"America/Santiago", "2025-04-06", "2025-04-06T04:00:00Z"}, // back at 24:00: 23:00 twice, midnight once
		{"America/Havana", "2025-11-02", "2025-11-02T04:00:00Z"},   // 00:00 twice: the first
		{"America/St_Johns", "2010-11-07", "2010-11-07T02:30:00Z"}, // back at 00:01 into the day before
		{"Pacific/Apia", "2011-12-30", "2011-12-30T10:00:00Z"},     // left out
		{"Pacific/Apia", "2011-12-31", "2011-12-30T10:00:00Z"},
		{"Asia/Kathmandu", "2026-01-01", "2025-12-31T18:15:00Z"},
		{"UTC", "2026-01-01", "2026-01-01T00:00:00Z"},
	} {
		d, err := time.Parse(time.DateOnly, c.day)
		require.NoError(t, err)
		got := walltime.StartOfDay(d.Year(), d.Month(), d.Day(), zone(t, c.zone))
		require.Equal(t, c.starts, got.Format(time.RFC3339), "%s %s", c.zone, c.day)
	}
}

// Worked cases of the changes of 2025 and 2026, computed with two independent tz readers (C).
func TestClockChanges(t *testing.T) {
	ny := zone(t, "America/New_York")
	for _, c := range []struct {
		start string
		days  int
		hours time.Duration
		ends  string
	}{
		{"2025-11-01T20:00:00-04:00", 0, 24, "2025-11-02T19:00:00-05:00"}, // 20:00 would be 25 hours
		{"2025-11-01T20:00:00-04:00", 1, 0, "2025-11-02T19:00:00-05:00"},
		{"2025-11-01T22:30:00-04:00", 0, 8, "2025-11-02T05:30:00-05:00"},
		{"2025-10-28T09:00:00-04:00", 0, 240, "2025-11-07T08:00:00-05:00"},
		{"2025-10-28T09:00:00-04:00", 10, 0, "2025-11-07T08:00:00-05:00"},
		{"2026-03-07T20:00:00-05:00", 0, 24, "2026-03-08T21:00:00-04:00"},
		{"2026-03-07T20:00:00-05:00", 1, 0, "2026-03-08T20:00:00-04:00"}, // 23 hours: the earlier counts
		{"2026-03-07T02:30:00-05:00", 1, 0, "2026-03-08T01:30:00-05:00"}, // 02:30 does not exist: 01:30 EST or 03:30 EDT
		{"2025-11-01T01:30:00-04:00", 1, 0, "2025-11-02T01:30:00-04:00"}, // 01:30 comes twice: the first
		{"2025-11-02T01:30:00-05:00", 1, 0, "2025-11-03T01:30:00-05:00"},
	} {
		start, err := time.Parse(time.RFC3339, c.start)
		require.NoError(t, err)
		got := start.Add(c.hours * time.Hour)
		if c.days > 0 {
			got = walltime.AddDays(start, c.days, ny)
		}
		require.Equal(t, c.ends, got.In(ny).Format(time.RFC3339), "%s + %d d %d h", c.start, c.days, c.hours)
	}
}

func TestNoSuchWallTime(t *testing.T) {
	z := zone(t, "Europe/Berlin")
	for _, w := range []walltime.Wall{
		{2026, 2, 29, 8, 0, 0, 0}, {2026, 13, 1, 8, 0, 0, 0}, {2026, 4, 31, 8, 0, 0, 0}, {2026, 4, 0, 8, 0, 0, 0},
		{2026, 4, 1, 24, 0, 0, 0}, {2026, 4, 1, 8, 60, 0, 0}, {2026, 4, 1, 8, 0, -1, 0}, {2026, 4, 1, 8, 0, 60, 0},
	} {
		require.Equal(t, walltime.Resolution{}, walltime.Resolve(w, z), w)
	}
	require.Equal(t, walltime.Plain, walltime.Resolve(walltime.Wall{2028, 2, 29, 8, 0, 0, 0}, z).Kind)
}

// A wall time read back is the wall time: over any zone above and any instant of a century.
func TestResolveRoundTrip(t *testing.T) {
	var names []string
	for name := range changes {
		names = append(names, name)
	}
	rapid.Check(t, func(t *rapid.T) {
		z := zone(t, rapid.SampledFrom(names).Draw(t, "zone"))
		at := time.Unix(rapid.Int64Range(94694400, 3250000000).Draw(t, "at"), rapid.Int64Range(0, 999999999).Draw(t, "ns")).UTC()
		r := walltime.Resolve(walltime.Of(at, z), z)
		require.True(t, r.First.Equal(at) || r.Last.Equal(at), "%v", r)
		require.Equal(t, walltime.Of(at, z), walltime.Of(r.First, z))
		require.Equal(t, walltime.Of(at, z), walltime.Of(r.Last, z))
		require.Equal(t, r.Kind == walltime.Twice, !r.First.Equal(r.Last))
	})
}

func TestCutsAndSayings(t *testing.T) {
	at := time.Date(2025, 11, 12, 13, 30, 59, 999_999_999, time.UTC)
	require.Equal(t, "2025-11-12T13:30:00Z", walltime.CutMinute(at).Format(time.RFC3339Nano))
	require.Equal(t, "2025-11-12T13:30:59.999999Z", walltime.Cut(at).Format(time.RFC3339Nano))
	before1970 := time.Date(1969, 12, 31, 23, 59, 59, 0, time.UTC)
	require.Equal(t, "1969-12-31T23:59:00Z", walltime.CutMinute(before1970).Format(time.RFC3339Nano))
	require.Equal(t, "Wed 12 Nov 2025 08:30 EST", walltime.Say(at, zone(t, "America/New_York")))
}

// Thousands of vials are dated at once, so a date may not cost more than about a microsecond.
func BenchmarkAddDays(b *testing.B) {
	for _, name := range []string{"America/New_York", "America/Santiago"} {
		z := zone(b, name)
		for label, start := range map[string]time.Time{
			"quiet":  time.Date(2025, 6, 3, 14, 0, 0, 0, time.UTC),
			"change": time.Date(2025, 10, 25, 5, 30, 0, 0, time.UTC),
			"2060":   time.Date(2060, 6, 3, 14, 0, 0, 0, time.UTC),
		} {
			b.Run(name+"/"+label, func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					walltime.AddDays(start, 10, z)
				}
			})
		}
	}
}
