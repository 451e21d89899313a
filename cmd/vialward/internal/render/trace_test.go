package render_test

import (
	"encoding/xml"
	"flag"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/cmd/vialward/internal/render"
	"vialward/tracker/thermal"
)

var update = flag.Bool("update", false, "write the golden pictures anew; look at them before committing")

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	require.NoError(t, err)
	return z
}

// readings every few minutes, from an instant on, as a function of the minute says.
func readings(from time.Time, every time.Duration, n int, at func(minute float64) float64) []thermal.Reading {
	var out []thermal.Reading
	for i := range n {
		t := from.Add(time.Duration(i) * every)
		out = append(out, thermal.Reading{AtMicros: t.UnixMicro(), MilliC: thermal.MilliC(math.Round(at(t.Sub(from).Minutes())*10) * 100)})
	}
	return out
}

func quiet(minute float64) float64 { return 4.5 + 0.6*math.Sin(minute/25) }

// pictures are invented temperatures, each of its own kind.
func pictures(t testing.TB) map[string]render.Options {
	t.Helper()
	ny := zone(t, "America/New_York")
	noon := time.Date(2025, 11, 11, 12, 0, 0, 0, time.UTC)
	freezing := thermal.MilliC(0)
	plain := render.Options{ID: "t", Title: "Temperatures of R1", From: noon, To: noon.Add(24 * time.Hour), Zone: ny, Low: 2000, High: 8000, Freeze: &freezing}

	warm := plain
	warm.Series = []render.Series{{Name: "T1", MaxGap: 30 * time.Minute, Readings: readings(noon, 5*time.Minute, 289, func(m float64) float64 {
		if m > 700 && m < 760 {
			return quiet(m) + 5*math.Sin(math.Pi*(m-700)/60)
		}
		return quiet(m)
	})}}
	warm.Marks = []render.Mark{{From: noon.Add(709 * time.Minute), To: noon.Add(752 * time.Minute), Say: "case 57 warm"}}

	gap := plain
	all := readings(noon, 5*time.Minute, 289, quiet)
	gap.Series = []render.Series{{Name: "T1", MaxGap: 30 * time.Minute, Readings: slices.Concat(all[:60], all[130:131], all[200:280])}}
	gap.Marks = []render.Mark{{From: noon.Add(295 * time.Minute), Say: "case 58 no temperatures"}}

	freeze := plain
	freeze.Series = []render.Series{
		{Name: "T2", MaxGap: 30 * time.Minute, Readings: readings(noon, 5*time.Minute, 289, quiet)},
		{Name: "T3", MaxGap: 30 * time.Minute, Readings: readings(noon, 5*time.Minute, 289, func(m float64) float64 {
			if m > 300 && m < 350 {
				return quiet(m) - 6.5
			}
			return quiet(m) - 0.4
		}), Conflicts: []thermal.Conflict{{AtMicros: noon.Add(601 * time.Minute).UnixMicro(), LowestMilliC: 3000, HighestMilliC: 5500, Values: 2}}},
	}
	freeze.Marks = []render.Mark{
		{From: noon.Add(300 * time.Minute), To: noon.Add(350 * time.Minute), Say: "case 59 freeze"},
		{From: noon.Add(330 * time.Minute), To: noon.Add(420 * time.Minute), Say: "case 60 no temperatures"},
	}

	back := plain
	back.From, back.To = time.Date(2025, 11, 2, 2, 0, 0, 0, time.UTC), time.Date(2025, 11, 2, 14, 0, 0, 0, time.UTC)
	back.Series = []render.Series{{Name: "T4", MaxGap: 30 * time.Minute, Readings: readings(back.From, 5*time.Minute, 145, quiet)}}

	month := plain
	month.From, month.Fahrenheit, month.Width, month.Height = noon.AddDate(0, 0, -30), true, 350, 330
	month.To, month.Title = noon, "Temperatures of R5"
	month.Series = []render.Series{{Name: "T6", MaxGap: 40 * time.Minute, Readings: readings(month.From, 15*time.Minute, 2880, func(m float64) float64 {
		if m == 30_000 {
			return -1.2 // one reading
		}
		return quiet(m)
	})}}

	none := plain
	none.Title = `<script>"R9" & 'R10'`
	none.Series = []render.Series{{Name: "<T9>", MaxGap: 30 * time.Minute, From: noon.Add(6 * time.Hour)}}
	return map[string]render.Options{"warm": warm, "gap": gap, "freeze": freeze, "clocks_back": back, "month_fahrenheit": month, "no_data": none}
}

