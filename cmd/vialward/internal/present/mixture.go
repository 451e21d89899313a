package present

import (
	"vialward/tracker/stock"
)

// Mixture is what went into a batch and what that comes to. Amounts are decimals as text, to a thousandth, as in the
// calculator of mixtures; where a product is measured in units, the keys of mass speak of units.
type Mixture struct {
	Powder             string     `json:"powder"`
	SourceVials        int        `json:"source_vials"`
	MgPerSourceVial    string     `json:"mg_per_source_vial,omitempty"`
	UnitsPerSourceVial string     `json:"units_per_source_vial,omitempty"`
	DiluentML          string     `json:"diluent_ml"`             // into each
	WithdrawnML        string     `json:"withdrawn_ml,omitempty"` // from each; none = all of it
	BringToML          string     `json:"bring_to_ml,omitempty"`
	LabelLine          *LabelLine `json:"label_line,omitempty"` // that was followed
	PoolML             string     `json:"pool_ml"`
	MgPerML            string     `json:"mg_per_ml,omitempty"` // of the pool, half to even
	UnitsPerML         string     `json:"units_per_ml,omitempty"`
	ExpectedFullVials  int        `json:"expected_full_vials"`
	LeftML             string     `json:"left_ml"` // expected beyond them
	MassBalancePercent string     `json:"mass_balance_percent"`
	TolerancePercent   string     `json:"tolerance_percent"`
	Warnings           []string   `json:"warnings"`
}

// LabelLine is what a source vial's label says of its reconstitution.
type LabelLine struct {
	DiluentML  string `json:"diluent_ml"`
	MgPerML    string `json:"mg_per_ml,omitempty"`
	UnitsPerML string `json:"units_per_ml,omitempty"`
	VolumeML   string `json:"volume_ml"`
	Source     string `json:"source,omitempty"`
}

func mixture(m *stock.Mixture) *Mixture {
	if m == nil {
		return nil
	}
	mass := func(n stock.Micrograms) (mg, u string) {
		if m.AmountUnit == "units" {
			return "", stock.SayMilli(int64(n))
		}
		return stock.SayMilli(int64(n)), ""
	}
	out := &Mixture{
		Powder: m.Powder, SourceVials: m.SourceVials, DiluentML: ml(m.DiluentEach), WithdrawnML: maybeML(m.Withdrawn), BringToML: maybeML(m.BringTo),
		PoolML: ml(m.Pool), ExpectedFullVials: m.FullVials, LeftML: ml(m.Left), MassBalancePercent: stock.SayMilli(m.MassBalance),
		TolerancePercent: stock.SayMilli(m.Tolerance), Warnings: append([]string{}, m.Warnings...),
	}
	out.MgPerSourceVial, out.UnitsPerSourceVial = mass(m.PerVial)
	out.MgPerML, out.UnitsPerML = mass(m.UgPerML)
	if l := m.LabelLine; l != nil {
		out.LabelLine = &LabelLine{DiluentML: ml(l.Diluent), VolumeML: ml(l.VolumeUL), Source: l.Source}
		out.LabelLine.MgPerML, out.LabelLine.UnitsPerML = mass(l.UgPerML)
	}
	return out
}

// Closing of a batch: its vials, its yield and what became of what was left.
type Closing struct {
	By          string     `json:"by"`
	At          Instant    `json:"at"`
	EnteredAt   Instant    `json:"entered_at"`
	Witness     string     `json:"witness,omitempty"`
	Filled      int        `json:"filled"`
	Labelled    int        `json:"labelled"`
	Rejected    int        `json:"rejected"`
	Samples     int        `json:"samples"`
	LeftML      string     `json:"left_ml,omitempty"` // measured in the pool after the last full vial
	Yield       *Yield     `json:"yield,omitempty"`   // none = what went in was not recorded
	Disposed    []Disposal `json:"disposed"`
	Explanation string     `json:"explanation,omitempty"`
	Note        string     `json:"note,omitempty"`
}

// Yield sets what was expected beside what came.
type Yield struct {
	ExpectedVials    int    `json:"expected_vials"`
	ForStock         int    `json:"for_stock"`
	MissingML        string `json:"missing_ml"` // negative = more than expected
	FoundPercent     string `json:"found_percent"`
	TolerancePercent string `json:"tolerance_percent"`
	OutsideTolerance bool   `json:"outside_tolerance"`
}

// Disposal is what of a batch went into one container.
type Disposal struct {
	What      string `json:"what"`
	Container string `json:"container,omitempty"`
	Count     int    `json:"count,omitempty"`
	VolumeML  string `json:"volume_ml,omitempty"` // of residue
}

func (a As) closing(c *stock.Closing) *Closing {
	if c == nil {
		return nil
	}
	out := &Closing{
		By: c.By, At: a.Instant(c.At), EnteredAt: a.Instant(c.EnteredAt), Witness: c.Witness, Filled: c.Filled, Labelled: c.Labelled, Rejected: c.Rejected,
		Samples: c.Samples, LeftML: maybeML(c.Left), Explanation: c.Explains, Note: c.Note,
		Disposed: each(c.Disposed, func(d stock.Disposal) Disposal {
			shown := Disposal{What: d.What, Container: d.Container, Count: d.Count}
			if d.Volume > 0 {
				shown.VolumeML = ml(d.Volume)
			}
			return shown
		}),
	}
	if y := c.Yield; y != nil {
		out.Yield = &Yield{y.ExpectedVials, y.ForStock, ml(y.Missing), stock.SayMilli(y.MilliPercent), stock.SayMilli(y.Tolerance), y.Outside}
	}
	return out
}

func ml(n stock.Microlitres) string { return stock.SayMilli(int64(n)) }

func maybeML(n *stock.Microlitres) string {
	if n == nil {
		return ""
	}
	return ml(*n)
}
