package main

import (
	"fmt"
	"strings"
	"time"

	"vialward/tracker"
	"vialward/tracker/label"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

type showVial struct {
	acting
	Vial string `arg:"" help:"Vial code."`
}

func (o showVial) Run(c *call) error {
	code, err := label.CheckCode(o.Vial)
	if err != nil {
		return usage("%w", err)
	}
	return o.reading(c, func(v tracker.View, _ time.Time) error {
		found, err := v.Find(c.ctx, tracker.VialQuery{Codes: []string{code}})
		if err != nil {
			return err
		}
		if len(found) == 0 {
			return tracker.NotFound("vial", code)
		}
		zone := v.Site().Location()
		life, err := v.Life(c.ctx, code)
		if err != nil {
			return err
		}
		stays, err := v.Stays(c.ctx, code)
		if err != nil {
			return err
		}
		out := struct {
			vialResult
			Batch  string        `json:"batch"`
			Events []eventResult `json:"events"`
			Stays  []stayResult  `json:"stays"`
		}{vialResult: resultOf(found[0], zone), Batch: found[0].Batch}
		var text strings.Builder
		fmt.Fprintf(&text, "%s  batch %s  %s  BUD %s\n", code, found[0].Batch, found[0].State, walltime.Say(found[0].BUD, zone))
		if h := found[0].HoldsInWords(); h != "" {
			fmt.Fprintf(&text, "ON HOLD: %s. Do not use, do not discard\n", h)
		}
		for _, e := range life {
			r := eventOf(e, zone)
			out.Events = append(out.Events, r)
			fmt.Fprintf(&text, "  %s  %-10s by %s  %s\n", walltime.Say(e.At, zone), e.Kind, e.By, strings.TrimSpace(e.Body.To+" "+e.Body.Reason))
		}
		for _, s := range stays {
			out.Stays = append(out.Stays, stayOf(s, zone))
		}
		c.print(out, text.String())
		return nil
	})
}

type eventResult struct {
	Seq       int64      `json:"seq"`
	Kind      stock.Kind `json:"kind"`
	At        string     `json:"at"`
	EnteredAt string     `json:"entered_at"`
	By        string     `json:"by"`
	Via       string     `json:"via"`
	Body      stock.Body `json:"body"`
}

func eventOf(e stock.Event, zone *time.Location) eventResult {
	return eventResult{e.Seq, e.Kind, e.At.In(zone).Format(time.RFC3339), e.EnteredAt.In(zone).Format(time.RFC3339), e.By, e.Via, e.Body}
}

type stayResult struct {
	Place    string  `json:"place"`
	From     string  `json:"from"`
	To       *string `json:"to"`
	Possible bool    `json:"possible"`
}

func stayOf(s tracker.Stay, zone *time.Location) stayResult {
	r := stayResult{Place: s.Unit + "/" + s.Shelf, From: s.From.In(zone).Format(time.RFC3339), Possible: s.Possible}
	if !s.To.IsZero() {
		to := s.To.In(zone).Format(time.RFC3339)
		r.To = &to
	}
	return r
}

type listVials struct {
	acting
	Unit    string `help:"Only this storage unit."`
	Product string `help:"Only this product."`
	All     bool   `help:"Vials that are gone as well."`
}

func (o listVials) Run(c *call) error {
	return o.reading(c, func(v tracker.View, now time.Time) error {
		q := tracker.VialQuery{Unit: o.Unit, Product: o.Product}
		if !o.All {
			q.States = []stock.State{stock.InPreparation, stock.Available, stock.WithWard}
		}
		vials, err := v.Find(c.ctx, q)
		if err != nil {
			return err
		}
		zone := v.Site().Location()
		out := struct {
			AsOf  string       `json:"as_of"`
			Vials []vialResult `json:"vials"`
		}{AsOf: now.In(zone).Format(time.RFC3339), Vials: []vialResult{}}
		var text strings.Builder
		for _, x := range vials {
			out.Vials = append(out.Vials, resultOf(x, zone))
			word := string(x.State)
			if !now.Before(x.BUD) && !x.State.Closed() {
				word = "EXPIRED"
			}
			fmt.Fprintf(&text, "%-8s %-18s %-10s BUD %s  %s\n", x.Place(), x.Code, word, walltime.Say(x.BUD, zone), x.HoldsInWords())
		}
		fmt.Fprintf(&text, "%d vials, as of %s\n", len(vials), walltime.Say(now, zone))
		c.print(out, text.String())
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
		codes := func(vs []stock.Vial) []string {
			out := make([]string, len(vs))
			for i, v := range vs {
				out[i] = v.Code
			}
			return out
		}
		out := struct {
			Event   int64    `json:"event"`
			Batches []string `json:"batches"`
			Held    []string `json:"on_hand"`
			Issued  []string `json:"issued"`
			Closed  []string `json:"gone"`
		}{done.Seq, done.Batches, codes(done.Held), codes(done.Issued), codes(done.Closed)}
		c.print(out, fmt.Sprintf("on hold: %d on hand %v\nissued: %d %v\ngone: %d %v\n", len(out.Held), out.Held, len(out.Issued), out.Issued, len(out.Closed), out.Closed))
		return nil
	})
}
