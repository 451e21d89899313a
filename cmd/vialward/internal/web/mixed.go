package web

import (
	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/stock"
)

// preparation is a batch as it is sent: amounts are decimals as text, in mL and percent.
type preparation struct {
	tracker.Prepare
	Mix *mixed `json:"mix,omitempty"`
}

// mixed is what went in. What is left out stands in the master record.
type mixed struct {
	SourceVials      int    `json:"source_vials"`
	Powder           string `json:"powder,omitempty"`
	DiluentML        string `json:"diluent_ml,omitempty"` // into each source vial
	WithdrawnML      string `json:"withdrawn_ml,omitempty"`
	BringToML        string `json:"bring_to_ml,omitempty"`
	TolerancePercent string `json:"tolerance_percent,omitempty"`
}

func (b preparation) asked() (tracker.Prepare, error) {
	p := b.Prepare
	if b.Mix == nil {
		return p, nil
	}
	m := &tracker.Mix{SourceVials: b.Mix.SourceVials, Powder: b.Mix.Powder}
	p.Mix = m
	diluent, err := volume("mix.diluent_ml", b.Mix.DiluentML)
	if err != nil {
		return p, err
	}
	if diluent != nil {
		m.DiluentEach = *diluent
	}
	if m.Withdrawn, err = volume("mix.withdrawn_ml", b.Mix.WithdrawnML); err != nil {
		return p, err
	}
	if m.BringTo, err = volume("mix.bring_to_ml", b.Mix.BringToML); err != nil {
		return p, err
	}
	tolerance, err := thousandths("mix.tolerance_percent", b.Mix.TolerancePercent)
	if tolerance != nil {
		m.ToleranceMilliPercent = *tolerance
	}
	return p, err
}

// closing is the end of a batch as it is sent.
type closing struct {
	tracker.CloseBatch
	LeftML   string             `json:"left_ml,omitempty"` // measured in the pool; needed where what went in was recorded
	Disposed []present.Disposal `json:"disposed"`
}

func (b closing) asked() (tracker.CloseBatch, error) {
	c := b.CloseBatch
	var err error
	if c.Left, err = volume("left_ml", b.LeftML); err != nil {
		return c, err
	}
	for _, d := range b.Disposed {
		v, err := volume("disposed.volume_ml", d.VolumeML)
		if err != nil {
			return c, err
		}
		out := stock.Disposal{What: d.What, Container: d.Container, Count: d.Count}
		if v != nil {
			out.Volume = *v
		}
		c.Disposed = append(c.Disposed, out)
	}
	return c, nil
}

// volume reads mL; nil where nothing is given.
func volume(field, text string) (*stock.Microlitres, error) {
	n, err := thousandths(field, text)
	return (*stock.Microlitres)(n), err
}

func thousandths(field, text string) (*int64, error) {
	if text == "" {
		return nil, nil //nolint:nilnil // left out
	}
	n, err := stock.ParseMilli(text)
	if err != nil {
		return nil, stock.Refuse("quantity", "", "%s: %s", field, err)
	}
	return &n, nil
}