func TestGoldenTraces(t *testing.T) {
	t.Parallel()
	for name, o := range pictures(t) {
		got := render.Trace(o)
		require.Equal(t, got, render.Trace(o), "%s: the same readings give the same picture", name)
		require.NoError(t, xml.Unmarshal([]byte(got), new(struct{})), name)
		require.NotContains(t, got, "style=", name)
		require.NotContains(t, got, "<script", name)
		file := filepath.Join("../../../../testdata/render", name+".svg")
		if *update {
			require.NoError(t, os.MkdirAll(filepath.Dir(file), 0o755))
			require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
		}
		want, err := os.ReadFile(file)
		require.NoError(t, err)
		require.Equal(t, string(want), got, "%s: look at the picture, then run with -update", name)
	}
}

// What a screen reader says, and what a printer without colour leaves, is all of it.
func TestTracesInWords(t *testing.T) {
	t.Parallel()
	all := pictures(t)
	for name, says := range map[string][]string{
		"warm": {"In range from 2.0 °C to 8.0 °C. T1: lowest 3.9 °C at ", ", highest 9.0 °C at ", "Case 57 warm from Tue 11 Nov 2025 18:49 EST to Tue 11 Nov 2025 19:32 EST.", ">case 57 warm<", ">9.0 °C<"},
		"gap": {"NO DATA from Tue 11 Nov 2025 11:55 EST to Tue 11 Nov 2025 17:50 EST.", "NO DATA from Tue 11 Nov 2025 17:50 EST to Tue 11 Nov 2025 23:40 EST.",
			"NO DATA from Wed 12 Nov 2025 06:15 EST to Wed 12 Nov 2025 07:00 EST.", ">NO DATA 5 h 55 min<", "Case 58 no temperatures from Tue 11 Nov 2025 11:55 EST and goes on."},
		"freeze":           {">freezing 0.0 °C<", ">T2<", ">T3<", `stroke-dasharray="7 3"`, "1 instants have more than one value"},
		"clocks_back":      {">clocks back<", ">Sun 2 Nov<", "Sat 1 Nov 2025 22:00 EDT", "Sun 2 Nov 2025 09:00 EST"},
		"month_fahrenheit": {"In range from 35.6 °F to 46.4 °F", "lowest 29.84 °F at ", ">29.84 °F<"},
		"no_data":          {"&lt;T9&gt;: NO DATA.", "&lt;script&gt;&#34;R9&#34; &amp; &#39;R10&#39;", ">NO DATA 18 h<"},
	} {
		got := render.Trace(all[name])
		for _, say := range says {
			require.Contains(t, got, say, name)
		}
	}
}

// The hour that comes twice stands on the axis twice, the one that is skipped not at all.
func TestHoursOfAClockChange(t *testing.T) {
	t.Parallel()
	o := pictures(t)["clocks_back"]
	require.Equal(t, 2, strings.Count(render.Trace(o), ">01:00<"))
	o.From, o.To = time.Date(2026, 3, 8, 3, 0, 0, 0, time.UTC), time.Date(2026, 3, 8, 15, 0, 0, 0, time.UTC)
	spring := render.Trace(o)
	require.NotContains(t, spring, ">02:00<")
	require.Contains(t, spring, ">03:00<")
	require.Contains(t, spring, ">clocks forward<")
}

