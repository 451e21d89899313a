package mixing

import (
	"errors"
	"math/big"
	"slices"

	"vialward/tracker/stock"
)

// Wanted is n finished vials, and what they are to be made from.
type Wanted struct {
	Source
	Vials     int               // finished vials
	Amount    stock.Micrograms  // in one finished vial
	Fill      stock.Microlitres // volume of one finished vial
	Container stock.Microlitres // what its container can hold

	Loss        stock.Loss
	Syringes    []stock.Microlitres // sizes at hand; none = syringes are not listed
	FillEach    bool                // a fresh syringe for every finished vial; else one fills them all
	Spare       int                 // containers and labels beyond the finished vials
	RecordLabel bool                // one more label, for the record
}

// Takes is the list of materials.
type Takes struct {
	SourceVials int
	Dissolving  stock.Microlitres // diluent into all source vials
	Concentrate stock.Microlitres // drawn from the source vials, half to even
	MakeUp      stock.Microlitres // diluent added to the concentrate
	BringTo     stock.Microlitres // the pool: fills and allowed losses
	Diluent     stock.Microlitres // Dissolving + MakeUp
	Unused      stock.Microlitres // of the dissolved source vials, beyond their allowed loss: it has no finished vial
	Containers  int
	Labels      int
	Syringes    []Syringe
}

// Syringe is one line of syringes. A step takes the smallest size that holds its volume, or the largest in strokes.
type Syringe struct {
	Step    string
	Size    stock.Microlitres
	Count   int
	Strokes int // with each of them
}

// Materials works out what n finished vials take, or refuses it with every *stock.Refusal that applies.
//
// pool = n (fill + loss a vial) + loss of the pool; concentrate = pool x strength / concentration of a dissolved
// source vial; source vials = that over what each yields, rounded up.
func Materials(w Wanted) (Takes, error) {
	if err := w.check(); err != nil {
		return Takes{}, err
	}
	volume, perMicrolitre := w.dissolved()
	var t Takes
	t.BringTo = stock.Microlitres(w.Vials)*(w.Fill+w.Loss.PerVial) + w.Loss.Pool
	strength := frac(int64(w.Amount), int64(w.Fill))
	t.Concentrate = stock.Microlitres(HalfEven(quo(mul(strength, whole64(int64(t.BringTo))), perMicrolitre)))
	if strength.Cmp(perMicrolitre) > 0 {
		return Takes{}, stock.Refuse(CodeStrength, "",
			"%s mg/mL are wanted, but a dissolved source vial holds %s mg/mL: dissolve it in less diluent by another label line, or choose another source vial",
			sayPerML(strength), sayPerML(perMicrolitre))
	}
	if t.Concentrate == 0 {
		return Takes{}, stock.Refuse(CodeStrength, "", "%s mg/mL take less than one microlitre from a source vial: dilute in steps", sayPerML(strength))
	}
	yield := volume - w.Loss.PerSource
	vials := (t.Concentrate + yield - 1) / yield
	if vials > MaxVials {
		return Takes{}, stock.Refuse(CodeQuantity, "", "%d source vials: at most %d", vials, MaxVials)
	}
	t.SourceVials = int(vials)
	t.Dissolving = vials * w.Source.Diluent
	t.MakeUp = t.BringTo - t.Concentrate
	t.Diluent = t.Dissolving + t.MakeUp
	t.Unused = vials*yield - t.Concentrate
	t.Containers = w.Vials + w.Spare
	t.Labels = t.Containers
	if w.RecordLabel {
		t.Labels++
	}
	t.Syringes = w.syringes(t, volume)
	return t, nil
}

func sayPerML(perMicrolitre *big.Rat) string { return stock.SayMilli(HalfEven(perML(perMicrolitre))) }

