package thermal_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/thermal"
)

var silentRule = thermal.Rule{Kind: thermal.NoData, MaxGap: halfHr, Source: "test"}

func unheard(from float64) thermal.Excursion {
	at := start + int64(from*float64(minute))
	return thermal.Excursion{ID: 7, Kind: thermal.NoData, Unheard: true, FromMicros: at, WorstFromMicros: at, OpenedMicros: at + 120*minute}
}

// Stock was put in place at minute 60, and its sensor had never spoken: what readings that come later make of it.
func TestUnheard(t *testing.T) {
	for name, c := range map[string]struct {
		readings []thermal.Reading
		there    bool    // else Step's own gaps say it
		to       float64 // 0 = goes on
	}{
		"none yet": {nil, true, 0},
		"only a log of before: it says nothing of since": {trace(0, 5, 10, 5), true, 0},
		"the last of it as the stock came":               {trace(40, 5, 60, 5), true, 0},
		"first one an hour after":                        {trace(120, 5, 125, 5), true, 120},
		"first one as long after as a line bridges":      {trace(90, 5, 95, 5), false, 0},
		"first one a minute later than that":             {trace(91, 5, 95, 5), true, 91},
		"on both sides, a gap between":                   {trace(0, 5, 120, 5), false, 0},
		"on both sides, no gap between":                  {trace(50, 5, 70, 5), false, 0},
	} {
		state, gaps := silentRule.Step(thermal.State{}, c.readings, nil)
		now, there := silentRule.Unheard(state, unheard(60))
		require.Equal(t, c.there, there, name)
		if there {
			want := unheard(60)
			want.ID = 0 // found, not yet reconciled
			if c.to > 0 {
				at := start + int64(c.to*float64(minute))
				want.ToMicros, want.WorstToMicros, want.ClearedMicros, want.LastMicros = at, at, at, want.FromMicros
			}
			require.Equal(t, want, now, name)
		}
		require.Len(t, thermal.Reconcile([]thermal.Excursion{unheard(60)}, found(gaps, now, there)), 1, "%s: one excursion, whatever becomes of it", name)
	}
}

func found(gaps []thermal.Excursion, now thermal.Excursion, there bool) []thermal.Excursion {
	if there {
		return append(gaps, now)
	}
	return gaps
}

// Every minute after the stock came that no straight line between readings covers lies in what Step or Unheard answers.
func TestNothingUnknownIsLeftOut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		readings, _ := thermal.Merge(raw.Draw(t, "readings"))
		from := rapid.Float64Range(0, 3000).Draw(t, "from")
		state, gaps := silentRule.Step(thermal.State{}, readings, nil)
		now, there := silentRule.Unheard(state, unheard(from))
		all := found(gaps, now, there)
		for at := unheard(from).FromMicros + 1; at < start+4000*minute; at += 7 * minute {
			known, ever := false, false
			for i, r := range readings {
				ever = ever || r.AtMicros >= at
				known = known || i > 0 && readings[i-1].AtMicros <= at && at <= r.AtMicros && r.AtMicros-readings[i-1].AtMicros <= silentRule.MaxGap.Microseconds()
			}
			if known || !ever && state.Seen && state.LastMicros > unheard(from).FromMicros {
				continue // measured; or after the newest reading, where silence is judged by receipt
			}
			if first := state.FirstMicros; at < first && first-unheard(from).FromMicros <= silentRule.MaxGap.Microseconds() {
				continue // bridged up to the first one
			}
			covered := false
			for _, x := range all {
				covered = covered || x.FromMicros <= at && (x.ToMicros == 0 || at <= x.ToMicros)
			}
			if !covered {
				t.Fatalf("minute %d is in none of %s", (at-start)/minute, say(all))
			}
		}
	})
}
