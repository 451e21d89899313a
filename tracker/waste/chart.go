package waste

import (
	"math"
	"time"
)

// Point of a trend: the lives that ended in one month or week, and between which limits their rate is expected.
type Point struct {
	From, To     time.Time
	Whole        bool // the period looked at covers it whole, and it lies in the past
	Tally             //
	Rate         float64
	Lower, Upper float64  // centre -+ three standard deviations, for this many lives
	Rough        bool     // so few lives that the limits say little
	Rules        []string // run rules that fire at this point, in words
}

// Chart is a control chart of shares with varying group size (a p-chart). Points in which nothing ended are left out.
//
//	centre = sum of wasted / sum of ended;  limits = centre -+ 3 sqrt(centre (1 - centre) / n), cut to 0..1
//
// The formula is a textbook result (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.2, from memory, M). Limits rest
// on the normal approximation: where n centre or n (1 - centre) is below 5 the point says that they are rough.
type Chart struct {
	Centre float64
	Points []Point
}

// Words of the run rules: the Western Electric rules (NIST/SEMATECH e-Handbook, 6.3.2, from memory, M) and a trend.
const (
	ruleBeyond  = "beyond a control limit"
	ruleTwo     = "two of three beyond two standard deviations, on one side"
	ruleFour    = "four of five beyond one standard deviation, on one side"
	ruleEight   = "eight in a row on one side of the centre"
	ruleRising  = "six in a row rising"
	ruleFalling = "six in a row falling"
)

// chartOf sets limits and rules; points come in order of time.
func chartOf(points []Point) Chart {
	var c Chart
	var sum Tally
	for _, p := range points {
		if p.Ended > 0 {
			c.Points = append(c.Points, p)
			sum.Ended += p.Ended
			sum.Wasted += p.Wasted
		}
	}
	c.Centre, _ = sum.Rate()
	z := make([]float64, len(c.Points)) // distance from the centre in standard deviations
	for i := range c.Points {
		p := &c.Points[i]
		n := float64(p.Ended)
		p.Rate = float64(p.Wasted) / n
		sd := math.Sqrt(c.Centre * (1 - c.Centre) / n)
		p.Lower, p.Upper = max(0, c.Centre-3*sd), min(1, c.Centre+3*sd)
		p.Rough = n*c.Centre < 5 || n*(1-c.Centre) < 5
		if sd > 0 {
			z[i] = (p.Rate - c.Centre) / sd
		}
	}
	for i := range c.Points {
		c.Points[i].Rules = fired(z[:i+1], c.Points[:i+1])
	}
	return c
}

// fired is the rules that the newest of these points completes.
func fired(z []float64, points []Point) (rules []string) {
	last := len(z) - 1
	if math.Abs(z[last]) > 3 {
		rules = append(rules, ruleBeyond)
	}
	// beyond counts those of the last n on the newest one's side and further out than sd.
	beyond := func(n int, sd float64) (count int) {
		for _, v := range z[max(0, len(z)-n):] {
			if z[last] > 0 && v > sd || z[last] < 0 && v < -sd {
				count++
			}
		}
		return count
	}
	if math.Abs(z[last]) > 2 && beyond(3, 2) >= 2 {
		rules = append(rules, ruleTwo)
	}
	if math.Abs(z[last]) > 1 && beyond(5, 1) >= 4 {
		rules = append(rules, ruleFour)
	}
	if beyond(8, 0) == 8 {
		rules = append(rules, ruleEight)
	}
	rising, falling := len(points) >= 6, len(points) >= 6
	for i := max(1, len(points)-5); i < len(points); i++ {
		rising = rising && points[i].Rate > points[i-1].Rate
		falling = falling && points[i].Rate < points[i-1].Rate
	}
	if rising {
		rules = append(rules, ruleRising)
	}
	if falling {
		rules = append(rules, ruleFalling)
	}
	return rules
}
