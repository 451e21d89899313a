package thermal_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/thermal"
)

// warmRule: above 8 °C for 10 minutes, over after 15 in range. Figures are common practice, no source.
var warmRule = thermal.Rule{Kind: thermal.Warm, LimitMilliC: 8000, Delay: 10 * time.Minute, ClearAfter: 15 * time.Minute,
	MaxGap: halfHr, Severity: "high", Source: "test", Hold: true}

func with(r thermal.Rule, change func(*thermal.Rule)) thermal.Rule {
	change(&r)
	return r
}

// say prints excursions in minutes after the start: "5-15 worst 0-20 opened 15 cleared 30 10°".
func say(xs []thermal.Excursion) string {
	at := func(micros int64) string {
		if micros == 0 {
			return ""
		}
		return fmt.Sprintf("%.4g", float64(micros-start)/float64(minute))
	}
	var lines []string
	for _, x := range xs {
		lines = append(lines, fmt.Sprintf("%s %s-%s worst %s-%s opened %s cleared %s extreme %s readings %d/%d beyond %.4g",
			x.Kind, at(x.FromMicros), at(x.ToMicros), at(x.WorstFromMicros), at(x.WorstToMicros), at(x.OpenedMicros), at(x.ClearedMicros),
			x.ExtremeMilliC, x.Readings, x.FreezeReadings, float64(x.BeyondMicros)/float64(minute)))
	}
	return strings.Join(lines, "\n")
}

