package waste

import "math"

// Steady is what a shelf loses in the long run, vials per unit of time, where vials come and are wanted one by one (both
// Poisson), keep for life, go out oldest first, and a demand that finds none is lost.
//
// The age of the oldest vial has the density C exp((supply-demand) age) up to life, and the shelf is empty with
// probability C / supply; together they are 1. Vials outdate as that density arrives at life, and a demand is lost
// while the shelf is empty. Units of time are those of the arguments, all above 0.
func Steady(supply, demand, life float64) (outdated, lost float64) {
	growth, ages := 1.0, life
	if d := supply - demand; d != 0 {
		growth = math.Exp(d * life)
		ages = math.Expm1(d*life) / d
	}
	c := 1 / (1/supply + ages)
	return c * growth, demand * c / supply
}
