package thermal_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/integrate/quad"
	"pgregory.net/rapid"

	"vialward/tracker/thermal"
)

const (
	minute  = int64(60_000_000)
	start   = int64(1_760_000_000) * 1_000_000
	halfHr  = 30 * time.Minute
	forever = 1000 * time.Hour
)

var (
	daily    = thermal.Survey{MaxGap: halfHr, Window: thermal.WorstWindow}
	hourly   = thermal.Survey{MaxGap: halfHr, Window: time.Hour}
	bridging = thermal.Survey{MaxGap: forever, Window: thermal.WorstWindow}
	equal    = thermal.Survey{MaxGap: halfHr, EqualWeight: true}
)

// every makes a series of °C, one reading each so many minutes.
func every(minutes int64, celsius ...float64) []thermal.Reading {
	rs := make([]thermal.Reading, len(celsius))
	for i, c := range celsius {
		rs[i] = thermal.Reading{AtMicros: start + int64(i)*minutes*minute, MilliC: milli(c)}
	}
	return rs
}

func milli(c float64) thermal.MilliC { return thermal.MilliC(math.Round(c * 1000)) }

// repeat answers n times c.
func repeat(n int, c float64) []float64 {
	cs := make([]float64, n)
	for i := range cs {
		cs[i] = c
	}
	return cs
}

func TestMKTEqualWeights(t *testing.T) {
	for _, c := range []struct {
		name    string
		celsius []float64
		want    float64
		within  float64
	}{
		{"52 x 25 °C, USP's worked example (R; it adds 273.1)", repeat(52, 25), 25.0, 1e-9},
		{"23 and 25 °C, USP's second example with 273.1: 24.0532 (R, C); the zero moves it by less than 1e-4", []float64{23, 25}, 24.0532, 1e-4},
		{"twelve months, from memory (M): 23.0096", []float64{21, 22.5, 21, 22.5, 24.5, 20, 23, 24, 25, 24, 22, 25}, 23.0096, 1e-4},
		{"20 x 4.0 + 4 x 16.0 (C)", append(repeat(20, 4), repeat(4, 16)...), 7.550488, 5e-7},
		{"one minute apart, test vector of a general HVAC library (R)", []float64{19.8, 20.2, 20.6, 21, 21.3, 21.5}, 20.752780, 5e-7},
		// Equal weights would wrongly pass 8 °C: the same readings by time are in TestMKTByTime (C).
		{"a door left open, uneven waits, equal weights (C)", []float64{4, 4.2, 6, 12, 12.5, 9, 6, 4.5}, 7.9346, 5e-5},
	} {
		s := equal.Describe(every(1, c.celsius...))
		require.True(t, s.Averaged, c.name)
		require.InDelta(t, c.want, s.MKTCelsius, c.within, c.name)
	}
}

// USP's worked examples give the intermediate exponents for 25 °C + 273.1 (R): -33.5458 and, for 23 and 25 °C,
// -33.77237419790611 and -33.545790003354576. They pin dH/R = 10 000 K exactly.
func TestRatioIsTenThousand(t *testing.T) {
	require.InDelta(t, -33.5458, -10_000/(25+273.1), 5e-5)
	require.InDelta(t, -33.77237419790611, -10_000/(23+273.1), 1e-13)
	require.InDelta(t, -33.545790003354576, -10_000/(25+273.1), 1e-13)
	// The rate at 25 °C relative to 5 °C is 11.2 at dH/R = 10 000 K (C): an hour at 25 in 24 at 5 shows it.
	s := equal.Describe(every(60, 5, 25))
	k := func(c float64) float64 { return math.Exp(-10_000 / (c + 273.15)) }
	require.InDelta(t, 11.2, k(25)/k(5), 0.05)
	require.InDelta(t, (k(5)+k(25))/2/k(5), k(s.MKTCelsius)/k(5), 1e-9)
}

// steps is a series that holds each temperature for some minutes: the jump between two takes one microsecond.
func steps(pairs ...float64) []thermal.Reading {
	var rs []thermal.Reading
	at := start
	for i := 0; i < len(pairs); i += 2 {
		rs = append(rs, thermal.Reading{AtMicros: at, MilliC: milli(pairs[i+1])})
		at += int64(pairs[i] * float64(minute))
		rs = append(rs, thermal.Reading{AtMicros: at - 1, MilliC: milli(pairs[i+1])})
	}
	return rs
}

