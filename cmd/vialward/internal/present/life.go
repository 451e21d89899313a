package present

import (
	"context"
	"slices"
	"time"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// Event of the record. Body has the record's own keys; its instants stand in the site's time.
type Event struct {
	Seq       int64      `json:"seq"`
	Kind      stock.Kind `json:"kind"`
	At        Instant    `json:"at"`
	EnteredAt Instant    `json:"entered_at"`
	By        string     `json:"by"`
	Via       string     `json:"via"`
	Vials     []string   `json:"vials"`
	Body      stock.Body `json:"body"`
	Broken    string     `json:"signature_broken,omitempty"` // why the signature under it does not stand, in a vial's life
}

// Event in the site's time.
func (a As) Event(e stock.Event) Event {
	b := e.Body
	for _, at := range []**time.Time{&b.BUD, &b.Since, &b.Until} {
		if *at != nil {
			local := a.local(**at)
			*at = &local
		}
	}
	if b.Signature != nil {
		s := *b.Signature
		s.At = a.local(s.At)
		b.Signature = &s
	}
	return Event{e.Seq, e.Kind, a.Instant(e.At), a.Instant(e.EnteredAt), e.By, e.Via, append([]string{}, e.Vials...), b, ""}
}

// Stay is where a vial was, or may have been.
type Stay struct {
	Place    string   `json:"place"`
	From     Instant  `json:"from"`
	To       *Instant `json:"to"` // null = still
	Possible bool     `json:"possible"`
}

// Stay in the site's time.
func (a As) Stay(s tracker.Stay) Stay {
	return Stay{s.Unit + "/" + s.Shelf, a.Instant(s.From), a.Maybe(s.To), s.Possible}
}

// Life is everything the record knows of a vial.
type Life struct {
	AsOf   Instant `json:"as_of"`
	Vial   Vial    `json:"vial"`
	Name   string  `json:"name"` // of the product, in full
	Batch  Batch   `json:"batch"`
	Events []Event `json:"events"`
	Stays  []Stay  `json:"stays"`
	Cases  []Case  `json:"cases"` // every excursion a stay of it met, decided or not
}

// LifeOf reads a vial's life by its code in the form in which it is kept.
func LifeOf(ctx context.Context, v tracker.View, code string, now time.Time) (Life, error) {
	a := Of(v, now)
	found, err := v.Find(ctx, tracker.VialQuery{Codes: []string{code}})
	if err != nil {
		return Life{}, err
	}
	if len(found) == 0 {
		return Life{}, tracker.NotFound("vial", code)
	}
	vial := found[0]
	batch, err := v.Batch(ctx, vial.Batch)
	if err != nil {
		return Life{}, err
	}
	product, err := v.Product(ctx, vial.Product, vial.Version)
	if err != nil {
		return Life{}, err
	}
	events, err := v.Life(ctx, code)
	if err != nil {
		return Life{}, err
	}
	stays, err := v.Stays(ctx, code)
	if err != nil {
		return Life{}, err
	}
	cases, err := metBy(ctx, v, stays)
	if err != nil {
		return Life{}, err
	}
	shown := each(events, a.Event)
	for i, e := range events {
		if shown[i].Broken, err = tracker.BrokenSignature(ctx, v, e); err != nil {
			return Life{}, err
		}
	}
	return Life{
		AsOf: a.Instant(now), Vial: a.Vial(vial), Name: product.FullName(), Batch: a.Batch(batch),
		Events: shown, Stays: each(stays, a.Stay), Cases: each(cases, a.Case),
	}, err
}

// metBy finds the cases with a hold that meets one of the stays, oldest first.
func metBy(ctx context.Context, v tracker.View, stays []tracker.Stay) ([]tracker.Case, error) {
	var met []tracker.Case
	for _, s := range stays {
		near, err := v.Cases(ctx, tracker.CaseQuery{Unit: s.Unit})
		if err != nil {
			return nil, err
		}
		for _, c := range near {
			if slices.ContainsFunc(met, func(m tracker.Case) bool { return m.No == c.No }) {
				continue
			}
			holds, err := v.Holds(ctx, c.No)
			if err != nil {
				return nil, err
			}
			if slices.ContainsFunc(holds, func(h tracker.HoldRow) bool { return h.Meets(s) }) {
				met = append(met, c)
			}
		}
	}
	slices.SortFunc(met, func(x, y tracker.Case) int { return int(x.No - y.No) })
	return met, nil
}
