package main

import (
	"vialward/tracker"
	"vialward/tracker/stock"
)

// mixFlags is what went into a batch. Without source vials nothing of it is recorded, nor checked.
type mixFlags struct {
	SourceVials      int    `help:"Source vials that went in: then yield and strength are worked out, checked and kept." placeholder:"N"`
	Powder           string `help:"Which powder; may be left out when the product has one." placeholder:"NAME"`
	DiluentML        string `name:"diluent-ml" help:"Diluent into each source vial; as in the master record if left out." placeholder:"ML"`
	WithdrawnML      string `name:"withdrawn-ml" help:"Withdrawn from each; all of it if left out." placeholder:"ML"`
	BringToML        string `name:"bring-to-ml" help:"Volume the pool was made up to; as withdrawn if left out." placeholder:"ML"`
	TolerancePercent string `help:"How far the mass balance may lie from 100 %; the product's if left out." placeholder:"PERCENT"`
}

func (f mixFlags) mix() (*tracker.Mix, error) {
	if f.SourceVials == 0 {
		if f != (mixFlags{}) {
			return nil, usage("say how many source vials went in: --source-vials N")
		}
		return nil, nil //nolint:nilnil // nothing was said of it
	}
	m := &tracker.Mix{SourceVials: f.SourceVials, Powder: f.Powder}
	var err error
	if f.DiluentML != "" {
		if m.DiluentEach, err = millilitres("diluent-ml", f.DiluentML); err != nil {
			return nil, err
		}
	}
	if m.Withdrawn, err = maybeMillilitres("withdrawn-ml", f.WithdrawnML); err != nil {
		return nil, err
	}
	if m.BringTo, err = maybeMillilitres("bring-to-ml", f.BringToML); err != nil {
		return nil, err
	}
	if f.TolerancePercent != "" {
		m.ToleranceMilliPercent, err = stock.ParseMilli(f.TolerancePercent)
		if err != nil {
			return nil, usage("--tolerance-percent: %w", err)
		}
	}
	return m, nil
}

// millilitres reads a decimal of mL, exactly.
func millilitres(flag, text string) (stock.Microlitres, error) {
	n, err := stock.ParseMilli(text)
	if err != nil {
		return 0, usage("--%s: %w", flag, err)
	}
	return stock.Microlitres(n), nil
}

func maybeMillilitres(flag, text string) (*stock.Microlitres, error) {
	if text == "" {
		return nil, nil //nolint:nilnil // left out
	}
	n, err := millilitres(flag, text)
	return &n, err
}