func TestMKTByTime(t *testing.T) {
	for _, c := range []struct {
		name      string
		series    []thermal.Reading
		mean, mkt float64
		within    float64
	}{
		{"23 h at 5, 1 h at 8 (C)", steps(23*60, 5, 60, 8), 5.125, 5.1494, 5e-5},
		{"23 h at 5, 1 h at 10 (C)", steps(23*60, 5, 60, 10), 5 + 5/24., 5.2810, 5e-5},
		{"23 h at 5, 1 h at 12 (C)", steps(23*60, 5, 60, 12), 5 + 7/24., 5.4445, 5e-5},
		{"23 h at 5, 1 h at 15 (C)", steps(23*60, 5, 60, 15), 5 + 10/24., 5.7635, 5e-5},
		{"23 h at 5, 1 h at 20 (C)", steps(23*60, 5, 60, 20), 5 + 15/24., 6.5508, 5e-5},
		{"23 h at 5, 1 h at 25 (C)", steps(23*60, 5, 60, 25), 5 + 20/24., 7.7564, 5e-5},
		{"23 h at 5, 1 h at 30 (C)", steps(23*60, 5, 60, 30), 5 + 25/24., 9.4722, 5e-5},
		{"3 h at -3, rest 5: perfect and frozen (C)", steps(21*60, 5, 180, -3), 4.00, 4.34, 5e-3},
		{"45 min at -3, rest 5 (C)", steps(23.25*60, 5, 45, -3), 4.75, 4.84, 5e-3},
		{"4 h at 12, rest 5 (C)", steps(20*60, 5, 240, 12), 6.17, 6.65, 5e-3},
		{"4 h at 15, rest 4.5 (C)", steps(20*60, 4.5, 240, 15), 6.25, 7.41, 5e-3},
		{"4 h at 20, rest 4.5, in 24 h (C)", steps(20*60, 4.5, 240, 20), 7.08, 9.76, 5e-3},
		{"4 h at 20, rest 4.5, in 7 d (C)", steps(164*60, 4.5, 240, 20), 4.87, 5.49, 5e-3},
		{"8 h at 22, rest 4.5, in 24 h (C)", steps(16*60, 4.5, 480, 22), 10.33, 14.47, 5e-3},
		{"8 h at 22, rest 4.5, in 30 d (C)", steps(712*60, 4.5, 480, 22), 4.69, 5.12, 5e-3},
		{"hours at 10 in 24 that bring MKT to 8 (C)", steps((24-12.66)*60, 5, 12.66*60, 10), math.NaN(), 8, 5e-3},
		{"hours at 15 (C)", steps((24-4.52)*60, 5, 4.52*60, 15), math.NaN(), 8, 5e-3},
		{"hours at 20 (C)", steps((24-2.12)*60, 5, 2.12*60, 20), math.NaN(), 8, 8e-3},
		{"hours at 25 (C)", steps((24-1.11)*60, 5, 1.11*60, 25), math.NaN(), 8, 2e-2},
		{"a door left open, linear between readings (C)", door(), math.NaN(), 10.9096, 5e-5},
	} {
		s := bridging.Describe(c.series)
		require.InDelta(t, c.mkt, s.MKTCelsius, c.within, c.name)
		if !math.IsNaN(c.mean) {
			require.InDelta(t, c.mean, s.MeanCelsius, c.within, c.name)
		}
	}
}

func door() []thermal.Reading {
	var rs []thermal.Reading
	for i, m := range []int64{0, 5, 10, 15, 75, 80, 85, 90} {
		rs = append(rs, thermal.Reading{AtMicros: start + m*minute, MilliC: milli([]float64{4, 4.2, 6, 12, 12.5, 9, 6, 4.5}[i])})
	}
	return rs
}

// The integral over straight lines against gonum's Gauss-Legendre quadrature, 60 points a line, to 1e-9 K.
func TestMKTAgainstQuadrature(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		series := seriesOf(t, 2, 40, rapid.Int64Range(1, 29*minute), rapid.Int32Range(-60_000, 60_000))
		s := daily.Describe(series)
		var whole, covered float64
		for i := 1; i < len(series); i++ {
			whole += lineRate(series[i-1], series[i])
			covered += float64(series[i].AtMicros - series[i-1].AtMicros)
		}
		if got, want := s.MKTCelsius, 10_000/-math.Log(whole/covered)-273.15; math.Abs(got-want) > 1e-9 {
			t.Fatalf("MKT %.12f, by quadrature %.12f", got, want)
		}
	})
}