// Thinning averages nothing: every point drawn is a reading, and of every column the lowest and the highest are drawn.
func TestThinKeepsExtremes(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		from := time.Date(2025, 11, 1, 0, 0, 0, 0, time.UTC)
		columns := rapid.IntRange(1, 40).Draw(t, "columns")
		to := from.Add(time.Duration(rapid.IntRange(1, 5000).Draw(t, "minutes")) * time.Minute)
		var in []thermal.Reading
		at := from.Add(-time.Duration(rapid.IntRange(0, 60).Draw(t, "before")) * time.Minute)
		for range rapid.IntRange(0, 600).Draw(t, "n") {
			at = at.Add(time.Duration(rapid.IntRange(1, 1200).Draw(t, "wait")) * time.Second)
			in = append(in, thermal.Reading{AtMicros: at.UnixMicro(), MilliC: thermal.MilliC(rapid.IntRange(-30_000, 40_000).Draw(t, "milli"))})
		}
		out := render.Thin(slices.Clone(in), from, to, columns)
		drawn := map[thermal.Reading]bool{}
		for i, r := range out {
			require.Contains(t, in, r, "a point that is no reading")
			require.True(t, i == 0 || out[i-1].AtMicros < r.AtMicros, "out of order")
			drawn[r] = true
		}
		column := func(r thermal.Reading) int64 {
			return (r.AtMicros - from.UnixMicro()) * int64(columns) / (to.UnixMicro() - from.UnixMicro())
		}
		lowest, highest, perColumn := map[int64]thermal.MilliC{}, map[int64]thermal.MilliC{}, map[int64]int{}
		for _, r := range in {
			k := column(r)
			if lo, ok := lowest[k]; !ok || r.MilliC < lo {
				lowest[k] = r.MilliC
			}
			if hi, ok := highest[k]; !ok || r.MilliC > hi {
				highest[k] = r.MilliC
			}
		}
		for k := range lowest {
			low, high := false, false
			for r := range drawn {
				if column(r) == k {
					low, high = low || r.MilliC == lowest[k], high || r.MilliC == highest[k]
					perColumn[k]++
				}
			}
			require.True(t, low && high, "column %d lost its lowest or highest", k)
		}
		if len(in) > 2*columns {
			require.LessOrEqual(t, len(out), 2*len(lowest)+2)
		}
	})
}

// One freezing reading among a month of readings on a phone is in the picture, at its place.
func TestOneFreezingReadingIsDrawn(t *testing.T) {
	t.Parallel()
	o := pictures(t)["month_fahrenheit"]
	svg := render.Trace(o)
	deepest := 0.0
	for _, path := range regexp.MustCompile(` d="M([^"]*)"`).FindAllStringSubmatch(svg, -1) {
		numbers := strings.FieldsFunc(path[1], func(r rune) bool { return r == ' ' || r == 'M' })
		if len(numbers) < 100 {
			continue // brackets
		}
		for i := 1; i < len(numbers); i += 2 {
			y, err := strconv.ParseFloat(numbers[i], 64)
			require.NoError(t, err)
			deepest = max(deepest, y)
		}
	}
	circles := regexp.MustCompile(`class="extreme" cx="[^"]*" cy="([^"]*)"`).FindAllStringSubmatch(svg, -1)
	require.Len(t, circles, 2)
	low, err := strconv.ParseFloat(circles[1][1], 64)
	require.NoError(t, err)
	require.InDelta(t, low, deepest, 0.001)
	require.Less(t, len(svg), 12_000, "about two points a column")
}

func BenchmarkMonthOfMinutes(b *testing.B) {
	o := pictures(b)["warm"]
	o.From = o.To.AddDate(0, 0, -30)
	o.Series[0].Readings = readings(o.From, time.Minute, 43_200, quiet)
	for b.Loop() {
		render.Trace(o)
	}
}
