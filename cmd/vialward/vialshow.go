package main

import (
	"fmt"
	"strings"
	"time"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/label"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

type showVial struct {
	atSite
	Vial string `arg:"" help:"Vial code."`
}

func (o showVial) Run(c *call) error {
	code, err := label.CheckCode(o.Vial)
	if err != nil {
		return usage("%w", err)
	}
	return o.reading(c, func(v tracker.View, now time.Time) error {
		out, err := present.LifeOf(c.ctx, v, code, now)
		if err != nil {
			return err
		}
		found, err := v.Find(c.ctx, tracker.VialQuery{Codes: []string{code}})
		if err != nil {
			return err
		}
		zone := v.Site().Location()
		life, err := v.Life(c.ctx, code)
		if err != nil {
			return err
		}
		var text strings.Builder
		fmt.Fprintf(&text, "%s  batch %s  %s  BUD %s\n", code, found[0].Batch, found[0].State, walltime.Say(found[0].BUD, zone))
		if h := found[0].HoldsInWords(); h != "" {
			fmt.Fprintf(&text, "ON HOLD: %s. Do not use, do not discard\n", h)
		}
		for _, e := range life {
			fmt.Fprintf(&text, "  %s  %-10s by %s  %s\n", walltime.Say(e.At, zone), e.Kind, e.By, strings.TrimSpace(e.Body.To+" "+e.Body.Reason))
		}
		c.print(out, text.String())
		return nil
	})
}

type listVials struct {
	atSite
	Unit    string `help:"Only this storage unit."`
	Product string `help:"Only this product."`
	All     bool   `help:"Vials that are gone as well."`
}

func (o listVials) Run(c *call) error {
	return o.reading(c, func(v tracker.View, now time.Time) error {
		q := tracker.VialQuery{Unit: o.Unit, Product: o.Product}
		if _, _, ok := v.Site().UnitAt(o.Unit); o.Unit != "" && !ok { // an empty list would read as an empty refrigerator
			return tracker.NotFound("storage unit", o.Unit)
		}
		if !o.All {
			q.States = []stock.State{stock.InPreparation, stock.Available, stock.WithWard}
		}
		vials, err := v.Find(c.ctx, q)
		if err != nil {
			return err
		}
		zone := v.Site().Location()
		var text strings.Builder
		for _, x := range vials {
			word := string(x.State)
			if !now.Before(x.BUD) && !x.State.Closed() {
				word = "EXPIRED"
			}
			fmt.Fprintf(&text, "%-8s %-18s %-10s BUD %s  %s\n", x.Place(), x.Code, word, walltime.Say(x.BUD, zone), x.HoldsInWords())
		}
		fmt.Fprintf(&text, "%d vials, as of %s\n", len(vials), walltime.Say(now, zone))
		c.print(present.Of(v, now).VialList(vials), text.String())
		return nil
	})
}

type recallVials struct {
	acting
	Lot    string `help:"Lot of a component." xor:"what"`
	Batch  string `help:"One batch." xor:"what"`
	Reason string `required:"" help:"Why."`
}

func (o recallVials) Run(c *call) error {
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) error {
		done, err := t.Recall(c.ctx, site, who, tracker.Recall{Lot: o.Lot, Batch: o.Batch, Reason: o.Reason, At: at})
		if err != nil {
			return err
		}
		out := present.RecalledOf(done)
		c.print(out, fmt.Sprintf("on hold: %d on hand %v\nissued: %d %v\ngone: %d %v\n", len(out.OnHand), out.OnHand, len(out.Issued), out.Issued, len(out.Gone), out.Gone))
		return nil
	})
}
