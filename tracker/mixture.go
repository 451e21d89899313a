package tracker

import (
	"slices"
	"strings"

	"vialward/tracker/mixing"
	"vialward/tracker/stock"
)

// Mix is what went in, where it is to be checked against the number of vials and the strength on their labels. What is
// left out stands in the master record.
type Mix struct {
	SourceVials           int                `json:"source_vials"`
	Powder                string             `json:"powder,omitempty"` // name of the component; the product's only one
	DiluentEach           stock.Microlitres  `json:"-"`                // into each source vial; its label line's
	Withdrawn             *stock.Microlitres `json:"-"`
	BringTo               *stock.Microlitres `json:"-"`
	ToleranceMilliPercent int64              `json:"-"` // of the mass balance; the product's
}

// powderOf finds a product's powder by name, or its only one.
func powderOf(p stock.Product, name string) (stock.ComponentUse, error) {
	var powders []string
	for _, c := range p.Components {
		if c.Powder {
			powders = append(powders, c.Name)
		}
	}
	i := slices.IndexFunc(p.Components, func(c stock.ComponentUse) bool {
		return c.Powder && (stock.NameKey(c.Name) == stock.NameKey(name) || name == "" && len(powders) == 1)
	})
	switch {
	case i >= 0:
		return p.Components[i], nil
	case len(powders) == 0:
		return stock.ComponentUse{}, stock.Refuse("powder", "", "%s is made from no powder, so there is nothing to dissolve", p.FullName())
	case name == "":
		return stock.ComponentUse{}, stock.Refuse("powder", "", "%s is made from more than one powder; say which: %s", p.FullName(), strings.Join(powders, "; "))
	}
	return stock.ComponentUse{}, stock.Refuse("powder", "", "%s has no powder component %q; it has: %s", p.FullName(), name, strings.Join(powders, "; "))
}

// mixture works out what went in, and checks the claimed number of vials and their strength against it.
func (p Prepare) mixture(product stock.Product) (*stock.Mixture, error) {
	if p.Mix == nil {
		return nil, nil //nolint:nilnil // no mixture given is no error
	}
	c, err := powderOf(product, p.Mix.Powder)
	if err != nil {
		return nil, err
	}
	diluent, tolerance := p.Mix.DiluentEach, p.Mix.ToleranceMilliPercent
	if diluent == 0 {
		diluent = c.DissolveIn()
	}
	if tolerance == 0 {
		tolerance = product.Tolerance
	}
	strength := mixing.Strength{Concentration: product.Concentration(), ToleranceMilliPercent: product.Tolerance}
	if strength.ToleranceMilliPercent == 0 {
		strength.ToleranceMilliPercent = tolerance
	}
	plan := mixing.Plan{
		Source: mixing.Source{Mass: c.PerVial, Diluent: diluent}, Vials: p.Mix.SourceVials, Withdrawn: p.Mix.Withdrawn,
		BringTo: p.Mix.BringTo, Fill: &product.Volume, Strength: &strength, ToleranceMilliPercent: tolerance,
	}
	if product.ContainerL > 0 {
		plan.Container = &product.ContainerL
	}
	if c.LabelLine != nil && c.LabelLine.Diluent == diluent {
		plan.LabelLine = c.LabelLine
	}
	m, err := mixing.Make(plan)
	if err != nil {
		return nil, err
	}
	if p.Count > m.FullVials {
		return nil, stock.Refuse("yield", "", "%d vials are more than the %d full ones this makes; count again", p.Count, m.FullVials)
	}
	return &stock.Mixture{
		Powder: c.Name, SourceVials: plan.Vials, AmountUnit: product.AmountUnit, PerVial: c.PerVial, DiluentEach: diluent, Withdrawn: plan.Withdrawn, BringTo: plan.BringTo,
		LabelLine: plan.LabelLine, Pool: m.Volume, UgPerML: m.UgPerML, FullVials: m.FullVials, Left: m.Left, MassBalance: m.MassBalance,
		Tolerance: tolerance, Warnings: m.Warnings,
	}, nil
}
