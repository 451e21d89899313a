package thermal

import (
	"math"
	"time"
)

// Statistics describes a series. Mean and MKT are in °C and mean something only where Averaged.
type Statistics struct {
	Readings             int
	FromMicros, ToMicros int64 // first and last reading
	CoveredMicros        int64 // bridged time
	Min, Max             MilliC
	Averaged             bool
	MeanCelsius          float64
	MKTCelsius           float64
	Gaps                 []Gap
	Worst                Window  // zero when no window is covered well enough, or weights are equal
	Spells               []Spell // by start, then in the order of the limits
}

// Gap is a wait between two readings that nothing bridges.
type Gap struct{ FromMicros, ToMicros int64 }

// Coverage is the bridged share of the time from the first to the last reading; ok is false where that is no time.
func (s Statistics) Coverage() (share float64, ok bool) {
	if s.ToMicros == s.FromMicros {
		return 0, false
	}
	return float64(s.CoveredMicros) / float64(s.ToMicros-s.FromMicros), true
}

// Survey says how a series is described.
type Survey struct {
	MaxGap      time.Duration // longest wait that a straight line bridges
	Window      time.Duration // of the worst one; WorstWindow for a refrigerator
	EqualWeight bool          // ignore time: the form of published examples
	Limits      []Limit       // whose spells are listed
}

// Describe computes the statistics of a merged series: weights are time, temperature is linear between neighbouring
// readings no further apart than MaxGap.
func (o Survey) Describe(series []Reading) Statistics {
	f := o.Start()
	f.Add(series)
	return f.Statistics()
}

// Description is Statistics under way. It keeps one window's length of readings, whatever the length of the series,
// and costs some ten nanoseconds a reading.
type Description struct {
	s             Statistics
	last          Reading
	bridged       int64 // micros
	equal         bool
	mean, kinetic sum // of 2 x milli-degrees and of rates, times their weights
	table         kinetics
	windows       windows
	spells        spells
}

// Start begins the description of a series that comes in parts.
func (o Survey) Start() *Description {
	bridged := o.MaxGap.Microseconds()
	return &Description{bridged: bridged, equal: o.EqualWeight, windows: windows{length: o.Window.Microseconds(), bridged: bridged},
		spells: newSpells(o.Limits, bridged)}
}

// Add goes on with readings, each after all before it.
func (f *Description) Add(readings []Reading) {
	if f.s.Readings == 0 && len(readings) > 0 {
		r := readings[0]
		f.s.FromMicros, f.s.Min, f.s.Max = r.AtMicros, r.MilliC, r.MilliC
		f.last = r
		f.last.AtMicros-- // a first step of no weight, so that the loop needs no case for it
		f.table.grow(r.MilliC)
	}
	for _, r := range readings {
		f.add(r)
	}
}

func (f *Description) add(r Reading) {
	f.s.Min, f.s.Max = min(f.s.Min, r.MilliC), max(f.s.Max, r.MilliC)
	if !f.table.knows(r.MilliC) {
		f.table.grow(r.MilliC)
	}
	last, first := f.last, f.s.Readings == 0
	f.s.Readings++
	f.last = r
	switch d := r.AtMicros - last.AtMicros; {
	case first:
	case d > f.bridged:
		f.s.Gaps = append(f.s.Gaps, Gap{last.AtMicros, r.AtMicros})
	default:
		f.s.CoveredMicros += d
		if !f.equal {
			f.mean.add(float64(d) * float64(last.MilliC+r.MilliC))
			f.kinetic.add(float64(d) * f.table.between(last.MilliC, r.MilliC))
		}
	}
	if f.equal {
		f.mean.add(float64(2 * r.MilliC))
		f.kinetic.add(f.table.between(r.MilliC, r.MilliC))
	} else {
		f.windows.add(r, f.s.CoveredMicros, f.kinetic, &f.table)
	}
	f.spells.add(r)
}

// Statistics ends the description.
func (f *Description) Statistics() Statistics {
	s := f.s
	if s.Readings == 0 {
		return s
	}
	s.ToMicros = f.last.AtMicros
	s.Spells = f.spells.finish()
	weight := float64(s.CoveredMicros)
	if f.equal {
		weight = float64(s.Readings)
	}
	if weight == 0 {
		return s
	}
	s.average(f.mean.total()/2000/weight, f.kinetic.total()/weight)
	if !f.equal {
		s.Worst = f.windows.finish(s.Min, s.Max)
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
