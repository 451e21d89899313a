package tracker

import (
	"context"
	"fmt"
	"slices"
	"sort"
	"time"

	"vialward/alerts"
	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Recall is the arguments of a recall: a component's lot, or one batch.
type Recall struct {
	Lot    string    `json:"lot,omitempty"`
	Batch  string    `json:"batch,omitempty"`
	Reason string    `json:"reason"`
	At     time.Time `json:"at,omitzero"`
}

// Recalled is where everything made from it is now.
type Recalled struct {
	Seq     int64
	Held    []stock.Vial // on hand, now on hold
	Issued  []stock.Vial // with a ward, on hold as well: nobody may give them
	Closed  []stock.Vial // given, discarded, lost: traced only
	Batches []string
}

// Recall holds every vial of the batches a lot went into, in one act, and tells whom it concerns.
func (t *Tracker) Recall(ctx context.Context, site string, a Actor, r Recall) (Recalled, error) {
	var out Recalled
	if (r.Lot == "") == (r.Batch == "") {
		return out, stock.Refuse("lot", "", "name a component's lot or a batch, one of the two")
	}
	if r.Reason == "" {
		return out, stock.Refuse("reason", "", "a recall needs a reason")
	}
	now := walltime.Cut(t.Now())
	at, err := when(r.At, now)
	if err != nil {
		return out, err
	}
	err = t.in(ctx, site, a, access.Recall, now, func(tx Tx) error {
		out = Recalled{}
		number, err := tx.NextNumber(ctx, "recall") // it holds the site's order: nothing is made or moved from here on
		if err != nil {
			return err
		}
		found, err := tx.Find(ctx, VialQuery{Batch: r.Batch, ComponentLot: r.Lot})
		if err != nil {
			return err
		}
		if len(found) == 0 {
			return stock.Refuse("unknown", "", "nothing in the record was made from %s%s; check the lot as printed", r.Lot, r.Batch)
		}
		if err := t.holdRecalled(ctx, tx, a, r, number, at, now, found, &out); err != nil {
			return err
		}
		return t.tellRecall(ctx, tx, r, number, at, now, out)
	})
	return out, err
}

func (t *Tracker) holdRecalled(ctx context.Context, tx Tx, a Actor, r Recall, number int64, at, now time.Time, found []stock.Vial, out *Recalled) error {
	var codes []string
	batches := map[string]bool{}
	for _, v := range found {
		batches[v.Batch] = true
		if v.State.Closed() {
			out.Closed = append(out.Closed, v)
			continue
		}
		codes = append(codes, v.Code)
	}
	for b := range batches {
		out.Batches = append(out.Batches, b)
	}
	sort.Strings(out.Batches)
	e := event(tx, stock.RecallOpened, a, at, now, stock.Body{Batch: r.Batch, Note: r.Lot, Reason: r.Reason, Number: int(number)})
	if err := tx.Append(ctx, &e); err != nil {
		return err
	}
	out.Seq = e.Seq
	if len(codes) == 0 {
		return nil
	}
	vials, err := tx.Vials(ctx, codes)
	if err != nil {
		return err
	}
	held := event(tx, stock.Held, a, at, now, stock.Body{Hold: stock.HoldRecall, Reason: fmt.Sprintf("recall %d: %s", number, r.Reason)})
	after, err := recordAll(ctx, tx, held, vials)
	if err != nil {
		return err
	}
	for _, v := range after {
		if v.State == stock.WithWard {
			out.Issued = append(out.Issued, v)
		} else {
			out.Held = append(out.Held, v)
		}
	}
	return nil
}

// openRecalls are all there are: a recall is not taken back. Body.Note is the lot, Body.Batch the batch.
func openRecalls(ctx context.Context, v View) ([]stock.Event, error) {
	return v.Events(ctx, EventQuery{Kinds: []stock.Kind{stock.RecallOpened}})
}

// recalled says which recall a batch or one of its components falls under; "" = none.
func recalled(recalls []stock.Event, batch string, components []stock.Component) string {
	for _, r := range recalls {
		of := slices.ContainsFunc(components, func(c stock.Component) bool { return r.Body.Note != "" && c.Lot == r.Body.Note })
		if of || r.Body.Batch != "" && r.Body.Batch == batch {
			return fmt.Sprintf("recall %d: %s", r.Body.Number, r.Body.Reason)
		}
	}
	return ""
}

func (t *Tracker) tellRecall(ctx context.Context, tx Tx, r Recall, number int64, at, now time.Time, out Recalled) error {
	what := "batch " + r.Batch
	if r.Lot != "" {
		what = "component lot " + r.Lot
	}
	lines, err := stockLines(ctx, tx, out.Held, "", time.Time{})
	if err != nil {
		return err
	}
	wards := map[string]int{}
	for _, v := range append(append([]stock.Vial{}, out.Issued...), out.Closed...) {
		if v.Dest != "" {
			wards[fmt.Sprintf("%s (%s)", v.Dest, v.State)]++
		}
	}
	facts := alerts.Recall{
		Site: t.mailSite(tx.Site(), now), Recall: number, What: what, Reason: r.Reason, Opened: at,
		OnHand: len(out.Held), Issued: len(out.Issued), Batches: lines,
	}
	for w, n := range wards {
		facts.IssuedTo = append(facts.IssuedTo, fmt.Sprintf("%s: %d", w, n))
	}
	sort.Strings(facts.IssuedTo)
	return t.post(ctx, tx, facts, alerts.RecallOpened, occasion{about: fmt.Sprintf("recall/%d", number), slot: "opened"})
}

// stockLines groups vials by batch and shelf, for mails. Allowances count from since, when that is known.
func stockLines(ctx context.Context, tx View, vials []stock.Vial, unit string, since time.Time) ([]alerts.StockLine, error) {
	var lines []alerts.StockLine
	index := map[string]int{}
	for _, v := range vials {
		key := v.Batch + "|" + whereFrom(unit, v)
		if i, ok := index[key]; ok {
			lines[i].Count++
			continue
		}
		p, err := tx.Product(ctx, v.Product, v.Version)
		if err != nil {
			return nil, err
		}
		l := alerts.StockLine{Product: p.FullName(), Batch: v.Batch, Count: 1, Where: whereFrom(unit, v), BUD: v.BUD}
		if p.AllowedOutMinutes != nil && p.AllowedOutSource != "" {
			l.Allowance = p.AllowedOutMinutes
			if !since.IsZero() && v.Unit == unit { // what has left is not known to go on warming
				end := since.Add(time.Duration(*p.AllowedOutMinutes) * time.Minute)
				l.AllowanceAt = &end
			}
		}
		index[key] = len(lines)
		lines = append(lines, l)
	}
	return lines, nil
}

// whereFrom is where a vial is, as a mail about a unit says it; a mail about no unit names the unit too.
func whereFrom(unit string, v stock.Vial) string {
	switch {
	case v.Unit == "" && v.Dest != "":
		return "issued to " + v.Dest
	case v.Unit == "":
		return "not placed"
	case v.Unit == unit && v.Shelf != "":
		return "shelf " + v.Shelf
	case v.Unit == unit:
		return "in " + v.Unit
	case v.Shelf == "":
		return v.Unit
	default:
		return v.Unit + ", shelf " + v.Shelf
	}
}
