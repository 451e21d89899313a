package thermal_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/thermal"
)

// data draws stability data of every kind.
var data = rapid.Custom(func(t *rapid.T) thermal.Stability {
	energy := rapid.SampledFrom([]float64{41.5, 83.144, 120}).Draw(t, "energy")
	return rapid.SampledFrom([]thermal.Stability{
		{LabelMilliC: [2]thermal.MilliC{2000, 8000}}, keeps(8, nil, 5, 168), keeps(8, &energy, 5, 168), keeps(8, nil, 5, 168, 15, 60, 25, 24),
		keeps(8, nil, 9, 50, 12, 30),
	}).Draw(t, "stability")
})

// life draws an Exposures, two sensors, and stays one after another, with holes, at either or at an assumed temperature.
type life struct {
	x      *thermal.Exposures
	raw    [2][]thermal.Reading
	traces [2]*thermal.Trace
	stays  []thermal.Stay
	at     int64
	bud    int64
}

var lives = rapid.Custom(func(t *rapid.T) life {
	allowed := rapid.SampledFrom([]time.Duration{0, 20 * time.Minute, 5 * time.Hour}).Draw(t, "allowed")
	rules := thermal.ExposureRules{MaxGap: halfHr, Stability: data.Draw(t, "data"), AllowedOut: &allowed}
	if rapid.Bool().Draw(t, "no allowance") {
		rules.AllowedOut = nil
	}
	l := life{x: exposures(t, rules)}
	for i := range l.raw {
		l.raw[i] = raw.Draw(t, "raw")
		l.traces[i] = l.x.Trace(l.raw[i])
	}
	at := start + rapid.Int64Range(-60, 24*60).Draw(t, "first")*minute
	for range rapid.IntRange(1, 5).Draw(t, "stays") {
		s := thermal.Stay{FromMicros: at, AssumedMilliC: rapid.SampledFrom([]thermal.MilliC{-5000, 5000, 22_000}).Draw(t, "assumed")}
		at += rapid.Int64Range(1, 300).Draw(t, "long")*minute + rapid.Int64Range(0, 3).Draw(t, "odd")
		s.ToMicros = at
		if k := rapid.IntRange(0, 2).Draw(t, "sensor"); k < 2 {
			s.Trace = l.traces[k]
		}
		l.stays = append(l.stays, s)
		at += rapid.SampledFrom([]int64{0, 0, 0, 7 * minute}).Draw(t, "hole")
	}
	l.at = max(l.stays[0].FromMicros, at+rapid.Int64Range(-400, 60).Draw(t, "at")*minute)
	l.bud = l.at + rapid.Int64Range(-100, 10_000).Draw(t, "bud")*minute
	return l
})

func (l life) follow(t *rapid.T, stays []thermal.Stay) thermal.Exposure {
	e, err := l.x.Of(stays, l.at, l.bud)
	require.NoError(t, err)
	return e
}

// same compares exposures: whole figures exactly, the integral and what follows from it to its last digits.
func same(t *rapid.T, a, b thermal.Exposure) {
	require.InEpsilon(t, a.StabilityUsed+1, b.StabilityUsed+1, 1e-12)
	require.InDelta(t, a.ChemicalLimitMicros, b.ChemicalLimitMicros, float64(minute))
	a.StabilityUsed, b.StabilityUsed, a.ChemicalLimitMicros, b.ChemicalLimitMicros = 0, 0, 0, 0
	a.Proposals, b.Proposals = nil, nil
	require.Equal(t, a, b)
}

func TestExposureLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := lives.Draw(t, "life")
		whole := l.follow(t, l.stays)

		// Splitting a stay changes nothing, also at the instant itself.
		split := slices.Clone(l.stays)
		i := rapid.IntRange(0, len(split)-1).Draw(t, "which")
		s := split[i]
		cut := rapid.Int64Range(s.FromMicros, s.ToMicros).Draw(t, "cut")
		if rapid.Bool().Draw(t, "at the instant") {
			cut = l.at
		}
		if s.FromMicros < cut && cut < s.ToMicros {
			first, second := s, s
			first.ToMicros, second.FromMicros = cut, cut
			split[i] = first
			split = append(split, second)
			same(t, whole, l.follow(t, split))
		}

		// Neither does the order of stays, nor that of a log, nor what is sent twice.
		same(t, whole, l.follow(t, rapid.Permutation(l.stays).Draw(t, "order")))
		mixed := l
		for k := range mixed.raw {
			parts := rapid.Permutation(append(slices.Clone(l.raw[k]), l.raw[k][:len(l.raw[k])/2]...)).Draw(t, "mixed")
			mixed.traces[k] = l.x.Trace(parts)
		}
		mixed.stays = slices.Clone(l.stays)
		for k := range mixed.stays {
			if j := slices.Index(l.traces[:], mixed.stays[k].Trace); j >= 0 {
				mixed.stays[k].Trace = mixed.traces[j]
			}
		}
		same(t, whole, mixed.follow(t, mixed.stays))

		// Nothing is counted twice or lost, and a worse limit is met for no longer.
		require.LessOrEqual(t, whole.Unknown, whole.Followed)
		require.GreaterOrEqual(t, whole.Unknown, time.Duration(0))
		require.LessOrEqual(t, whole.Above25, whole.Above15)
		require.LessOrEqual(t, whole.Above15, whole.Above8)
		require.LessOrEqual(t, whole.Above8+whole.Below2, whole.Followed-whole.Unknown)
		require.LessOrEqual(t, whole.MinCelsius, whole.MaxCelsius)
		if whole.Limited {
			require.LessOrEqual(t, whole.ChemicalLimitMicros, l.bud, "nothing lengthens")
			require.Zero(t, whole.Unknown)
			require.Zero(t, whole.FreezeReadings)
		}
	})
}