func (w Wanted) check() error {
	plan := Plan{Source: w.Source, Vials: 1, Fill: &w.Fill, Container: &w.Container}
	refused := []error{plan.quantities()}
	if w.Vials < 1 || w.Vials > MaxVials {
		refused = append(refused, stock.Refuse(CodeQuantity, "", "%d finished vials: there must be at least 1 and at most %d", w.Vials, MaxVials))
	}
	if w.Amount <= 0 || w.Amount > maxMilli {
		refused = append(refused, stock.Refuse(CodeQuantity, "", "an amount of %s mg in a finished vial: it must be above 0 and at most %s", stock.SayMilli(int64(w.Amount)), stock.SayMilli(maxMilli)))
	}
	for _, l := range []stock.Microlitres{w.Loss.PerSource, w.Loss.PerVial, w.Loss.Pool} {
		if l < 0 || l > maxMilli {
			refused = append(refused, stock.Refuse(CodeQuantity, "", "a loss of %s: it must be 0 or more, at most %s", millilitres(l), millilitres(maxMilli)))
		}
	}
	if w.Spare < 0 || w.Spare > MaxVials {
		refused = append(refused, stock.Refuse(CodeQuantity, "", "%d spare containers: there must be at least 0 and at most %d", w.Spare, MaxVials))
	}
	for _, s := range w.Syringes {
		if s <= 0 {
			refused = append(refused, stock.Refuse(CodeSyringe, "", "a syringe of %s: its size must be above 0", millilitres(s)))
		}
	}
	if l := w.LabelLine; l != nil && l.Diluent != w.Source.Diluent {
		refused = append(refused, stock.Refuse(CodeLabelLine, "",
			"%s of diluent for each source vial, but the label line is for %s: a line is never carried over to another volume",
			millilitres(w.Source.Diluent), millilitres(l.Diluent)))
	}
	if v := w.Source.Diluent; w.LabelLine == nil && w.Loss.PerSource >= v || w.LabelLine != nil && w.Loss.PerSource >= w.LabelLine.VolumeUL {
		refused = append(refused, stock.Refuse(CodeQuantity, "", "a loss of %s in each source vial leaves nothing to draw from it", millilitres(w.Loss.PerSource)))
	}
	if w.Fill > w.Container {
		refused = append(refused, stock.Refuse(CodeContainer, "",
			"%s do not go into a container of %s: choose a larger container or a smaller fill", millilitres(w.Fill), millilitres(w.Container)))
	}
	return errors.Join(refused...)
}

// syringes for the steps in their order. One syringe dissolves a source vial and draws it up again, so that nothing
// is left in a second one; it must hold the larger of the two volumes.
func (w Wanted) syringes(t Takes, dissolved stock.Microlitres) []Syringe {
	if len(w.Syringes) == 0 {
		return nil
	}
	fills := Syringe{Step: "fill", Count: 1}
	if w.FillEach {
		fills.Count = w.Vials
	}
	var out []Syringe
	for _, s := range []struct {
		line   Syringe
		volume stock.Microlitres
	}{
		{Syringe{Step: "dissolve and draw up", Count: t.SourceVials}, max(w.Source.Diluent, dissolved)},
		{Syringe{Step: "make up", Count: 1}, t.MakeUp},
		{fills, w.Fill},
	} {
		if s.volume == 0 {
			continue
		}
		s.line.Size, s.line.Strokes = chooseSyringe(w.Syringes, s.volume)
		if s.line.Step == "fill" && !w.FillEach {
			s.line.Strokes *= w.Vials
		}
		out = append(out, s.line)
	}
	return out
}

// chooseSyringe is the smallest size that holds volume in one stroke, or the largest and its strokes.
func chooseSyringe(sizes []stock.Microlitres, volume stock.Microlitres) (size stock.Microlitres, strokes int) {
	sorted := slices.Sorted(slices.Values(sizes))
	for _, s := range sorted {
		if s >= volume {
			return s, 1
		}
	}
	largest := sorted[len(sorted)-1]
	return largest, int((volume + largest - 1) / largest)
}
