package waste

import (
	"fmt"
	"math"
)

// normal is demand around a mean. Where its spread is wide it reaches below 0, which no demand does: it is for large
// numbers.
type normal struct{ mean, sd float64 }

// Normal is demand of a mean and a standard deviation per day over some days, each day for itself: the deviation grows
// with the square root of the days.
func Normal(meanPerDay, sdPerDay, days float64) (Demand, error) {
	n := normal{meanPerDay * days, sdPerDay * math.Sqrt(days)}
	switch {
	case !(days > 0):
		return nil, errDays
	case !(meanPerDay >= 0):
		return nil, fmt.Errorf("%w: the mean demand is below 0: give vials a day", ErrInput)
	case !(sdPerDay >= 0):
		return nil, fmt.Errorf("%w: the standard deviation is below 0: give that of the vials wanted a day", ErrInput)
	case !(n.mean <= MostVials && n.sd <= MostVials): // endless ones too
		return nil, fmt.Errorf("%w: that is a demand of more than %d vials in one batch's life: look at mean, sd and days", ErrInput, MostVials)
	}
	return n, nil
}

// noSpread is a deviation that no vial notices.
const noSpread = 1e-9

// tails are P(D <= q) and P(D > q).
func (n normal) tails(q int) (upTo, above float64) {
	off := float64(q) - n.mean
	if n.sd < noSpread {
		if off >= 0 {
			return 1, 0
		}
		return 0, 1
	}
	z := off / n.sd / math.Sqrt2
	return math.Erfc(-z) / 2, math.Erfc(z) / 2
}

// Expected is the normal loss: sd x (phi(z) + z P(Z <= z)) left over, and the same of -z short (a textbook result).
func (n normal) Expected(q int) (leftOver, short float64) {
	off := float64(q) - n.mean
	if n.sd < noSpread {
		return max(0, off), max(0, -off)
	}
	z := off / n.sd
	upTo, above := n.tails(q)
	density := math.Exp(-z*z/2) / math.Sqrt(2*math.Pi)
	return max(0, n.sd*(density+z*upTo)), max(0, n.sd*(density-z*above))
}

func (n normal) covered(q int, c Costs) bool { return c.reached(n.tails(q)) }
