package waste

import (
	"fmt"
	"slices"
)

// poisson is demand that comes one by one: exact between lo and the end of its tables, beyond which everything is less
// likely than 1e-40.
type poisson struct {
	mean        float64
	lo          int
	upTo, above []float64 // P(D <= lo+i), P(D > lo+i)
	left, short []float64 // E(lo+i - D)+, E(D - lo - i)+
}

// Poisson is demand of a mean per day over some days.
func Poisson(meanPerDay, days float64) (Demand, error) {
	mean := meanPerDay * days
	switch {
	case !(meanPerDay >= 0):
		return nil, fmt.Errorf("%w: the mean demand is below 0: give vials a day", ErrInput)
	case !(days > 0):
		return nil, errDays
	case !(mean <= MostVials): // endless ones too
		return nil, fmt.Errorf("%w: that is a demand of more than %d vials in one batch's life: look at mean and days", ErrInput, MostVials)
	}
	// Weights relative to the likeliest number, by the ratios of neighbours: no factorial and no exp(-mean), which is 0
	// from a mean of 746 on. Their sum makes them probabilities.
	const least = 1e-40
	mode := int(mean)
	var down []float64
	for k, w := mode, 1.0; k > 0; k-- {
		if w *= float64(k) / mean; w < least {
			break
		}
		down = append(down, w)
	}
	slices.Reverse(down)
	weights := append(down, 1)
	for k, w := mode+1, 1.0; ; k++ {
		if w *= mean / float64(k); w < least {
			break
		}
		weights = append(weights, w)
	}
	p := &poisson{mean: mean, lo: mode - len(down)}
	p.tabulate(weights)
	return p, nil
}

// tabulate adds from both ends, so that small sums are of small terms.
func (p *poisson) tabulate(weights []float64) {
	n := len(weights)
	p.upTo, p.above, p.left, p.short = make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	var total float64
	for i, w := range weights {
		total += w
		p.upTo[i] = total
	}
	for i := n - 2; i >= 0; i-- {
		p.above[i] = p.above[i+1] + weights[i+1]/total
		p.short[i] = p.short[i+1] + p.above[i]
	}
	for i := range n {
		p.upTo[i] /= total
		if i > 0 {
			p.left[i] = p.left[i-1] + p.upTo[i-1]
		}
	}
}

func (p *poisson) Expected(q int) (leftOver, short float64) {
	switch i := q - p.lo; {
	case i < 0:
		return 0, p.mean - float64(q)
	case i >= len(p.left):
		return float64(q) - p.mean, 0
	default:
		return p.left[i], p.short[i]
	}
}

func (p *poisson) covered(q int, c Costs) bool {
	i := q - p.lo
	return i >= len(p.upTo) || i >= 0 && c.reached(p.upTo[i], p.above[i])
}
