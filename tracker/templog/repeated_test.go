package templog_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/templog"
)

func zone(tb testing.TB, name string) *time.Location {
	tb.Helper()
	z, err := time.LoadLocation(name)
	require.NoError(tb, err)
	return z
}

func local(tb testing.TB, z *time.Location) *templog.Layout {
	return &templog.Layout{Header: true, Time: cols("at"), TimeFormat: "%Y-%m-%d %H:%M", Zone: z, Unit: "Cel", Value: cols("T"), SensorColumn: &templog.Column{Name: "S"}}
}

func layout(tb testing.TB, l *templog.Layout, text string) got {
	tb.Helper()
	p, err := templog.NewParser(strings.NewReader(text), l, templog.Options{})
	return readAll(tb, p, err, 2)
}

// The repeated hour of New York, 2 Nov 2025 (IANA tz database, C): 01:00 EDT is 05:00Z, 01:00 EST is 06:00Z. Rows are
// wall times of that night; the answer is their UTC times, or "?" for a refused one.
func TestRepeatedHour(t *testing.T) {
	for _, c := range []struct{ name, rows, utc string }{
		{"through both passes", "00:30 01:00 01:30 01:00 01:30 02:00", "04:30 05:00 05:30 06:00 06:30 07:00"},
		{"starts in the first", "01:30 01:45 01:00 01:30 02:00", "05:30 05:45 06:00 06:30 07:00"},
		{"ends in the second", "00:30 01:00 01:30 01:00", "04:30 05:00 05:30 06:00"},
		{"starts and ends in them", "01:00 01:20 01:40 01:00 01:20", "05:00 05:20 05:40 06:00 06:20"},
		{"an uneven interval", "00:20 01:00 01:40 01:20 02:00", "04:20 05:00 05:40 06:20 07:00"},
		{"a row of each pass", "00:15 01:30 01:15 02:45", "04:15 05:30 06:15 07:45"},
		{"a doubled row", "00:30 01:00 01:00 01:30 01:00 01:30 02:00", "04:30 05:00 05:00 05:30 06:00 06:30 07:00"},
		{"hourly", "00:00 01:00 01:00 02:00", "04:00 05:00 06:00 07:00"},
		{"hourly, a row left out before", "23:00 01:00 01:00=5 02:00", "03:00 05:00 06:00=5 07:00"},
		{"hourly, and the log ends", "00:00 01:00 01:00=5", "04:00 05:00 06:00=5"},
		{"newest first", "02:00 01:30 01:00 01:30 01:00 00:30", "07:00 06:30 06:00 05:30 05:00 04:30"},
		{"newest first, starts in the second", "01:30 01:00 01:45 01:30 01:00 00:30", "06:30 06:00 05:45 05:30 05:00 04:30"},
		{"newest first, hourly", "02:00 01:00 01:00 00:00", "07:00 06:00 05:00 04:00"},
		{"newest first, all within", "01:40 01:20 01:00 01:40 01:20", "06:40 06:20 06:00 05:40 05:20"},

		{"one pass only", "00:30 01:00 01:30 02:00", "04:30 ? ? 07:00"},
		{"ends before the step", "00:30 01:00 01:30", "04:30 ? ?"},
		{"starts behind the step", "01:00 01:30 02:00", "? ? 07:00"},
		{"one row", "00:30 01:30 02:30", "04:30 ? 07:30"},
		{"two rows that may be either way", "01:30 01:00", "? ?"},
		{"three rows that may be either way", "01:00 01:30 01:00", "? ? ?"},
		{"two steps back", "00:30 01:30 01:00 01:30 01:00 02:00", "04:30 ? ? ? ? 07:00"},
		{"doubled, and more than an hour apart", "23:00 01:00 01:00 02:00", "03:00 ? ? 07:00"},
		{"doubled, and the log ends", "00:00 01:00 01:00", "04:00 ? ?"},
		{"two values, and no row near", "23:00 01:00 01:00=5 03:00", "03:00 ? ? 08:00"},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := "S,at,T\n"
			for _, w := range strings.Fields(c.rows) {
				clock, value := of(w)
				text += "R1," + night(clock) + "," + value + "\n"
			}
			g := layout(t, local(t, zone(t, "America/New_York")), text)
			require.NoError(t, g.err)
			want, refused := []string{}, 0
			for _, u := range strings.Fields(c.utc) {
				if u == "?" {
					refused++
				} else {
					clock, value := of(u)
					want = append(want, "R1 2025-11-02T"+clock+":00Z "+value)
				}
			}
			require.ElementsMatch(t, want, g.values)
			require.Equal(t, int64(refused), g.rows.Refused)
			for _, r := range g.refused {
				require.Contains(t, r.Why, "comes twice in America/New_York and the order of the rows does not tell")
			}
		})
	}
}

