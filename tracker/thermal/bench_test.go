package thermal_test

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"vialward/tracker/thermal"
)

// wandering is n readings, one a minute, around 5 °C with a door opening now and then; the same each time.
func wandering(n int) []thermal.Reading {
	rnd := rand.New(rand.NewPCG(1, 2))
	rs := make([]thermal.Reading, n)
	c := 5.0
	for i := range rs {
		c += (rnd.Float64()-0.5)*0.4 - (c-5)*0.02
		if i%5000 == 4999 {
			c += 5
		}
		rs[i] = thermal.Reading{AtMicros: start + int64(i)*minute, MilliC: milli(float64(int(c*100)) / 100)}
	}
	return rs
}

func BenchmarkParseCelsius(b *testing.B) {
	text := []byte("4.25")
	b.ReportAllocs()
	for b.Loop() {
		if _, err := thermal.ParseCelsius(text); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkParseFahrenheit(b *testing.B) {
	text := []byte("39.65")
	b.ReportAllocs()
	for b.Loop() {
		if _, err := thermal.ParseFahrenheit(text); err != nil {
			b.Fatal(err)
		}
	}
}

// Per op: a million readings.
func BenchmarkDescribeMillion(b *testing.B) {
	series := wandering(1_000_000)
	o := thermal.Survey{MaxGap: halfHr, Window: thermal.WorstWindow, Limits: thermal.RefrigeratorLimits()}
	b.ReportAllocs()
	for b.Loop() {
		if !o.Describe(series).Averaged {
			b.Fatal("nothing covered")
		}
	}
}

func BenchmarkDescribeDay(b *testing.B) {
	series := wandering(1440)
	b.ReportAllocs()
	for b.Loop() {
		daily.Describe(series)
	}
}

// Per op: a million readings, excursions and checkpoints kept.
func BenchmarkRunMillion(b *testing.B) {
	series := wandering(1_000_000)
	b.ReportAllocs()
	for b.Loop() {
		if _, found, _ := warmRule.Run(thermal.Checkpoint{}, series, nil); len(found) == 0 {
			b.Fatal("nothing found")
		}
	}
}

// Per op: one reading on an open excursion, as a live sensor sends it.
func BenchmarkStepOne(b *testing.B) {
	s, _ := with(warmRule, func(r *thermal.Rule) { r.Delay = 0 }).Step(thermal.State{}, trace(0, 6, 4, 10), nil)
	one := trace(5, 10)
	b.ReportAllocs()
	for b.Loop() {
		warmRule.Step(s, one, nil)
	}
}

// Per op: a million stored readings and a thousand late ones.
func BenchmarkMergeMillion(b *testing.B) {
	series := wandering(1_000_000)
	late := make([]thermal.Reading, 0, 1000)
	for i := 0; i < len(series); i += 1000 {
		late = append(late, thermal.Reading{AtMicros: series[i].AtMicros + int64(time.Second/time.Microsecond), MilliC: 5000})
	}
	b.ReportAllocs()
	for b.Loop() {
		if merged, _ := thermal.Merge(series, late); len(merged) != len(series)+len(late) {
			b.Fatal("readings lost")
		}
	}
}

func BenchmarkClassifyMillionKnown(b *testing.B) {
	series := wandering(1_000_000)
	again := slices.Clone(series)
	b.ReportAllocs()
	for b.Loop() {
		if _, duplicates, _ := thermal.Classify(series, again); duplicates != len(series) {
			b.Fatal("not known")
		}
	}
}

// Per op: ten days of one reading a minute made ready, crossing 8 °C now and then.
func BenchmarkExposureTrace(b *testing.B) {
	x := exposures(b, thermal.ExposureRules{MaxGap: halfHr, Stability: keeps(8, nil, 5, 168, 25, 24)})
	series := wandering(14_400)
	b.ReportAllocs()
	for b.Loop() {
		x.Trace(series)
	}
}

// Per op: one vial with three stays in ten days of readings that are ready.
func BenchmarkExposureVial(b *testing.B) {
	x := exposures(b, thermal.ExposureRules{MaxGap: halfHr, Stability: keeps(8, nil, 5, 168, 25, 24)})
	trace := x.Trace(wandering(14_400))
	at := func(m int64) int64 { return start + m*minute }
	stays := []thermal.Stay{{at(10), at(3000), trace, nil, 0}, {at(3000), at(3015), nil, nil, 22_000}, {at(3015), at(14_000), trace, nil, 0}}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := x.Of(stays, at(14_000), at(20_000)); err != nil {
			b.Fatal(err)
		}
	}
}
