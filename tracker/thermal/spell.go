package thermal

import (
	"cmp"
	"slices"
	"time"
)

// Kind of an excursion.
type Kind string

const (
	Warm   Kind = "warm"    // above the limit
	Cold   Kind = "cold"    // below the limit
	Freeze Kind = "freeze"  // at or below the limit
	NoData Kind = "no_data" // a wait too long to bridge: exposure of unknown size
)

// Limit is one bound on a temperature. The bound itself is in range, except that of a freeze.
type Limit struct {
	Kind   Kind
	MilliC MilliC
}

// RefrigeratorLimits are 2 to 8 °C inclusive (USP <659>, read in a secondary copy, R) and 0 °C, at or below which an
// aqueous vial may freeze (common practice, no source).
func RefrigeratorLimits() []Limit {
	return []Limit{{Warm, 8000}, {Cold, 2000}, {Freeze, 0}}
}

// beyond says whether a temperature breaks the limit.
func (l Limit) beyond(m MilliC) bool {
	switch l.Kind {
	case Warm:
		return m > l.MilliC
	case Cold:
		return m < l.MilliC
	case Freeze:
		return m <= l.MilliC
	default:
		return false
	}
}

// worse answers the more extreme of two temperatures.
func (l Limit) worse(a, b MilliC) MilliC {
	if l.Kind == Warm {
		return max(a, b)
	}
	return min(a, b)
}

// Spell is a stretch of a series beyond a limit, without any delay: what a report lists. One that a gap or an end of
// the series cuts starts or stops at its reading, any other one where the straight line crosses the limit.
type Spell struct {
	Kind                 Kind
	FromMicros, ToMicros int64
	Minutes              float64 // from the crossings themselves, not from the instants above, which are whole micros
	ExtremeMilliC        MilliC
	// Last reading not beyond the limit before, and first one after, however far away; absent where there is none.
	WorstFromMicros, WorstToMicros int64
	HasWorstFrom, HasWorstTo       bool
}

// Spells lists every stretch of a merged series beyond each limit, by start, then in the order of the limits.
func Spells(series []Reading, maxGap time.Duration, limits ...Limit) []Spell {
	var spells []Spell
	for _, l := range limits {
		spells = l.spells(spells, series, maxGap.Microseconds())
	}
	slices.SortStableFunc(spells, func(a, b Spell) int { return cmp.Compare(a.FromMicros, b.FromMicros) })
	return spells
}

func (l Limit) spells(spells []Spell, series []Reading, bridged int64) []Spell {
	good := -1             // last reading in range
	waiting := len(spells) // spells from here on have not seen a good reading yet
	running := false
	var start float64 // of the running one, micros after its FromMicros
	end := func(at int64, exact float64) {
		s := &spells[len(spells)-1]
		s.ToMicros = at + int64(exact)
		s.Minutes = (float64(at-s.FromMicros) + exact - start) / 60e6
		running = false
	}
	for i, r := range series {
		if !l.beyond(r.MilliC) {
			if running {
				prev := series[i-1]
				if r.AtMicros-prev.AtMicros <= bridged {
					end(prev.AtMicros, l.crossing(prev, r))
				} else {
					end(prev.AtMicros, 0)
				}
			}
			for ; waiting < len(spells); waiting++ {
				spells[waiting].WorstToMicros, spells[waiting].HasWorstTo = r.AtMicros, true
			}
			good = i
			continue
		}
		joined := i > 0 && r.AtMicros-series[i-1].AtMicros <= bridged
		if running && !joined {
			end(series[i-1].AtMicros, 0)
		}
		if !running {
			s := Spell{Kind: l.Kind, FromMicros: r.AtMicros, ExtremeMilliC: r.MilliC}
			start = 0
			if joined {
				c := l.crossing(series[i-1], r)
				s.FromMicros = series[i-1].AtMicros + int64(c)
				start = c - float64(int64(c))
			}
			if good >= 0 {
				s.WorstFromMicros, s.HasWorstFrom = series[good].AtMicros, true
			}
			spells = append(spells, s)
			running = true
		}
		s := &spells[len(spells)-1]
		s.ExtremeMilliC = l.worse(s.ExtremeMilliC, r.MilliC)
	}
	if running {
		end(series[len(series)-1].AtMicros, 0)
	}
	return spells
}

// crossing is where the line from a to b meets the limit, in micros after a.
func (l Limit) crossing(a, b Reading) float64 {
	return float64(b.AtMicros-a.AtMicros) * float64(l.MilliC-a.MilliC) / float64(b.MilliC-a.MilliC)
}