// of reads "01:30=5": a clock and a value, which is 4 unless it is named.
func of(row string) (clock, value string) {
	clock, value, named := strings.Cut(row, "=")
	if !named {
		value = "4"
	}
	return clock, value
}

// night dates a wall time of the night to 2 Nov 2025.
func night(clock string) string {
	if clock > "12" {
		return "2025-11-01 " + clock
	}
	return "2025-11-02 " + clock
}

// Two sensors in turn, one of them without the first pass: each is judged by its own rows.
func TestRepeatedHourOfSeveralSensors(t *testing.T) {
	text := "S,at,T\n"
	for i, w := range strings.Fields("00:30 01:00 01:30 01:00 01:30 02:00") {
		text += "R1," + night(w) + ",4\n"
		if i != 1 && i != 2 {
			text += "R2," + night(w) + ",5\n"
		}
	}
	g := layout(t, local(t, zone(t, "America/New_York")), text)
	require.NoError(t, g.err)
	require.Equal(t, templog.Rows{Read: 10, Refused: 2}, g.rows)
	require.Equal(t, []int{7, 9}, []int{g.refused[0].Line, g.refused[1].Line})
	require.Contains(t, g.values, "R1 2025-11-02T06:30:00Z 4")
	require.Contains(t, g.values, "R2 2025-11-02T07:00:00Z 5")
}

// Where one row has the values of all sensors, the order of rows is that of the table: a value missing at the step, or
// refused, does not hide it.
func TestRepeatedHourWithMissingValues(t *testing.T) {
	l := &templog.Layout{Header: true, Time: cols("at"), TimeFormat: "%Y-%m-%d %H:%M", Zone: zone(t, "America/New_York"), Unit: "Cel", Value: cols("A", "B")}
	g := layout(t, l, "at,A,B\n2025-11-02 00:30,1,1\n2025-11-02 01:30,2,\n2025-11-02 01:00,,x\n2025-11-02 01:20,3,3\n2025-11-02 02:30,4,4\n")
	require.NoError(t, g.err)
	require.Equal(t, templog.Rows{Read: 10, Missing: 2, Refused: 1}, g.rows)
	require.Contains(t, g.values, "A 2025-11-02T05:30:00Z 2")
	require.Contains(t, g.values, "A 2025-11-02T06:20:00Z 3")
	require.Contains(t, g.values, "B 2025-11-02T06:20:00Z 3")
}

// The hour that clocks skip does not exist, and is refused without harm to its neighbours.
func TestMissingHour(t *testing.T) {
	g := layout(t, local(t, zone(t, "America/New_York")), "S,at,T\nR1,2026-03-08 01:59,4\nR1,2026-03-08 02:00,4\nR1,2026-03-08 02:59,4\nR1,2026-03-08 03:00,4\n")
	require.NoError(t, g.err)
	require.Equal(t, []string{"R1 2026-03-08T06:59:00Z 4", "R1 2026-03-08T07:00:00Z 4"}, g.values)
	require.Equal(t, []int{3, 4}, []int{g.refused[0].Line, g.refused[1].Line})
	require.Contains(t, g.refused[0].Why, `the time "2026-03-08 02:00" does not exist in America/New_York`)
}

