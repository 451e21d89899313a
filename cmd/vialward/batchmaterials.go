package main

import (
	"vialward/cmd/vialward/internal/app"
	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
)

type materials struct {
	atSite
	Product   string `arg:"" help:"Product code."`
	Vials     int    `arg:"" help:"Finished vials."`
	Powder    string `help:"Which powder; may be left out when the product has one." placeholder:"NAME"`
	DiluentML string `name:"diluent-ml" help:"Diluent into each source vial; as in the master record if left out." placeholder:"ML"`
	Spare     int    `help:"Containers and labels beyond the vials." placeholder:"N"`
	FillEach  bool   `help:"A fresh syringe for every vial."`
}

func (o materials) Run(c *call) error {
	w := tracker.Wanted{Product: o.Product, Vials: o.Vials, Powder: o.Powder, Spare: o.Spare, FillEach: o.FillEach}
	each, err := maybeMillilitres("diluent-ml", o.DiluentML)
	if err != nil {
		return err
	}
	if each != nil {
		w.DiluentEach = *each
	}
	return o.with(c, func(b *app.Base, site string) error {
		return b.Tracker.Store.Read(c.ctx, site, func(v tracker.View) error {
			m, err := tracker.MaterialsFor(c.ctx, v, w)
			if err != nil {
				return err
			}
			doc := present.MaterialsOf(m)
			c.print(doc, doc.Text())
			return nil
		})
	})
}