func lineRate(a, b thermal.Reading) float64 {
	d := float64(b.AtMicros - a.AtMicros)
	return quad.Fixed(func(x float64) float64 {
		c := a.MilliC.Celsius() + (b.MilliC.Celsius()-a.MilliC.Celsius())*x/d
		return math.Exp(-10_000 / (c + 273.15))
	}, 0, d, 60, nil, 0)
}

// seriesOf draws a merged series.
func seriesOf(t *rapid.T, least, most int, wait *rapid.Generator[int64], value *rapid.Generator[int32]) []thermal.Reading {
	n := rapid.IntRange(least, most).Draw(t, "n")
	rs := make([]thermal.Reading, n)
	at := start
	for i := range rs {
		at += wait.Draw(t, "wait")
		rs[i] = thermal.Reading{AtMicros: at, MilliC: thermal.MilliC(value.Draw(t, "milli"))}
	}
	return rs
}

func TestMKTLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.Custom(func(t *rapid.T) int32 {
			return rapid.OneOf(rapid.Int32Range(-30_000, 40_000), rapid.Int32Range(4998, 5002), rapid.Just(int32(5000))).Draw(t, "v")
		})
		series := seriesOf(t, 1, 30, rapid.Int64Range(1, 40*minute), value)
		s := daily.Describe(series)
		unweighted := equal.Describe(series)
		for _, d := range []thermal.Statistics{s, unweighted} {
			if d.Averaged && !(d.Min.Celsius() <= d.MeanCelsius && d.MeanCelsius <= d.MKTCelsius && d.MKTCelsius <= d.Max.Celsius()) {
				t.Fatalf("not min <= mean <= MKT <= max: %+v", d)
			}
		}
		if s.Averaged != (s.CoveredMicros > 0) || s.CoveredMicros+gapTime(s) != s.ToMicros-s.FromMicros {
			t.Fatalf("covered time and gaps are not the whole: %+v", s)
		}

		// Order does not matter.
		shuffled := rapid.Permutation(series).Draw(t, "order")
		again, conflicts := thermal.Merge(shuffled)
		if len(conflicts) > 0 {
			t.Fatal("a conflict out of nothing")
		}
		if d := daily.Describe(again); d.MKTCelsius != s.MKTCelsius || d.MeanCelsius != s.MeanCelsius {
			t.Fatal("order matters")
		}
	})
}

// The widest values that are taken, in one series: the table reaches from one end to the other.
func TestMKTOfTheWidestRange(t *testing.T) {
	s := equal.Describe(every(1, 5, -200, 200, 4.999))
	require.InDelta(t, 10_000/-math.Log(math.Exp(-10_000/473.15)/4)-273.15, s.MKTCelsius, 1e-3, "nothing counts beside 200 °C")
	s = daily.Describe(every(1, -200, 200, -200))
	require.InDelta(t, 10_000/-math.Log(lineRate(every(1, -200, 200)[0], every(1, -200, 200)[1])/float64(minute))-273.15, s.MKTCelsius, 1e-6)
}

func gapTime(s thermal.Statistics) (micros int64) {
	for _, g := range s.Gaps {
		micros += g.ToMicros - g.FromMicros
	}
	return micros
}

func TestConstantSeriesIsItself(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.Int32Range(-200_000, 200_000).Draw(t, "milli")
		series := seriesOf(t, 2, 30, rapid.Int64Range(1, 29*minute), rapid.Just(c))
		s := hourly.Describe(series)
		if want := thermal.MilliC(c).Celsius(); s.MeanCelsius != want || s.MKTCelsius != want {
			t.Fatalf("%v became mean %v, MKT %v", want, s.MeanCelsius, s.MKTCelsius)
		}
	})
}

