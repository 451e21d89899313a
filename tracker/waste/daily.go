package waste

import (
	"fmt"
	"math/bits"
	"slices"
	"sort"
)

// Draws is how often a usable life is put together from days of the past: a probability is then good to 0.0016.
const Draws = 100_000

// mostDays keeps the drawing within a second.
const mostDays = 1000

var errDays = fmt.Errorf("%w: the usable days are not above 0: give the days a batch can be used", ErrInput)

// daily is demand as it was: sums of days drawn from the history.
type daily struct {
	sums   []int // sorted
	before []int // before[i] = the sum of the first i
}

// Daily is demand over some days, each drawn from those of the past with equal chance, again and again (the bootstrap).
// The same history, days and seed give the same demand.
func Daily(history []int, days int, seed uint64) (Demand, error) {
	switch {
	case days <= 0:
		return nil, errDays
	case days > mostDays:
		return nil, fmt.Errorf("%w: more than %d usable days: look at the figure", ErrInput, mostDays)
	case len(history) == 0:
		return nil, fmt.Errorf("%w: the history has no days: give the vials wanted on each day of the past", ErrInput)
	}
	for i, n := range history {
		if n < 0 || n > MostVials {
			return nil, fmt.Errorf("%w: day %d of the history has %d vials: give whole numbers from 0 to %d", ErrInput, i+1, n, MostVials)
		}
	}
	chance := splitMix(seed)
	d := &daily{sums: make([]int, Draws), before: make([]int, Draws+1)}
	for i := range d.sums {
		for range days {
			d.sums[i] += history[chance.below(len(history))]
		}
	}
	slices.Sort(d.sums)
	for i, s := range d.sums {
		d.before[i+1] = d.before[i] + s
	}
	return d, nil
}

// upTo is how many draws are at most q.
func (d *daily) upTo(q int) int { return sort.SearchInts(d.sums, q+1) }

func (d *daily) Expected(q int) (leftOver, short float64) {
	k := d.upTo(q)
	left := q*k - d.before[k]
	return float64(left) / Draws, float64(d.before[Draws]-d.before[k]-q*(Draws-k)) / Draws
}

// covered compares whole numbers: upTo / Draws >= short / (short + left over).
func (d *daily) covered(q int, c Costs) bool {
	hi, lo := bits.Mul64(uint64(d.upTo(q)), uint64(c.ShortMicro+c.LeftOverMicro))
	hi2, lo2 := bits.Mul64(Draws, uint64(c.ShortMicro))
	return hi > hi2 || hi == hi2 && lo >= lo2
}

// splitMix is the generator SplitMix64 (Steele, Lea, Flood, OOPSLA 2014; constants from memory, M, and held by a test):
// a pure room has no other chance in it, and a printed seed gives the same numbers in every version of the language.
type splitMix uint64

func (s *splitMix) next() uint64 {
	*s += 0x9e3779b97f4a7c15
	z := uint64(*s)
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// below is a number from 0 to n-1, of equal chance to one part in 2^64/n.
func (s *splitMix) below(n int) int {
	hi, _ := bits.Mul64(s.next(), uint64(n))
	return int(hi)
}
