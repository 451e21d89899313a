package mixing

import (
	"math/big"

	"vialward/tracker/stock"
)

// Measured is what came of a batch, counted and measured at the end of filling.
type Measured struct {
	Filled   int               // full vials, good or not
	Rejected int               // of Filled: inspection failed
	Sampled  int               // of Filled: kept for a test or as a retention sample
	Left     stock.Microlitres // measured in the pool after the last full vial
}

// CompareYield sets a batch against its pool. Outside the tolerance, or where the counts do not add up, it is refused:
// the batch cannot be closed before someone has explained it. The comparison is made on volumes, because a full vial
// more or less can hide in rounding down. allowed is the loss the plan allowed for; it is neither expected nor missed.
func CompareYield(pool, fill, allowed stock.Microlitres, got Measured, toleranceMilliPercent int64) (stock.Yield, error) {
	switch {
	case fill <= 0 || fill > maxMilli:
		return stock.Yield{}, stock.Refuse(CodeQuantity, "", "a yield needs the fill of one finished vial")
	case allowed < 0 || allowed >= pool:
		return stock.Yield{}, stock.Refuse(CodeQuantity, "", "an allowed loss of %s does not leave anything of a pool of %s", millilitres(allowed), millilitres(pool))
	case got.Filled < 0 || got.Filled > MaxVials || got.Rejected < 0 || got.Sampled < 0 || got.Left < 0 || got.Left > maxMilli:
		return stock.Yield{}, stock.Refuse(CodeQuantity, "", "a count or a measured volume is below 0 or out of reach: count again")
	case got.Rejected+got.Sampled > got.Filled:
		return stock.Yield{}, stock.Refuse(CodeQuantity, "", "%d rejected and %d sampled are more than the %d filled: count again", got.Rejected, got.Sampled, got.Filled)
	}
	expected := pool - allowed
	found := stock.Microlitres(got.Filled)*fill + got.Left
	y := stock.Yield{
		ExpectedVials: int(expected / fill),
		ForStock:      got.Filled - got.Rejected - got.Sampled,
		Missing:       expected - found,
		Tolerance:     toleranceMilliPercent,
	}
	percent := func(part, of stock.Microlitres) *big.Rat {
		return mul(frac(int64(part), int64(of)), whole64(whole))
	}
	y.MilliPercent = HalfEven(percent(found, expected))
	off := percent(max(y.Missing, 0), expected)
	if found > pool { // the allowed loss may turn out not to be lost: only beyond the whole pool it is a surplus
		off = percent(found-pool, pool)
	}
	if y.Outside = off.Cmp(whole64(toleranceMilliPercent)) > 0; y.Outside {
		return y, stock.Refuse(CodeMassBalance, "",
			"%s were found again of %s expected (%s %%), outside a tolerance of %s %%: account for the difference before the batch is closed",
			millilitres(found), millilitres(expected), stock.SayMilli(y.MilliPercent), stock.SayMilli(toleranceMilliPercent))
	}
	return y, nil
}
