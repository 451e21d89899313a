package thermal

import (
	"cmp"
	"math"
	"slices"
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

// spells follows a series against several limits.
type spells struct {
	bridged  int64 // micros
	trackers []tracker
	lo, hi   MilliC // what is beyond none of the limits: nearly every reading
	calm     bool   // the last reading was, nothing runs, and every spell has met its good reading
	last     Reading
}

// tracker follows it against one.
type tracker struct {
	Limit
	list    []Spell
	met     int // spells before this one have met the good reading after them
	running bool
	start   float64 // of the running one, micros after its FromMicros
	good    int64   // last reading in range, if there was one
	anyGood bool
}

func newSpells(limits []Limit, bridged int64) spells {
	s := spells{bridged: bridged, lo: math.MinInt32, hi: math.MaxInt32, calm: true}
	for _, l := range limits {
		s.trackers = append(s.trackers, tracker{Limit: l})
		switch l.Kind { //nolint:exhaustive // missing data has no limit
		case Warm:
			s.hi = min(s.hi, l.MilliC)
		case Cold:
			s.lo = max(s.lo, l.MilliC)
		case Freeze:
			s.lo = max(s.lo, l.MilliC+1)
		}
	}
	return s
}

func (s *spells) add(r Reading) {
	inside := s.lo <= r.MilliC && r.MilliC <= s.hi
	if !s.calm || !inside || s.last.AtMicros == 0 {
		for i := range s.trackers {
			t := &s.trackers[i]
			if s.calm && s.last.AtMicros != 0 {
				t.good, t.anyGood = s.last.AtMicros, true
			}
			t.add(s.last, r, s.last.AtMicros != 0 && r.AtMicros-s.last.AtMicros <= s.bridged)
		}
		s.calm = inside // a reading in range ends everything and is everyone's good one
	}
	s.last = r
}

func (t *tracker) add(last, r Reading, joined bool) {
	beyond := t.beyond(r.MilliC)
	switch {
	case t.running && !joined:
		t.end(last.AtMicros, 0)
	case t.running && !beyond:
		t.end(last.AtMicros, t.crossing(last, r))
	}
	if !beyond {
		for ; t.met < len(t.list); t.met++ {
			t.list[t.met].WorstToMicros, t.list[t.met].HasWorstTo = r.AtMicros, true
		}
		t.good, t.anyGood = r.AtMicros, true
		return
	}
	if !t.running {
		s := Spell{Kind: t.Kind, FromMicros: r.AtMicros, ExtremeMilliC: r.MilliC, WorstFromMicros: t.good, HasWorstFrom: t.anyGood}
		t.start = 0
		if joined { // then the last one was in range
			c := t.crossing(last, r)
			s.FromMicros = last.AtMicros + int64(c)
			t.start = c - math.Trunc(c)
		}
		t.list, t.running = append(t.list, s), true
	}
	s := &t.list[len(t.list)-1]
	s.ExtremeMilliC = t.worse(s.ExtremeMilliC, r.MilliC)
}

// end stops the running spell some micros after a reading.
func (t *tracker) end(at int64, after float64) {
	s := &t.list[len(t.list)-1]
	s.ToMicros = at + int64(after)
	s.Minutes = (float64(at-s.FromMicros) + after - t.start) / 60e6
	t.running = false
}

// finish lists all spells; one that still runs stops at the last reading.
func (s *spells) finish() []Spell {
	var all []Spell
	for i := range s.trackers {
		if t := &s.trackers[i]; t.running {
			t.end(s.last.AtMicros, 0)
			t.running = true // the description may go on
		}
		all = append(all, s.trackers[i].list...)
	}
	slices.SortStableFunc(all, func(a, b Spell) int { return cmp.Compare(a.FromMicros, b.FromMicros) })
	return all
}

// crossing is where the line from a to b meets the limit, in micros after a.
func (l Limit) crossing(a, b Reading) float64 {
	return float64(b.AtMicros-a.AtMicros) * float64(l.MilliC-a.MilliC) / float64(b.MilliC-a.MilliC)
}