// A log that never leaves the repeated hour is refused with bounded memory, and its count is exact.
func TestEndlessRepeatedHour(t *testing.T) {
	const rows = 1<<19 + 1000
	g := layout(t, local(t, zone(t, "America/New_York")), "S,at,T\n"+strings.Repeat("R1,2025-11-02 01:30,4\n", rows)+"R1,2025-11-02 02:30,4\n")
	require.NoError(t, g.err)
	require.Equal(t, templog.Rows{Read: rows + 1, Refused: rows}, g.rows)
}

// zones whose clocks change in different ways: an hour, half an hour, two hours, at midnight, a day left out.
var zones = map[string]int{
	"America/New_York": 2025, "Europe/Berlin": 2025, "Australia/Lord_Howe": 2025, "Antarctica/Troll": 2025, "America/Santiago": 2025,
	"America/Havana": 2025, "America/St_Johns": 2010, "Africa/Casablanca": 2025, "Pacific/Apia": 2011, "Asia/Kathmandu": 2026,
}

// A local log of the hours around every change of a year, in either direction, comes back to the instants it was written
// from, whatever its interval up to half of the shortest stretch that is repeated.
func TestALocalLogComesBack(t *testing.T) {
	for name, year := range zones {
		t.Run(name, func(t *testing.T) {
			z := zone(t, name)
			changes := changesOf(z, year)
			rapid.Check(t, func(r *rapid.T) {
				step := time.Duration(rapid.IntRange(7, 15).Draw(r, "minutes")) * time.Minute
				first := time.Duration(rapid.IntRange(0, 14).Draw(r, "first")) * time.Minute
				newestFirst := rapid.Bool().Draw(r, "newest first")
				var rows, want []string
				for _, change := range changes {
					for at := change.Add(first - 4*time.Hour); at.Before(change.Add(4 * time.Hour)); at = at.Add(step) {
						rows = append(rows, "R1,"+at.In(z).Format("2006-01-02 15:04")+",4\n")
						want = append(want, "R1 "+at.Format(time.RFC3339)+" 4")
					}
				}
				if newestFirst {
					slices.Reverse(rows)
				}
				g := layout(t, local(t, z), "S,at,T\n"+strings.Join(rows, ""))
				require.NoError(t, g.err)
				require.Empty(t, g.refused)
				slices.Sort(g.values)
				require.Equal(t, want, g.values)
			})
		})
	}
}

// changesOf lists when the clocks of a zone change in a year; New Year where they do not.
func changesOf(z *time.Location, year int) (all []time.Time) {
	at := time.Date(year, 1, 1, 0, 0, 0, 0, time.UTC)
	for {
		_, next := at.In(z).ZoneBounds()
		if next.IsZero() || next.UTC().Year() > year {
			break
		}
		at = next.UTC()
		all = append(all, at)
	}
	if all == nil {
		return []time.Time{at}
	}
	return all
}

// Whatever the order of rows, a value is never given an instant that does not show its wall time, and rows that are
// shuffled within the repeated hour are either all right or all refused.
func TestShuffledRowsKeepTheirWallTime(t *testing.T) {
	z := zone(t, "Europe/Berlin")
	rapid.Check(t, func(r *rapid.T) {
		minutes := rapid.SliceOfN(rapid.IntRange(0, 300), 1, 30).Draw(r, "minutes after midnight")
		text := "S,at,T\n"
		for i, m := range minutes {
			text += fmt.Sprintf("R%d,2025-10-26 %02d:%02d,%d\n", m%2, m/60, m%60, i)
		}
		p, err := templog.NewParser(strings.NewReader(text), local(t, z), templog.Options{})
		require.NoError(t, err)
		buf := make([]templog.Value, 64)
		n, err := p.Next(buf)
		if n == 0 {
			require.Error(t, err)
		}
		for _, v := range buf[:n] {
			l := time.UnixMicro(v.AtMicros).In(z)
			require.Equal(t, minutes[v.MilliC/1000], 60*l.Hour()+l.Minute())
		}
	})
}
