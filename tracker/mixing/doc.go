// Package mixing is the arithmetic of reconstitution, dilution and yield, both ways: what given source vials make
// (Make), and what n finished vials take (Materials). Pure.
//
// Amounts are whole micrograms, volumes whole microlitres; every product and quotient in between is an exact fraction,
// so a limit is never decided by rounding. What is shown is rounded last, to a thousandth of the unit people use
// (mg/mL, mL, percent), half to even. Full vials are counted down, never rounded.
//
// For drugs measured in units, stock.Micrograms holds thousandths of a unit; the arithmetic is the same.
package mixing

import (
	"math"
	"math/big"

	"vialward/tracker/stock"
)

// Largest quantities taken: beyond them a sum over all source vials might not fit 64 bits. Both are far beyond any
// room in which vials are filled by hand.
const (
	MaxVials = 100_000
	maxMilli = 1_000_000_000_000 // a tonne, or a million litres
)

// whole is 100 % in thousandths of a percent.
const whole = 100_000

func frac(num, den int64) *big.Rat           { return big.NewRat(num, den) }
func whole64(n int64) *big.Rat               { return new(big.Rat).SetInt64(n) }
func mul(a, b *big.Rat) *big.Rat             { return new(big.Rat).Mul(a, b) }
func quo(a, b *big.Rat) *big.Rat             { return new(big.Rat).Quo(a, b) }
func perML(r *big.Rat) *big.Rat              { return mul(r, whole64(1000)) } // µg/µL -> µg/mL
func millilitres(v stock.Microlitres) string { return stock.SayMilli(int64(v)) + " mL" }

// HalfEven rounds an exact fraction to the nearest whole number; a tie goes to the even one. What does not fit 64 bits
// is the largest or smallest that does: only a mass balance that is refused anyway gets there.
func HalfEven(r *big.Rat) int64 {
	q, m := new(big.Int).DivMod(r.Num(), r.Denom(), new(big.Int)) // Euclidean: m >= 0
	switch m.Lsh(m, 1).Cmp(r.Denom()) {
	case 1:
		q.Add(q, big.NewInt(1))
	case 0:
		q.Add(q, new(big.Int).And(q, big.NewInt(1)))
	}
	if !q.IsInt64() {
		if q.Sign() < 0 {
			return math.MinInt64
		}
		return math.MaxInt64
	}
	return q.Int64()
}