func TestStep(t *testing.T) {
	cumulative := with(warmRule, func(r *thermal.Rule) { r.Window, r.Delay = 2*time.Hour, 30*time.Minute })
	freeze := with(warmRule, func(r *thermal.Rule) {
		r.Kind, r.LimitMilliC, r.UncertaintyMilliC, r.Delay = thermal.Freeze, 0, 500, 0
	})
	noData := with(warmRule, func(r *thermal.Rule) { r.Kind, r.Delay, r.ClearAfter = thermal.NoData, 0, 0 })
	for _, c := range []struct {
		name   string
		rule   thermal.Rule
		series []thermal.Reading
		phase  thermal.Phase
		want   string
	}{
		{"in range", warmRule, trace(0, 8, 10, 2, 20, 8), thermal.InRange, ""},
		{"shorter than the delay: a defrost", warmRule, trace(0, 6, 4, 10, 8, 6, 30, 6), thermal.InRange, ""},
		{"suspected, not yet for the delay", warmRule, trace(0, 6, 4, 10, 11, 10), thermal.Suspected, ""},
		{"opens at the first reading at or after crossing + delay", warmRule, trace(0, 6, 4, 10, 11, 10, 12, 11), thermal.Open,
			"warm 2- worst 0- opened 12 cleared  extreme 11 readings 3/0 beyond 10"},
		{"long enough by the line, found by the good reading after it", warmRule, trace(0, 6, 4, 10, 24, 6), thermal.Open,
			"warm 2-14 worst 0-24 opened 24 cleared  extreme 10 readings 1/0 beyond 12"},
		{"cleared after a quarter of an hour in range", warmRule, trace(0, 6, 4, 10, 14, 10, 18, 6, 30, 6, 31, 6, 36, 6), thermal.InRange,
			"warm 2-16 worst 0-18 opened 14 cleared 31 extreme 10 readings 2/0 beyond 14"},
		{"beyond again before it is cleared: one excursion", warmRule, trace(0, 6, 4, 10, 14, 10, 18, 6, 22, 10, 26, 6, 50, 6), thermal.InRange,
			"warm 2-24 worst 0-26 opened 14 cleared 50 extreme 10 readings 3/0 beyond 18"},
		{"a gap restarts a continuous delay", warmRule, trace(0, 6, 4, 10, 40, 10, 49, 10), thermal.Suspected, ""},
		{"and the last good reading is the one before the gap", warmRule, trace(0, 6, 4, 10, 40, 10, 50, 10), thermal.Open,
			"warm 40- worst 0- opened 50 cleared  extreme 10 readings 2/0 beyond 10"},
		{"a gap neither clears nor proves: one good reading after it is not enough", warmRule, trace(0, 6, 4, 10, 14, 10, 60, 6, 74, 6), thermal.Open,
			"warm 2-14 worst 0-60 opened 14 cleared  extreme 10 readings 2/0 beyond 12"},
		{"the quarter of an hour begins anew after a gap", warmRule, trace(0, 6, 4, 10, 14, 10, 18, 6, 60, 6, 75, 6), thermal.InRange,
			"warm 2-16 worst 0-18 opened 14 cleared 75 extreme 10 readings 2/0 beyond 14"},
		{"beyond on both sides of a gap: one excursion", warmRule, trace(0, 6, 4, 10, 14, 10, 60, 12, 64, 6, 80, 6), thermal.InRange,
			"warm 2-62.67 worst 0-64 opened 14 cleared 80 extreme 12 readings 3/0 beyond 14.67"},
		{"warm from the first reading: nothing known before", with(warmRule, func(r *thermal.Rule) { r.Delay = 0 }), trace(0, 9), thermal.Open,
			"warm 0- worst - opened 0 cleared  extreme 9 readings 1/0 beyond 0"},
		{"cumulative: three times a quarter of an hour", cumulative,
			trace(0, 8, 0.1, 9, 15, 9, 15.1, 8, 30, 8, 30.1, 9, 40, 9, 40.1, 8, 60, 8, 60.1, 9, 64, 9, 66, 9), thermal.Open,
			"warm 0- worst 0- opened 66 cleared  extreme 9 readings 7/0 beyond 31.2"},
		{"cumulative: the first has left the window", cumulative,
			trace(0, 8, 0.1, 9, 15, 9, 15.1, 8, 40, 8, 65, 8, 90, 8, 115, 8, 140, 8, 140.1, 9, 160, 9), thermal.Suspected, ""},
		{"cold", with(warmRule, func(r *thermal.Rule) { r.Kind, r.LimitMilliC = thermal.Cold, 2000 }), trace(0, 4, 4, 0, 14, 1), thermal.Open,
			"cold 2- worst 0- opened 14 cleared  extreme 0 readings 2/0 beyond 12"},
		{"a freeze opens at once, at the limit plus the sensor's uncertainty", freeze, trace(0, 1.5, 10, 0.5), thermal.Open,
			"freeze 10- worst 0- opened 10 cleared  extreme 0.5 readings 1/0 beyond 0"},
		{"and counts what is at or below the bare limit", freeze, trace(0, 1.5, 10, 0.5, 20, 0, 30, -1, 40, 1.5, 55, 1.5), thermal.InRange,
			"freeze 10-36 worst 0-40 opened 10 cleared 55 extreme -1 readings 3/2 beyond 26"},
		{"no data", noData, trace(0, 5, 30, 5, 61, 5, 70, 5), thermal.InRange,
			"no_data 30-61 worst 30-61 opened 61 cleared 61 extreme 0 readings 0/0 beyond 0"},
	} {
		s, got := c.rule.Step(thermal.State{}, c.series, nil)
		require.Equal(t, c.want, say(got), c.name)
		require.Equal(t, c.phase, s.Phase, c.name)
		require.NoError(t, c.rule.Check(), c.name)

		again, none := c.rule.Step(s, c.series, nil)
		require.Equal(t, s, again, "%s: folding the same again", c.name)
		if s.Current == nil {
			require.Empty(t, none, c.name)
		}
	}
}

