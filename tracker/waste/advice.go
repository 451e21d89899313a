package waste

import (
	"errors"
	"fmt"
	"sort"
)

// ErrInput is wrapped by every reason why no advice can be given, each a sentence.
var ErrInput = errors.New("no size can be advised")

const (
	// Micro is a unit of money in the parts in which costs are compared.
	Micro = 1_000_000
	// MostVials is the largest batch looked at; more in one usable life is a mistake in the figures.
	MostVials = 100_000
	leastRows = 10
)

// Costs of one vial, in millionths of the site's money.
type Costs struct {
	LeftOverMicro int64 // of one discarded unused
	ShortMicro    int64 // of one that was wanted and not there
}

// Demand is how many vials will be wanted in a batch's usable life.
type Demand interface {
	// Expected is how many of q vials are left over, and how many more than q are wanted, on average.
	Expected(q int) (leftOver, short float64)
	// covered says whether P(demand <= q) >= short / (short + left over).
	covered(q int, c Costs) bool
}

// Row of the table to choose from.
type Row struct {
	Size                          int
	LeftOver, Short, ExpectedCost float64 // vials, vials, money
}

// Advice is how many vials to prepare, besides what is on hand.
type Advice struct {
	CriticalRatio float64
	Size          int
	Table         []Row // from 0 to at least twice Size
}

// Advise finds the size that costs least on average: the smallest stock that covers demand as often as a vial short
// costs in a vial short and one left over together (the critical ratio of the newsvendor problem, a textbook result),
// less what is on hand, never below 0. Normal demand is rounded up, where one vial fewer can cost a little less. Stock on
// hand is taken to be usable throughout.
func Advise(d Demand, c Costs, onHand int) (Advice, error) {
	var wrong []error
	say := func(bad bool, format string, args ...any) {
		if bad {
			wrong = append(wrong, fmt.Errorf("%w: %s", ErrInput, fmt.Sprintf(format, args...)))
		}
	}
	say(c.LeftOverMicro <= 0, "the cost of a vial left over is not above 0: if leftovers cost nothing, no number is too many")
	say(c.ShortMicro <= 0, "the cost of a vial short is not above 0: if nothing is lost by having none, prepare none")
	say(onHand < 0, "the number on hand is below 0: count what is there")
	say(onHand > MostVials, "the number on hand is above %d: look at the figures", MostVials)
	if len(wrong) == 0 {
		say(!d.covered(MostVials, c), "it would take more than %d vials to cover demand often enough: look at demand, days and costs", MostVials)
	}
	if len(wrong) > 0 {
		return Advice{}, errors.Join(wrong...)
	}
	enough := sort.Search(MostVials, func(q int) bool { return d.covered(q, c) })
	a := Advice{
		CriticalRatio: float64(c.ShortMicro) / float64(c.ShortMicro+c.LeftOverMicro),
		Size:          max(0, enough-onHand),
	}
	for size := 0; size <= max(2*a.Size, leastRows); size++ {
		left, short := d.Expected(onHand + size)
		cost := (left*float64(c.LeftOverMicro) + short*float64(c.ShortMicro)) / Micro
		a.Table = append(a.Table, Row{size, left, short, cost})
	}
	return a, nil
}

// reached compares a probability and its complement with the critical ratio, using whichever of the two is the smaller
// where it decides: near 1 a probability has lost the digits its complement still has.
func (c Costs) reached(upTo, above float64) bool {
	both := float64(c.ShortMicro + c.LeftOverMicro)
	if c.ShortMicro <= c.LeftOverMicro {
		return upTo >= float64(c.ShortMicro)/both
	}
	return above <= float64(c.LeftOverMicro)/both
}
