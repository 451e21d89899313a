package beyonduse_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/beyonduse"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

var zones = []string{
	"America/New_York", "Europe/Berlin", "America/Santiago", "Australia/Lord_Howe", "Pacific/Apia", "America/Havana",
	"Antarctica/Troll", "Pacific/Chatham", "America/St_Johns", "UTC",
}

// drawn is any preparation that the table has a cell for and that gets a date, started near a clock change half of the
// time.
func drawn(t *rapid.T) (beyonduse.Input, beyonduse.Answer) {
	z := zone(t, rapid.SampledFrom(zones).Draw(t, "zone"))
	start := time.Unix(rapid.Int64Range(1262304000, 2240000000).Draw(t, "start"), rapid.Int64Range(0, 999999999).Draw(t, "ns")).UTC()
	if rapid.Bool().Draw(t, "near a change") {
		if _, end := start.In(z).ZoneBounds(); !end.IsZero() {
			start = end.UTC().Add(time.Duration(rapid.Int64Range(-int64(240*time.Hour), int64(3*time.Hour)).Draw(t, "from the change")))
		}
	}
	cell := rapid.SampledFrom(beyonduse.Shipped()).Draw(t, "cell")
	in := beyonduse.Input{
		Zone: z, StartedAt: start, Storage: cell.Storage, Table: beyonduse.Shipped(),
		Sterility: beyonduse.Sterility{
			Category: cell.Category, Method: rapid.SampledFrom([]string{"aseptic", "terminal"}).Draw(t, "method"),
			Tested: cell.Tested == beyonduse.Yes, Nonsterile: cell.Nonsterile == beyonduse.Yes,
		},
	}
	if cell.Method != "" {
		in.Sterility.Method = cell.Method
	}
	for range rapid.IntRange(1, 3).Draw(t, "rows") {
		in.Stability = append(in.Stability, beyonduse.Stability{Storage: cell.Storage, For: span(t, "stability")})
	}
	for range rapid.IntRange(0, 3).Draw(t, "components") {
		end := start.Add(48*time.Hour + span(t, "component")).In(z)
		x := stock.Component{Name: "c", Lot: "1"}
		switch rapid.IntRange(0, 3).Draw(t, "printed") {
		case 0:
			x.Expires = end.Format("2006-01")
		case 1:
			x.Expires = end.Format(time.DateOnly)
		case 2:
			x.Expires = end.Format(time.RFC3339)
		default:
			x.BeyondUse = end.Format(time.DateOnly)
		}
		in.Components = append(in.Components, x)
	}
	if rapid.Bool().Draw(t, "capped") {
		d := span(t, "cap")
		in.Cap = &d
	}
	a, err := beyonduse.Compute(in)
	require.NoError(t, err)
	return in, a
}

// span is two minutes to ninety days, to the second.
func span(t *rapid.T, label string) time.Duration {
	return time.Duration(rapid.Int64Range(120, 90*24*3600).Draw(t, label)) * time.Second
}

// The BUD is the earliest candidate, named by the first that reaches it; it is whole minutes, after the start, and no
// later than the elapsed length of the cell allows.
func TestNeverLaterThanAnyCandidate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in, a := drawn(t)
		governs := ""
		for _, c := range a.Candidates {
			require.False(t, a.BeyondUse.After(c.BeyondUse))
			require.Equal(t, walltime.CutMinute(c.BeyondUse), c.BeyondUse)
			if governs == "" && c.BeyondUse.Equal(a.BeyondUse) {
				governs = c.Limit
			}
		}
		require.Equal(t, governs, a.GovernedBy)
		require.True(t, a.BeyondUse.After(in.StartedAt))
		for _, r := range in.Stability {
			require.False(t, a.BeyondUse.After(in.StartedAt.Add(r.For)))
		}
	})
}

// Tightening any one thing never moves the BUD later: a shorter row, an earlier component, a lower cap, one limit more,
// a lower category, a nonsterile component, no test.
func TestTighterIsNeverLater(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in, before := drawn(t)
		switch rapid.IntRange(0, 7).Draw(t, "tighten") {
		case 0:
			i := rapid.IntRange(0, len(in.Stability)-1).Draw(t, "row")
			in.Stability[i].For -= min(in.Stability[i].For, span(t, "less"))
		case 1:
			in.Stability = append(in.Stability, beyonduse.Stability{Storage: in.Storage, For: span(t, "one more row")})
		case 2:
			in.Components = append(in.Components, stock.Component{Name: "one more", Expires: in.StartedAt.Add(span(t, "ends")).Format(time.RFC3339)})
		case 3:
			d := span(t, "new cap")
			if in.Cap != nil {
				d = min(d, *in.Cap)
			}
			in.Cap = &d
		case 4:
			in.Sterility.Tested = false
		case 5:
			in.Sterility.Nonsterile = true
		case 6:
			in.Sterility.Category = beyonduse.Lower(in.Sterility.Category, rapid.SampledFrom([]string{"1", "2"}).Draw(t, "area"))
		case 7:
			for i, c := range in.Table {
				if c.Days > 1 {
					in.Table[i].Days--
				}
			}
		}
		after, err := beyonduse.Compute(in)
		if err != nil {
			return // no date at all is not later
		}
		require.False(t, after.BeyondUse.After(before.BeyondUse), "%v then %v", before, after)
	})
}

