package thermal

import (
	"math"
	"time"
)

// Statistics describes a series. Mean and MKT are in °C and mean something only where Averaged: time is their weight,
// temperature linear between neighbouring readings no further apart than the longest wait bridged.
type Statistics struct {
	Readings             int
	FromMicros, ToMicros int64 // first and last reading
	CoveredMicros        int64 // bridged time
	Min, Max             MilliC
	Averaged             bool
	MeanCelsius          float64
	MKTCelsius           float64
	Gaps                 []Gap
	Worst                Window // of the length asked for; zero when no such window is covered well enough
}

// Gap is a wait between two readings that nothing bridges.
type Gap struct{ FromMicros, ToMicros int64 }

// Window is a stretch of fixed length and its mean kinetic temperature.
type Window struct {
	FromMicros, ToMicros int64
	MKTCelsius           float64
}

// WorstWindow is the length the pharmacopoeia's general chapter asks for cold stores (USP <659>, secondary copy, R).
const WorstWindow = 24 * time.Hour

// enoughPercent is how much of a window has to be covered before its figure counts.
const enoughPercent = 90

// Coverage is the bridged share of the time from the first to the last reading; ok is false where that is no time.
func (s Statistics) Coverage() (share float64, ok bool) {
	if s.ToMicros == s.FromMicros {
		return 0, false
	}
	return float64(s.CoveredMicros) / float64(s.ToMicros-s.FromMicros), true
}

// Describe computes the statistics of a merged series, weights being time. Linear in the readings, a few nanoseconds
// each. Worst is found among the windows that begin or end at a reading; of equal ones it is the earliest.
func Describe(series []Reading, maxGap, window time.Duration) Statistics {
	s := outline(series)
	if s.Readings == 0 {
		return s
	}
	var mean, kinetic sum
	bridged := maxGap.Microseconds()
	table := newKinetics(s.Min, s.Max)
	for i := 1; i < len(series); i++ {
		a, b := series[i-1], series[i]
		d := b.AtMicros - a.AtMicros
		if d > bridged {
			s.Gaps = append(s.Gaps, Gap{a.AtMicros, b.AtMicros})
			continue
		}
		s.CoveredMicros += d
		mean.add(float64(d) * float64(a.MilliC+b.MilliC))
		kinetic.add(float64(d) * table.between(a.MilliC, b.MilliC))
	}
	if s.CoveredMicros == 0 {
		return s
	}
	covered := float64(s.CoveredMicros)
	s.average(mean.total()/2000/covered, kinetic.total()/covered)
	s.Worst = worst(series, &table, bridged, window.Microseconds())
	return s
}

// DescribeEqual gives every reading the same weight and ignores time: the form of published examples.
func DescribeEqual(series []Reading, maxGap time.Duration) Statistics {
	s := outline(series)
	if s.Readings == 0 {
		return s
	}
	var total int64
	var kinetic sum
	table := newKinetics(s.Min, s.Max)
	for i, r := range series {
		total += int64(r.MilliC)
		kinetic.add(table.between(r.MilliC, r.MilliC))
		if i == 0 {
			continue
		}
		if d := r.AtMicros - series[i-1].AtMicros; d > maxGap.Microseconds() {
			s.Gaps = append(s.Gaps, Gap{series[i-1].AtMicros, r.AtMicros})
		} else {
			s.CoveredMicros += d
		}
	}
	n := float64(len(series))
	s.average(float64(total)/1000/n, kinetic.total()/n)
	return s
}

func outline(series []Reading) Statistics {
	if len(series) == 0 {
		return Statistics{}
	}
	first, last := series[0], series[len(series)-1]
	s := Statistics{Readings: len(series), FromMicros: first.AtMicros, ToMicros: last.AtMicros,
		Min: first.MilliC, Max: first.MilliC}
	for _, r := range series {
		s.Min, s.Max = min(s.Min, r.MilliC), max(s.Max, r.MilliC)
	}
	return s
}

// average sets both means. The rate is convex in temperature below 5000 K, so min <= mean <= MKT <= max holds exactly;
// what the last bit of a logarithm says otherwise is cut off.
func (s *Statistics) average(meanCelsius, meanRate float64) {
	lo, hi := s.Min.Celsius(), s.Max.Celsius()
	s.Averaged = true
	s.MeanCelsius = math.Min(math.Max(meanCelsius, lo), hi)
	s.MKTCelsius = math.Min(math.Max(atRate(meanRate), s.MeanCelsius), hi)
}
