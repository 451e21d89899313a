package thermal

import (
	"cmp"
	"fmt"
	"slices"
	"time"
)

// TraceRules are a sensor's own.
type TraceRules struct {
	MaxGap time.Duration // longest wait between readings that a straight line bridges
	// Debit is when time above 8 °C counts against an allowance, where it does not always: a sensor in air follows the
	// door, not the vial, and is debited within open excursions only (common practice, no source). Not overlapping.
	InAir bool
	Debit []Interval
}

// Interval is from one instant up to another.
type Interval struct{ FromMicros, ToMicros int64 }

// between sums up a stretch.
func (t *Trace) between(from, to int64) sums {
	s := t.through(to).minus(t.through(from))
	if !t.rules.InAir {
		s.debited = s.beyond[above8]
		return s
	}
	for _, d := range t.rules.Debit {
		if low, high := max(from, d.FromMicros), min(to, d.ToMicros); low < high {
			s.debited += t.through(high).minus(t.through(low)).beyond[above8]
		}
	}
	return s
}

// sharedPlaces sums up, sensor by sensor, the places for which several speak. Only then is the worst taken, so that a
// stay cut in two is the same as the whole.
type sharedPlaces map[string][]sums

func (p sharedPlaces) add(s Stay, to int64) {
	key := fmt.Sprintf("%p", s.Trace)
	for _, t := range s.Others {
		key += fmt.Sprintf(" %p", t)
	}
	if p[key] == nil {
		p[key] = make([]sums, 1+len(s.Others))
	}
	p[key][0].add(s.Trace.between(s.FromMicros, to))
	for i, t := range s.Others {
		p[key][1+i].add(t.between(s.FromMicros, to))
	}
}

// worst of each figure; what was used of the stability, and how long above its calm part, are one sensor's.
func (x *Exposures) worst(all []sums) (w sums) {
	var most float64
	for i, s := range all {
		w.known, w.debited = max(w.known, s.known), max(w.debited, s.debited)
		for k := range limits {
			if k != aboveCalm {
				w.beyond[k] = max(w.beyond[k], s.beyond[k])
			}
		}
		used := s.warm.total()
		if x.law.known {
			used -= float64(s.beyond[aboveCalm]) / float64(x.law.keeps)
		}
		if i == 0 || used > most {
			most, w.warm, w.beyond[aboveCalm] = used, s.warm, s.beyond[aboveCalm]
		}
	}
	return w
}

// Joined sorts intervals and joins those that meet.
func Joined(all []Interval) (out []Interval) {
	slices.SortFunc(all, func(a, b Interval) int { return cmp.Compare(a.FromMicros, b.FromMicros) })
	for _, x := range all {
		if n := len(out); n > 0 && x.FromMicros <= out[n-1].ToMicros {
			out[n-1].ToMicros = max(out[n-1].ToMicros, x.ToMicros)
			continue
		}
		out = append(out, x)
	}
	return out
}