// Moving a part of a stay to another sensor counts the right part of both.
func TestExposureMoved(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := lives.Draw(t, "life")
		from := l.stays[0].FromMicros
		cut := from + rapid.Int64Range(1, 900*minute).Draw(t, "cut")
		to := cut + rapid.Int64Range(1, 900*minute).Draw(t, "after")
		one := func(from, to int64, trace *thermal.Trace) thermal.Exposure {
			l.at = to
			return l.follow(t, []thermal.Stay{{FromMicros: from, ToMicros: to, Trace: trace}})
		}
		a, b := one(from, cut, l.traces[0]), one(cut, to, l.traces[1])
		l.at = to
		both := l.follow(t, []thermal.Stay{{FromMicros: from, ToMicros: cut, Trace: l.traces[0]}, {FromMicros: cut, ToMicros: to, Trace: l.traces[1]}})
		require.Equal(t, a.Unknown+b.Unknown, both.Unknown)
		require.Equal(t, a.Above8+b.Above8, both.Above8)
		require.Equal(t, a.Above15+b.Above15, both.Above15)
		require.Equal(t, a.Below2+b.Below2, both.Below2)
		require.Equal(t, a.BeyondModel+b.BeyondModel, both.BeyondModel)
		require.InEpsilon(t, a.StabilityUsed+b.StabilityUsed+1, both.StabilityUsed+1, 1e-12)
		atCut := 0 // a reading of the first sensor at the move itself is not the vial's any more
		seen := map[thermal.MilliC]bool{}
		for _, r := range l.raw[0] {
			if r.AtMicros == cut && r.MilliC <= 0 && !seen[r.MilliC] {
				atCut, seen[r.MilliC] = atCut+1, true
			}
		}
		require.Equal(t, a.FreezeReadings-atCut+b.FreezeReadings, both.FreezeReadings)
	})
}

// Running sums and searches against going through every line and every reading one by one.
func TestExposureOneByOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := lives.Draw(t, "life")
		from := l.stays[0].FromMicros
		to := from + rapid.Int64Range(1, 2000*minute).Draw(t, "long")
		l.at = to
		e := l.follow(t, []thermal.Stay{{FromMicros: from, ToMicros: to, Trace: l.traces[0]}})
		series, _ := thermal.Merge(slices.Clone(l.raw[0]))
		var known, above8, below2 float64
		lowest, highest, frozen := math.Inf(1), math.Inf(-1), map[thermal.Reading]bool{}
		meet := func(c float64) { lowest, highest = min(lowest, c), max(highest, c) }
		for _, r := range l.raw[0] {
			if from <= r.AtMicros && r.AtMicros <= to && r.MilliC <= 0 {
				frozen[r] = true
			}
		}
		for i, b := range series {
			if from <= b.AtMicros && b.AtMicros <= to {
				meet(b.MilliC.Celsius())
			}
			if i == 0 || b.AtMicros-series[i-1].AtMicros > halfHr.Microseconds() {
				continue
			}
			a := series[i-1]
			lo, hi := float64(max(a.AtMicros, from)), float64(min(b.AtMicros, to))
			if lo >= hi {
				continue
			}
			at := func(m float64) float64 {
				return a.MilliC.Celsius() + (b.MilliC.Celsius()-a.MilliC.Celsius())*(m-float64(a.AtMicros))/float64(b.AtMicros-a.AtMicros)
			}
			x, y := at(lo), at(hi)
			meet(x)
			meet(y)
			known += hi - lo
			above8 += (hi - lo) * shareAbove(8, x, y)
			below2 += (hi - lo) * shareAbove(-2, -x, -y)
		}
		require.InDelta(t, known, e.Followed.Microseconds()-e.Unknown.Microseconds(), 0.5)
		require.InDelta(t, above8, float64(e.Above8)/1000, 0.1)
		require.InDelta(t, below2, float64(e.Below2)/1000, 0.1)
		require.Len(t, frozen, e.FreezeReadings)
		require.Equal(t, !math.IsInf(lowest, 0), e.Measured)
		if e.Measured {
			require.InDelta(t, lowest, e.MinCelsius, 1e-9)
			require.InDelta(t, highest, e.MaxCelsius, 1e-9)
		}
	})
}

// shareAbove is the share of a line from x to y that lies above a limit.
func shareAbove(limit, x, y float64) float64 {
	lo, hi := min(x, y), max(x, y)
	switch {
	case lo > limit || lo == limit && hi > limit:
		return 1
	case hi <= limit:
		return 0
	}
	return (hi - limit) / (hi - lo)
}
