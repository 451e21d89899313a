package mixing

import (
	"errors"
	"math/big"

	"vialward/tracker/stock"
)

// Source is one kind of source vial and how it is dissolved.
type Source struct {
	Mass    stock.Micrograms  // in one source vial
	Diluent stock.Microlitres // into one source vial
	// LabelLine is the line of the manufacturer's label for exactly this Diluent, or nil. It is used as it stands:
	// the volume and concentration of one line say nothing about another (ceftriaxone 1 g has a displacement of
	// 0.4 mL on one line of its label and 0.757 mL on the next).
	LabelLine *stock.LabelLine
}

// volume and concentration (µg/µL, exact) of what one source vial holds once dissolved. Without a label line what
// went in comes out: the powder's own volume is not known, so it is not invented.
func (s Source) dissolved() (stock.Microlitres, *big.Rat) {
	if s.LabelLine != nil {
		return s.LabelLine.VolumeUL, frac(int64(s.LabelLine.UgPerML), 1000)
	}
	return s.Diluent, frac(int64(s.Mass), int64(s.Diluent))
}

// Plan is what is to be mixed. The pointers are nil where nothing is said.
type Plan struct {
	Source
	Vials     int                // source vials
	Withdrawn *stock.Microlitres // from each source vial; nil = all of it
	BringTo   *stock.Microlitres // volume the pool is made up to; nil = it stays as withdrawn
	Fill      *stock.Microlitres // into each finished vial; nil = the pool is not filled out
	Container *stock.Microlitres // what a finished vial can hold; nil = not checked
	Strength  *Strength          // which the pool has to meet; nil = not checked

	ToleranceMilliPercent int64 // how far the mass balance may lie from 100 000
}

// Strength is what the label of a finished vial says, and how far the pool may lie from it.
type Strength struct {
	stock.Concentration

	ToleranceMilliPercent int64
}

// Made is what a plan comes to.
type Made struct {
	Mass        *big.Rat          // µg in the pool, exact
	Withdrawn   stock.Microlitres // from all source vials together
	Add         stock.Microlitres // diluent to make up the pool
	Volume      stock.Microlitres // of the pool
	UgPerML     stock.Micrograms  // concentration of the pool, half to even
	Filled      bool              // whether Fill was given: FullVials and Left mean nothing without it
	FullVials   int               // counted down
	Left        stock.Microlitres // what is too little for one more
	MassBalance int64             // milli-percent of the mass in the source vials that is in the pool, half to even
	Warnings    []string          // sentences; nothing is refused by them
}

// PerML is the pool's exact concentration in µg/mL, for a comparison with a stability row's range.
func (m Made) PerML() *big.Rat { return perML(quo(m.Mass, whole64(int64(m.Volume)))) }

// Codes of the refusals, for programs.
const (
	CodeQuantity    = "quantity"
	CodeLabelLine   = "label_line"
	CodeMassBalance = "mass_balance"
	CodePool        = "pool"
	CodeContainer   = "container"
	CodeStrength    = "strength"
	CodeSyringe     = "syringe"
)

// Make works a plan out, or refuses it. The error joins every *stock.Refusal that applies.
//
// Final volume = diluent + displacement, concentration = mass / volume, and the label line stands (labelling of the
// products; see the tests for lines with their sources). Mass is conserved on dilution: c1 v1 = c2 v2.
func Make(p Plan) (Made, error) {
	if err := p.quantities(); err != nil {
		return Made{}, err
	}
	vialVolume, perMicrolitre := p.dissolved()
	each := vialVolume
	if p.Withdrawn != nil {
		each = *p.Withdrawn
	}
	m := Made{Withdrawn: stock.Microlitres(p.Vials) * each, Filled: p.Fill != nil}
	m.Mass = mul(perMicrolitre, whole64(int64(m.Withdrawn)))
	m.Volume = m.Withdrawn
	if p.BringTo != nil {
		m.Volume, m.Add = *p.BringTo, *p.BringTo-m.Withdrawn
	}
	balance := mul(quo(m.Mass, whole64(int64(p.Vials)*int64(p.Mass))), whole64(whole))
	m.MassBalance = HalfEven(balance)

	if err := p.refuse(m, balance); err != nil {
		return Made{}, err
	}
	m.UgPerML = stock.Micrograms(HalfEven(m.PerML()))
	if p.Fill != nil {
		m.FullVials = int(m.Volume / *p.Fill)
		m.Left = m.Volume % *p.Fill
	}
	m.Warnings = p.warnings(m, vialVolume, each)
	return m, nil
}