func TestStepConflicts(t *testing.T) {
	conflict := func(m float64, low, high float64) thermal.Conflict {
		return thermal.Conflict{AtMicros: start + int64(m)*minute, LowestMilliC: milli(low), HighestMilliC: milli(high), Values: 2}
	}
	instantly := with(warmRule, func(r *thermal.Rule) { r.Delay = 0 })
	s, got := instantly.Step(thermal.State{}, trace(0, 6, 20, 6), []thermal.Conflict{conflict(10, 6, 12), conflict(30, 9, 10)})
	require.Empty(t, got, "two values for one instant: neither counts")
	require.Equal(t, start+30*minute, s.ThroughMicros)

	freeze := with(instantly, func(r *thermal.Rule) { r.Kind, r.LimitMilliC = thermal.Freeze, 0 })
	_, got = freeze.Step(thermal.State{}, trace(0, 4, 20, 4, 40, 4), []thermal.Conflict{conflict(10, 2, 5), conflict(30, -1, 5)})
	require.Equal(t, "freeze 28-32 worst 20-40 opened 30 cleared  extreme -1 readings 1/1 beyond 4", say(got), "but a freeze holds")
}

// The mean of this night is 4.00 °C and its MKT 4.34 (C): only single readings show that it froze.
func TestFreezeIsNeverAveraged(t *testing.T) {
	night := steps(21*60, 5, 180, -3)
	freeze := thermal.Rule{Kind: thermal.Freeze, MaxGap: forever, Source: "test"}
	_, found := freeze.Step(thermal.State{}, night, nil)
	require.Len(t, found, 1)
	require.Equal(t, milli(-3), found[0].ExtremeMilliC)
	require.Equal(t, 2, found[0].FreezeReadings)
}

func TestSilence(t *testing.T) {
	noData := thermal.Rule{Kind: thermal.NoData, MaxGap: halfHr, Source: "test"}
	_, ok := thermal.State{}.Silence(start)
	require.False(t, ok)
	s, _ := noData.Step(thermal.State{}, trace(0, 5, 10, 5), nil)
	x, ok := s.Silence(start + 60*minute)
	require.True(t, ok)
	require.Equal(t, "no_data 10- worst 10- opened 60 cleared  extreme 0 readings 0/0 beyond 0", say([]thermal.Excursion{x}))
}

func TestRuleCheck(t *testing.T) {
	require.NoError(t, warmRule.Check())
	bad := thermal.Rule{Kind: "hot", LimitMilliC: 300_000, UncertaintyMilliC: -1, Delay: 2 * time.Hour, Window: time.Hour, ClearAfter: -1}
	err := bad.Check()
	require.ErrorIs(t, err, thermal.ErrRule)
	for _, part := range []string{"kind is none of", "names no source", "not above 0", "below 0", "never add up", "uncertainty", "beyond -200"} {
		require.ErrorContains(t, err, part)
	}
	require.ErrorContains(t, with(warmRule, func(r *thermal.Rule) { r.Kind = thermal.Freeze }).Check(), "judged at once")
}

func FuzzStateJSON(f *testing.F) {
	for _, series := range [][]thermal.Reading{nil, trace(0, 6, 4, 10), trace(0, 6, 4, 10, 14, 10), trace(0, 6, 4, 10, 14, 10, 18, 6)} {
		s, _ := warmRule.Step(thermal.State{}, series, nil)
		text, err := json.Marshal(s)
		require.NoError(f, err)
		f.Add(string(text))
	}
	f.Add(`{"phase":"open","pending":[{}],"good_since_micros":-5,"last_milli_celsius":2147483647,"seen":true}`)
	f.Fuzz(func(t *testing.T, text string) {
		var s thermal.State
		if json.Unmarshal([]byte(text), &s) != nil {
			return
		}
		again, err := json.Marshal(s)
		require.NoError(t, err)
		var back thermal.State
		require.NoError(t, json.Unmarshal(again, &back))
		third, err := json.Marshal(back)
		require.NoError(t, err)
		require.Equal(t, string(again), string(third))
		before := string(again)
		for _, rule := range []thermal.Rule{warmRule, with(warmRule, func(r *thermal.Rule) { r.Window = time.Hour }), {Kind: thermal.Freeze, MaxGap: halfHr}, {Kind: thermal.NoData}} {
			rule.Step(s, trace(0, 6, 4, 10, 14, 10, 18, 6, 70, 6), nil) // whatever was stored, it does not panic
		}
		untouched, err := json.Marshal(s)
		require.NoError(t, err)
		require.Equal(t, before, string(untouched), "Step leaves the state it was given alone")
	})
}
