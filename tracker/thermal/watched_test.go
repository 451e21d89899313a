package thermal_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/thermal"
)

func TestWatched(t *testing.T) {
	t.Parallel()
	begin := time.Date(2025, 11, 2, 4, 0, 0, 0, time.UTC)
	minute := func(n int) time.Time { return begin.Add(time.Duration(n) * time.Minute) }
	watch := func(from, to int, minutes ...int) thermal.Watch {
		w := thermal.Watch{MaxGap: 30 * time.Minute, From: minute(from), To: minute(to)}
		for _, m := range minutes {
			w.Series = append(w.Series, thermal.Reading{AtMicros: minute(m).UnixMicro(), MilliC: 5000})
		}
		return w
	}
	for _, c := range []struct {
		name    string
		sensors []thermal.Watch
		want    int
	}{
		{"nobody", nil, 0},
		{"one reading bridges nothing", []thermal.Watch{watch(0, 60, 30)}, 0},
		{"neighbours outside count for the part inside", []thermal.Watch{watch(-99, 99, -10, 15, 40, 65)}, 60},
		{"a gap is watched by nobody", []thermal.Watch{watch(0, 60, 0, 10, 41, 60)}, 29},
		{"another sensor watches it", []thermal.Watch{watch(0, 60, 0, 10, 41, 60), watch(0, 60, 5, 30, 50)}, 60},
		{"two at once count once", []thermal.Watch{watch(0, 60, 0, 20), watch(0, 60, 10, 30)}, 30},
		{"one within another", []thermal.Watch{watch(0, 60, 0, 30, 60), watch(0, 60, 10, 20)}, 60},
		{"before it was put there it spoke for another place", []thermal.Watch{watch(20, 50, 0, 30, 60)}, 30},
	} {
		require.Equal(t, time.Duration(c.want)*time.Minute, thermal.Watched(c.sensors, begin, minute(60)), c.name)
	}
}

// The order of sensors says nothing, two parts of a time make the whole, and nothing is watched longer than it lasts.
func TestWatchedLaws(t *testing.T) {
	t.Parallel()
	begin := time.Date(2025, 11, 2, 4, 0, 0, 0, time.UTC)
	rapid.Check(t, func(t *rapid.T) {
		sensors := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) thermal.Watch {
			w := thermal.Watch{MaxGap: 15 * time.Minute, From: begin, To: begin.Add(2 * time.Hour)}
			at := begin.Add(-20 * time.Minute)
			for range rapid.IntRange(0, 12).Draw(t, "readings") {
				at = at.Add(time.Duration(rapid.IntRange(1, 20).Draw(t, "minutes")) * time.Minute)
				w.Series = append(w.Series, thermal.Reading{AtMicros: at.UnixMicro()})
			}
			return w
		}), 0, 4).Draw(t, "sensors")
		end := begin.Add(2 * time.Hour)
		middle := begin.Add(time.Duration(rapid.IntRange(0, 120).Draw(t, "middle")) * time.Minute)
		whole := thermal.Watched(sensors, begin, end)
		require.Equal(t, whole, thermal.Watched(sensors, begin, middle)+thermal.Watched(sensors, middle, end))
		slices.Reverse(sensors)
		require.Equal(t, whole, thermal.Watched(sensors, begin, end))
		require.LessOrEqual(t, whole, 2*time.Hour)
		for _, w := range sensors {
			require.LessOrEqual(t, thermal.Watched([]thermal.Watch{w}, begin, end), whole)
		}
	})
}