// A move to a warmer place never lengthens a BUD, whichever instant and site, and a second one never lengthens it again.
// Away from clock changes a second move takes nothing more, and counting from the start is never later than counting
// from the move. (Over a change a limit in days is not monotone: begun at 01:59 it may end an hour later than begun at
// 02:00, when 02:00 does not exist on its last day.)
func TestWarmerIsNeverLater(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in, a := drawn(t)
		in.Storage = rapid.SampledFrom([]stock.Storage{room, fridge}).Draw(t, "to")
		in.Stability = append(in.Stability, beyonduse.Stability{Storage: in.Storage, For: span(t, "warm")})
		moved := in.StartedAt.Add(span(t, "moved"))
		later := moved.Add(span(t, "moved again"))
		warm, err := beyonduse.Warmer(in, a.BeyondUse, moved, false)
		if err != nil {
			require.ErrorContains(t, err, "no limit for")
			return
		}
		require.False(t, warm.BeyondUse.After(a.BeyondUse))
		again, err := beyonduse.Warmer(in, warm.BeyondUse, later, false)
		require.NoError(t, err)
		require.False(t, again.BeyondUse.After(warm.BeyondUse))
		strict, err := beyonduse.Warmer(in, a.BeyondUse, moved, true)
		require.NoError(t, err)
		require.False(t, strict.BeyondUse.After(a.BeyondUse))

		in.Zone = time.UTC
		warm, err = beyonduse.Warmer(in, a.BeyondUse, moved, false)
		require.NoError(t, err)
		again, err = beyonduse.Warmer(in, warm.BeyondUse, later, false)
		require.NoError(t, err)
		require.Equal(t, warm.BeyondUse, again.BeyondUse)
		strict, err = beyonduse.Warmer(in, a.BeyondUse, moved, true)
		require.NoError(t, err)
		require.False(t, strict.BeyondUse.After(warm.BeyondUse))
	})
}

// Every minute within two days of every clock change of 2011 (Apia's lost day), 2025 and 2026: limits of hours and of
// days give no more than their elapsed hours, in days no later wall time, and whole minutes only.
func TestEveryMinuteAroundTheChanges(t *testing.T) {
	rows := []beyonduse.Sterility{
		{Category: "1"}, {Category: "2", Method: "aseptic", Nonsterile: true}, {Category: "2", Method: "aseptic"},
	}
	table := beyonduse.Shipped()
	for _, name := range []string{"America/New_York", "Europe/Berlin", "America/Santiago", "Australia/Lord_Howe", "Pacific/Apia", "Antarctica/Troll"} {
		z := zone(t, name)
		checked := 0
		for _, year := range []int{2011, 2025, 2026} {
			for change := time.Date(year, 1, 1, 0, 0, 0, 0, time.UTC); ; {
				_, end := change.In(z).ZoneBounds()
				if end.IsZero() || end.UTC().Year() != year {
					break
				}
				change = end.UTC()
				for m := change.Add(-48 * time.Hour); m.Before(change.Add(48 * time.Hour)); m = m.Add(time.Minute) {
					checked++
					s := rows[checked%len(rows)]
					in := beyonduse.Input{
						Zone: z, StartedAt: m.Add(30 * time.Second), Storage: fridge, Table: table, Sterility: s,
						Stability: []beyonduse.Stability{{Storage: fridge, For: 9000 * time.Hour}},
					}
					got, err := beyonduse.Compute(in)
					length := []time.Duration{24, 96, 240}[checked%len(rows)] * time.Hour
					if err != nil || got.BeyondUse.After(m.Add(length)) || got.BeyondUse.Before(m.Add(length-24*time.Hour)) || got.BeyondUse.Second() != 0 {
						require.Failf(t, "not within a day before the elapsed hours", "%s, %s + %s = %s, %v", name, m, length, got.BeyondUse, err)
					}
					if length > 24*time.Hour { // in days: the wall time is never later in the day than at the start
						days := int(length / (24 * time.Hour))
						y, mo, d := m.In(z).Date()
						last := time.Date(y, mo, d+days, m.In(z).Hour(), m.In(z).Minute(), 0, 0, time.UTC)
						shown := walltime.Of(got.BeyondUse, z)
						if time.Date(shown.Year, shown.Month, shown.Day, shown.Hour, shown.Minute, 0, 0, time.UTC).After(last) {
							require.Failf(t, "a later wall time", "%s, %s + %d d = %s", name, m, days, got.BeyondUse)
						}
					}
				}
			}
		}
		require.Positive(t, checked, name)
	}
}
