package thermal_test

import (
	"reflect"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"vialward/tracker/thermal"
)

// rules draws any rule the machine may be asked for.
var rules = rapid.Custom(func(t *rapid.T) thermal.Rule {
	minutes := func(label string, of ...int64) time.Duration {
		return time.Duration(rapid.SampledFrom(of).Draw(t, label)) * time.Minute
	}
	r := thermal.Rule{Kind: rapid.SampledFrom([]thermal.Kind{thermal.Warm, thermal.Cold, thermal.Freeze, thermal.NoData}).Draw(t, "kind"),
		ClearAfter: minutes("clear", 0, 15, 60), MaxGap: halfHr, Source: "test"}
	switch r.Kind {
	case thermal.Warm:
		r.LimitMilliC = 8000
	case thermal.Cold:
		r.LimitMilliC = 2000
	case thermal.Freeze:
		r.UncertaintyMilliC = thermal.MilliC(rapid.SampledFrom([]int32{0, 500}).Draw(t, "uncertainty"))
	}
	if r.Kind == thermal.Warm || r.Kind == thermal.Cold {
		r.Window = minutes("window", 0, 0, 90, 24*60)
		r.Delay = minutes("delay", 0, 10, 60)
	}
	return r
})

// raw draws what loggers send: flapping, freezes, gaps, days off, and instants sent twice, alike or not. Times are
// sometimes odd so that crossings do not fall on whole micros.
var raw = rapid.Custom(func(t *rapid.T) []thermal.Reading {
	var rs []thermal.Reading
	at := start + rapid.Int64Range(0, 24*60).Draw(t, "first")*minute
	for range rapid.IntRange(1, 60).Draw(t, "n") {
		at += rapid.SampledFrom([]int64{5, 5, 5, 10, 10, 20, 30, 31, 90, 700, 1500}).Draw(t, "wait")*minute + rapid.Int64Range(0, 3).Draw(t, "odd")
		for range rapid.SampledFrom([]int{1, 1, 1, 1, 2, 3}).Draw(t, "times") {
			rs = append(rs, thermal.Reading{AtMicros: at, MilliC: rapid.SampledFrom([]thermal.MilliC{-700, 0, 300, 500, 1900, 2000, 5000, 5000, 7999, 8000, 8001, 9000, 13_000}).Draw(t, "milli")})
		}
	}
	return rs
})

// kept is a sensor's record under one rule, as an intake keeps it.
type kept struct {
	rule        thermal.Rule
	readings    []thermal.Reading // all values, sorted by instant
	checkpoints thermal.Checkpoints
	state       thermal.State
	found       []thermal.Excursion
}

// take is an intake: only what changed is run again.
func (k *kept) take(incoming []thermal.Reading) {
	fresh, _, _ := thermal.Classify(k.readings, incoming)
	if len(fresh) == 0 {
		return
	}
	k.readings = slices.Concat(k.readings, fresh)
	slices.SortFunc(k.readings, func(a, b thermal.Reading) int { return int(a.AtMicros - b.AtMicros) })
	from := k.checkpoints.At(fresh[0].AtMicros)
	first, _ := slices.BinarySearchFunc(k.readings, from.AtMicros, func(r thermal.Reading, at int64) int { return int(r.AtMicros - at) })
	series, conflicts := thermal.Merge(k.readings[first:])
	state, found, checkpoints := k.rule.Run(from, series, conflicts)
	k.state, k.checkpoints = state, k.checkpoints.Replace(from.AtMicros, checkpoints)
	k.found = slices.DeleteFunc(k.found, func(x thermal.Excursion) bool { return x.FoundFrom(from.State.ThroughMicros) })
	k.found = append(k.found, found...)
}

// Any order and any split of the same values ends in the same excursions, state and checkpoints as all at once.
func TestAnyOrderAnySplit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := raw.Draw(t, "raw")
		atOnce := kept{rule: rules.Draw(t, "rule")}
		piecemeal := kept{rule: atOnce.rule}
		atOnce.take(all)
		rest := rapid.Permutation(all).Draw(t, "order")
		if rapid.Bool().Draw(t, "nearly in order") {
			rest = slices.Clone(all)
			i := rapid.IntRange(0, len(rest)-1).Draw(t, "late")
			rest = append(append(slices.Clone(rest[:i]), rest[i+1:]...), rest[i])
		}
		for len(rest) > 0 {
			n := rapid.IntRange(1, len(rest)).Draw(t, "chunk")
			piecemeal.take(rest[:n])
			if rapid.Bool().Draw(t, "sent twice") {
				piecemeal.take(rest[:n])
			}
			rest = rest[n:]
		}
		if !reflect.DeepEqual(atOnce.state, piecemeal.state) || !reflect.DeepEqual(atOnce.checkpoints, piecemeal.checkpoints) ||
			!slices.Equal(atOnce.found, piecemeal.found) {
			t.Fatalf("at once\n%s\n%+v\npiecemeal\n%s\n%+v", say(atOnce.found), atOnce.state, say(piecemeal.found), piecemeal.state)
		}
	})
}

// In order, the cuts between Steps do not matter, and an excursion keeps the instant it began.
func TestAnyCut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rule := rules.Draw(t, "rule")
		series, conflicts := thermal.Merge(raw.Draw(t, "raw"))
		want, found := rule.Step(thermal.State{}, series, conflicts)
		var s thermal.State
		got := map[int64]thermal.Excursion{}
		for len(series)+len(conflicts) > 0 {
			cut := start + rapid.Int64Range(0, 60*1500).Draw(t, "cut")*minute
			if rapid.IntRange(0, 4).Draw(t, "end") == 0 {
				cut = 1 << 62
			}
			n, _ := slices.BinarySearchFunc(series, cut, func(r thermal.Reading, at int64) int { return int(r.AtMicros - at) })
			c, _ := slices.BinarySearchFunc(conflicts, cut, func(r thermal.Conflict, at int64) int { return int(r.AtMicros - at) })
			var xs []thermal.Excursion
			s, xs = rule.Step(s, series[:n], conflicts[:c])
			for _, x := range xs {
				got[x.FromMicros] = x
			}
			series, conflicts = series[n:], conflicts[c:]
		}
		if !reflect.DeepEqual(want, s) || len(got) != len(found) {
			t.Fatalf("state %+v, want %+v; %d excursions, want %d", s, want, len(got), len(found))
		}
		for i, x := range found {
			if got[x.FromMicros] != x || i > 0 && x.FromMicros < found[i-1].ToMicros {
				t.Fatalf("%+v, want %+v", got[x.FromMicros], x)
			}
		}
	})
}

// Whatever a freeze rule sees at or below its limit lies in an excursion of it.
func TestNoFreezeEscapes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rule := rules.Filter(func(r thermal.Rule) bool { return r.Kind == thermal.Freeze }).Draw(t, "rule")
		all := raw.Draw(t, "raw")
		series, conflicts := thermal.Merge(all)
		_, found := rule.Step(thermal.State{}, series, conflicts)
		for _, r := range all {
			inside := slices.ContainsFunc(found, func(x thermal.Excursion) bool {
				return x.FromMicros <= r.AtMicros && (x.ToMicros == 0 || r.AtMicros <= x.ToMicros) && x.ExtremeMilliC <= r.MilliC
			})
			if r.MilliC <= rule.LimitMilliC+rule.UncertaintyMilliC && !inside {
				t.Fatalf("%+v is in no excursion of\n%s", r, say(found))
			}
		}
	})
}
