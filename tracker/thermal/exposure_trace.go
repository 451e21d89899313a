package thermal

import (
	"math/bits"
	"slices"
	"sort"
	"time"
)

// The limits time is counted beyond, besides the product's own two (see Exposures.limits): the ends of the
// refrigerator and of room storage, and the controlled cold's excursions to 15 °C (USP <659>, secondary copy, R).
const (
	above8 = iota
	above15
	above25
	below2
	aboveCalm // where the coldest stability point no longer speaks
	aboveTop  // where no point does
	limits
)

// Trace is one sensor's temperatures made ready for many stays: running sums at every reading, so that a stay costs
// two searches however long it is.
type Trace struct {
	of     *Exposures
	rules  TraceRules
	series []Reading
	frozen []int64 // instants of raw readings at or below the freeze limit, set-aside ones included
	sums   []sums  // from the first reading to each
	tree   []span  // of temperatures: leaves from len(series) on, each inner node over its two children
}

// sums are of a stretch of time.
type sums struct {
	known   int64 // micros
	beyond  [limits]time.Duration
	debited time.Duration // set for a stretch, not in running sums
	warm    sum           // share of the stability used above calm
}

func (s sums) minus(older sums) sums {
	s.known -= older.known
	for i := range s.beyond {
		s.beyond[i] -= older.beyond[i]
	}
	s.warm = sum{head: s.warm.minus(older.warm)}
	return s
}

func (s *sums) add(more sums) {
	s.known += more.known
	for i := range s.beyond {
		s.beyond[i] += more.beyond[i]
	}
	s.debited += more.debited
	s.warm.add(more.warm.total())
}

// span is what temperatures lie between, in milli-degrees; a line is cut between readings.
type span struct {
	lowest, highest float64
	any             bool
}

func (s *span) take(milliC float64) { s.join(span{milliC, milliC, true}) }

func (s *span) join(o span) {
	switch {
	case !o.any:
	case !s.any:
		*s = o
	default:
		s.lowest, s.highest = min(s.lowest, o.lowest), max(s.highest, o.highest)
	}
}

// Trace makes one sensor's raw readings ready, in any order, with repeats and conflicts. Conflicting instants are set
// aside as Merge does, but a freeze is looked for in every value.
func (x *Exposures) Trace(raw []Reading) *Trace {
	return x.TraceBy(TraceRules{MaxGap: x.rules.MaxGap}, raw)
}

// TraceBy is Trace of a sensor with rules of its own.
func (x *Exposures) TraceBy(rules TraceRules, raw []Reading) *Trace {
	all := slices.Clone(raw)
	sortByInstant(all)
	t := &Trace{of: x, rules: rules}
	for i, r := range all {
		if r.MilliC <= x.rules.FreezeMilliC && (i == 0 || all[i-1] != r) {
			t.frozen = append(t.frozen, r.AtMicros)
		}
	}
	t.series, _ = unrepeated(all)
	n := len(t.series)
	t.sums, t.tree = make([]sums, n), make([]span, 2*n)
	var so sums
	for i, r := range t.series {
		t.sums[i] = so
		t.tree[n+i].take(float64(r.MilliC))
		if t.bridged(i) {
			so.add(t.part(i, t.series[i+1].AtMicros))
		}
	}
	for i := n - 1; i > 0; i-- {
		t.tree[i] = t.tree[2*i]
		t.tree[i].join(t.tree[2*i+1])
	}
	return t
}

// bridged says whether a straight line leads from a reading to the next.
func (t *Trace) bridged(i int) bool {
	return i >= 0 && i+1 < len(t.series) && t.series[i+1].AtMicros-t.series[i].AtMicros <= t.rules.MaxGap.Microseconds()
}

// part sums up the line after reading i as far as an instant on it.
func (t *Trace) part(i int, at int64) (s sums) {
	a, b := t.series[i], t.series[i+1]
	s.known = at - a.AtMicros
	for k, l := range t.of.limits {
		s.beyond[k] = l.beyondUntil(a, b, at)
	}
	if law := &t.of.law; law.known {
		s.warm.add(law.warm(float64(a.MilliC), line(a, b, at)) * hours(s.known))
	}
	return s
}

// through sums up everything from the first reading to an instant.
func (t *Trace) through(at int64) (s sums) {
	i := t.after(at) - 1
	if i < 0 {
		return s
	}
	s = t.sums[i]
	if t.series[i].AtMicros < at && t.bridged(i) {
		s.add(t.part(i, at))
	}
	return s
}

// after is the index of the first reading later than an instant.
func (t *Trace) after(at int64) int {
	return sort.Search(len(t.series), func(i int) bool { return t.series[i].AtMicros > at })
}

// span is that of the readings from <= t < past and of the line from the first instant to another, ends included.
func (t *Trace) span(from, to, past int64) (s span) {
	first := t.after(from - 1)
	for i, j := first+len(t.series), t.after(past-1)+len(t.series); i < j; i, j = i/2, j/2 {
		if i%2 == 1 {
			s.join(t.tree[i])
			i++
		}
		if j%2 == 1 {
			j--
			s.join(t.tree[j])
		}
	}
	if from == to {
		return s
	}
	if t.bridged(first - 1) {
		s.take(line(t.series[first-1], t.series[first], from))
	}
	if last := t.after(to-1) - 1; t.bridged(last) {
		s.take(line(t.series[last], t.series[last+1], to))
	}
	return s
}

// freezes counts raw readings at or below the freeze limit from <= t < to.
func (t *Trace) freezes(from, to int64) int {
	first, _ := slices.BinarySearch(t.frozen, from)
	past, _ := slices.BinarySearch(t.frozen, to)
	return max(0, past-first)
}

// line is the temperature between two readings, in milli-degrees.
func line(a, b Reading, at int64) float64 {
	if at == b.AtMicros {
		return float64(b.MilliC)
	}
	return float64(a.MilliC) + float64(b.MilliC-a.MilliC)*(float64(at-a.AtMicros)/float64(b.AtMicros-a.AtMicros))
}

// beyondUntil is how long the line from a to b is beyond the limit before an instant on it. The crossing is that of the
// whole line, to the nanosecond, so that however a line is cut its parts add up to the whole.
func (l Limit) beyondUntil(a, b Reading, at int64) time.Duration {
	until := time.Duration(at-a.AtMicros) * time.Microsecond
	before, after := l.beyond(a.MilliC), l.beyond(b.MilliC)
	if before == after {
		if before {
			return until
		}
		return 0
	}
	whole := time.Duration(b.AtMicros-a.AtMicros) * time.Microsecond
	cross := share(whole, distance(a.MilliC, l.MilliC), distance(a.MilliC, b.MilliC))
	if before {
		return min(until, cross)
	}
	return max(0, until-cross)
}

func distance(a, b MilliC) uint64 { return uint64(max(a-b, b-a)) }

// share is d x part / of, to the nearest nanosecond; part is no more than of.
func share(d time.Duration, part, of uint64) time.Duration {
	hi, lo := bits.Mul64(uint64(d), part)
	lo, carry := bits.Add64(lo, of/2, 0)
	q, _ := bits.Div64(hi+carry, lo, of)
	return time.Duration(q)
}

func hours(micros int64) float64 { return float64(micros) / float64(time.Hour.Microseconds()) }