// A reading added on the straight line between two others says nothing new.
func TestSplittingAnIntervalChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		series := seriesOf(t, 2, 12, rapid.Map(rapid.Int64Range(1, 7), func(m int64) int64 { return 4 * m * minute }),
			rapid.Map(rapid.Int32Range(-8_000, 8_000), func(m int32) int32 { return 4 * m }))
		var split []thermal.Reading
		for i, r := range series {
			if i > 0 {
				p := series[i-1]
				share := rapid.Int64Range(0, 3).Draw(t, "quarter")
				if share > 0 {
					split = append(split, thermal.Reading{AtMicros: p.AtMicros + (r.AtMicros-p.AtMicros)/4*share,
						MilliC: p.MilliC + (r.MilliC-p.MilliC)/4*thermal.MilliC(share)})
				}
			}
			split = append(split, r)
		}
		a, b := hourly.Describe(series), hourly.Describe(split)
		if math.Abs(a.MKTCelsius-b.MKTCelsius) > 1e-10 || math.Abs(a.MeanCelsius-b.MeanCelsius) > 1e-10 || a.CoveredMicros != b.CoveredMicros {
			t.Fatalf("%v became %v", a, b)
		}
	})
}

// The worst window against the definition: every window that begins or ends at a reading, each integrated anew.
func TestWorstWindowAgainstDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		window := rapid.Int64Range(5, 180).Draw(t, "minutes") * minute
		series := seriesOf(t, 1, 40, rapid.Int64Range(minute/7, 35*minute), rapid.Int32Range(-5_000, 15_000))
		s := thermal.Survey{MaxGap: halfHr, Window: time.Duration(window) * time.Microsecond}.Describe(series)
		highest := math.Inf(-1)
		for _, r := range series {
			for _, from := range []int64{r.AtMicros, r.AtMicros - window} {
				if mkt, ok := within(series, from, from+window); ok {
					highest = math.Max(highest, mkt)
				}
			}
		}
		if math.IsInf(highest, -1) {
			if s.Worst != (thermal.Window{}) {
				t.Fatalf("a window where none is covered: %+v", s.Worst)
			}
			return
		}
		got, ok := within(series, s.Worst.FromMicros, s.Worst.ToMicros)
		if !ok || math.Abs(got-highest) > 1e-9 || math.Abs(s.Worst.MKTCelsius-highest) > 1e-9 || s.Worst.ToMicros-s.Worst.FromMicros != window {
			t.Fatalf("worst %+v, which is %.12f, highest by definition %.12f", s.Worst, got, highest)
		}
	})
}

// within integrates the covered part of a window by quadrature.
func within(series []thermal.Reading, from, to int64) (mkt float64, ok bool) {
	var whole float64
	var covered int64
	for i := 1; i < len(series); i++ {
		a, b := series[i-1], series[i]
		d := b.AtMicros - a.AtMicros
		lo, hi := max(a.AtMicros, from), min(b.AtMicros, to)
		if d > 30*minute || hi <= lo {
			continue
		}
		covered += hi - lo
		whole += quad.Fixed(func(x float64) float64 {
			c := a.MilliC.Celsius() + (b.MilliC-a.MilliC).Celsius()*x/float64(d)
			return math.Exp(-10_000 / (c + 273.15))
		}, float64(lo-a.AtMicros), float64(hi-a.AtMicros), 30, nil, 0)
	}
	return 10_000/-math.Log(whole/float64(covered)) - 273.15, covered > 0 && float64(covered) >= 0.9*float64(to-from)
}

func TestWorstWindowOfEqualOnesIsTheEarliest(t *testing.T) {
	s := daily.Describe(every(5, repeat(12*24*10+1, 5)...))
	require.Equal(t, thermal.Window{FromMicros: start - 140*minute, ToMicros: start + 1300*minute, MKTCelsius: 5}, s.Worst,
		"the first that ends at a reading with 1296 of its 1440 minutes covered")
}

func TestNothingCovered(t *testing.T) {
	require.Zero(t, daily.Describe(nil))
	require.Zero(t, equal.Describe(nil))
	s := daily.Describe(every(60, 5, 6))
	require.False(t, s.Averaged)
	require.Len(t, s.Gaps, 1)
	share, ok := s.Coverage()
	require.True(t, ok)
	require.Zero(t, share)
	_, ok = daily.Describe(every(1, 5)).Coverage()
	require.False(t, ok, "a single reading covers no time")
	share, _ = daily.Describe(every(30, 5, 6)).Coverage()
	require.InDelta(t, 1, share, 0, "a wait of exactly the longest is bridged")
}