// quantities refuses what is not a quantity to reckon with at all.
func (p Plan) quantities() error {
	var refused []error
	if p.Vials < 1 || p.Vials > MaxVials {
		refused = append(refused, stock.Refuse(CodeQuantity, "", "%d source vials: there must be at least 1 and at most %d", p.Vials, MaxVials))
	}
	positive := func(name string, n int64) {
		if n <= 0 || n > maxMilli {
			refused = append(refused, stock.Refuse(CodeQuantity, "", "%s is %s: it must be above 0 and at most %s", name, stock.SayMilli(n), stock.SayMilli(maxMilli)))
		}
	}
	positive("the mass in a source vial (mg)", int64(p.Mass))
	positive("the diluent for a source vial (mL)", int64(p.Diluent))
	if l := p.LabelLine; l != nil {
		positive("the label line's diluent (mL)", int64(l.Diluent))
		positive("the label line's concentration (mg/mL)", int64(l.UgPerML))
		positive("the label line's volume (mL)", int64(l.VolumeUL))
	}
	for _, o := range []struct {
		name string
		v    *stock.Microlitres
	}{
		{"the volume withdrawn from a source vial (mL)", p.Withdrawn}, {"the volume to bring the pool to (mL)", p.BringTo},
		{"the fill of a finished vial (mL)", p.Fill}, {"the volume of a finished vial's container (mL)", p.Container},
	} {
		if o.v != nil {
			positive(o.name, int64(*o.v))
		}
	}
	if p.Strength != nil {
		positive("the amount in a finished vial (mg)", int64(p.Strength.Amount))
		positive("the volume of a finished vial (mL)", int64(p.Strength.Volume))
	}
	tolerances := []int64{p.ToleranceMilliPercent}
	if p.Strength != nil {
		tolerances = append(tolerances, p.Strength.ToleranceMilliPercent)
	}
	for _, t := range tolerances {
		if t < 0 || t > whole {
			refused = append(refused, stock.Refuse(CodeQuantity, "", "a tolerance of %s %%: it must lie from 0 to 100", stock.SayMilli(t)))
		}
	}
	return errors.Join(refused...)
}

// refuse lists what must not be mixed as planned.
func (p Plan) refuse(m Made, balance *big.Rat) error {
	var refused []error
	if l := p.LabelLine; l != nil && l.Diluent != p.Diluent {
		return stock.Refuse(CodeLabelLine, "",
			"%s of diluent for each source vial, but the label line is for %s: use the label's own line for that volume, or none; a line is never carried over to another volume",
			millilitres(p.Diluent), millilitres(l.Diluent))
	}
	if off := new(big.Rat).Sub(balance, whole64(whole)); off.Abs(off).Cmp(whole64(p.ToleranceMilliPercent)) > 0 {
		refused = append(refused, stock.Refuse(CodeMassBalance, "",
			"the pool holds %s %% of the mass in the source vials, outside 100 %% ± %s %%: check the volume withdrawn, the mass and the label line, then measure again",
			stock.SayMilli(m.MassBalance), stock.SayMilli(p.ToleranceMilliPercent)))
	}
	if m.Add < 0 {
		refused = append(refused, stock.Refuse(CodePool, "",
			"%s were withdrawn from the source vials, more than the %s the pool is to be brought to: bring it to at least what was withdrawn",
			millilitres(m.Withdrawn), millilitres(m.Volume)))
	}
	if p.Strength != nil {
		wanted := frac(int64(p.Strength.Amount), int64(p.Strength.Volume))
		part := mul(quo(quo(m.Mass, whole64(int64(m.Volume))), wanted), whole64(whole))
		if off := new(big.Rat).Sub(part, whole64(whole)); off.Abs(off).Cmp(whole64(p.Strength.ToleranceMilliPercent)) > 0 {
			refused = append(refused, stock.Refuse(CodeStrength, "",
				"the pool holds %s mg/mL, which is %s %% of the %s mg/mL on the label, outside 100 %% ± %s %%: check the source vials, what was withdrawn and the volume of the pool",
				stock.SayMilli(HalfEven(m.PerML())), stock.SayMilli(HalfEven(part)), sayPerML(wanted), stock.SayMilli(p.Strength.ToleranceMilliPercent)))
		}
	}
	if p.Fill != nil && p.Container != nil && *p.Fill > *p.Container {
		refused = append(refused, stock.Refuse(CodeContainer, "",
			"%s do not go into a container of %s: choose a larger container or a smaller fill", millilitres(*p.Fill), millilitres(*p.Container)))
	}
	return errors.Join(refused...)
}

func (p Plan) warnings(m Made, vialVolume, each stock.Microlitres) []string {
	w := []string{}
	if p.LabelLine == nil {
		w = append(w, "No label line: what went in is taken to come out, and the volume of the powder itself is not counted. Measure what is withdrawn (common practice, no source).")
	} else if vialVolume < p.Diluent {
		w = append(w, "The label line gives less volume than the diluent put in: read it again from the label.")
	}
	if each > vialVolume {
		w = append(w, "More was withdrawn from each source vial ("+millilitres(each)+") than it should hold ("+millilitres(vialVolume)+"): measure again.")
	}
	if m.Filled && m.FullVials == 0 {
		w = append(w, "The pool ("+millilitres(m.Volume)+") does not fill one vial of "+millilitres(*p.Fill)+".")
	}
	if p.Container != nil && p.Fill == nil {
		w = append(w, "A container without a fill is not checked: give the fill of one finished vial.")
	}
	return w
}
