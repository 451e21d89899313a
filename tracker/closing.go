package tracker

import (
	"context"
	"slices"
	"time"

	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Close is the arguments of discarding, losing, voiding and sending.
type Close struct {
	Vials     []string  `json:"vials"`
	Reason    string    `json:"reason"` // code of a waste cause, when discarding or losing
	Container string    `json:"container,omitempty"`
	Witness   string    `json:"witness,omitempty"`
	To        string    `json:"to,omitempty"`
	Case      int64     `json:"case,omitempty"`
	Note      string    `json:"note,omitempty"`
	At        time.Time `json:"at,omitzero"`
}

func (c Close) body() stock.Body {
	return stock.Body{Reason: c.Reason, Container: c.Container, Witness: c.Witness, To: c.To, Case: c.Case, Note: c.Note}
}

// Discard ends vials in a container, with a reason of the site's closed list. A product for two persons asks for a
// witness who is someone else.
func (t *Tracker) Discard(ctx context.Context, site string, a Actor, c Close) (Handled, error) {
	return t.handle(ctx, site, a, act{access.Discard, stock.Discarded, c.Vials, c.At, c.body()}, func(tx Tx, vials []stock.Vial, e *stock.Event) error {
		if err := causeKnown(tx.Site(), c.Reason); err != nil {
			return err
		}
		e.Body.From = placeOf(vials)
		for _, v := range vials {
			if err := mayDiscard(a, v, e.EnteredAt); err != nil {
				return err
			}
			p, err := tx.Product(ctx, v.Product, v.Version)
			if err != nil {
				return err
			}
			if e.Body.Container == "" {
				e.Body.Container = p.Disposal
			}
			if p.Hazardous && e.Body.Container != p.Disposal {
				return stock.Refuse("container", v.Code, "is hazardous and goes into %q, not %q", p.Disposal, e.Body.Container)
			}
			if err := second(tx, access.Discard, a, c.Witness, v.Code, p, e.EnteredAt); err != nil {
				return err
			}
			if v.Product != vials[0].Product {
				return stock.Refuse("products", v.Code, "is another product; discard each product by itself, so that cost and container are right")
			}
			e.Body.CostCents = p.CostAt(e.At)
		}
		return nil
	})
}

// mayDiscard: what is on hold and still in date waits for a pharmacist, and what is recalled waits for one in any case. A
// hold that only waits for a new label keeps nobody.
func mayDiscard(a Actor, v stock.Vial, now time.Time) error {
	held := len(v.Touches) > 0 || slices.ContainsFunc(v.Holds, func(h stock.Hold) bool { return h.Kind != stock.HoldRelabel })
	if !held || !now.Before(v.BUD) && !holdsOf(v, stock.HoldRecall) || a.Person.Is(stock.Pharmacist) {
		return nil
	}
	return stock.Refuse("on_hold", v.Code, "ON HOLD: %s. Do not discard: a pharmacist decides on it", v.HoldsInWords())
}

// Lose records vials that cannot be found. A find re-opens them, on hold.
func (t *Tracker) Lose(ctx context.Context, site string, a Actor, c Close) (Handled, error) {
	return t.handle(ctx, site, a, act{access.Lose, stock.Lost, c.Vials, c.At, c.body()}, func(tx Tx, vials []stock.Vial, e *stock.Event) error {
		if err := causeKnown(tx.Site(), c.Reason); err != nil {
			return err
		}
		for _, v := range vials {
			if v.Product != vials[0].Product {
				return stock.Refuse("products", v.Code, "is another product; record each product's loss by itself, so that its cost is right")
			}
		}
		p, err := tx.Product(ctx, vials[0].Product, vials[0].Version)
		if err != nil {
			return err
		}
		e.Body.From, e.Body.CostCents = placeOf(vials), p.CostAt(e.At)
		return second(tx, access.Lose, a, c.Witness, vials[0].Code, p, e.EnteredAt)
	})
}

// Void ends the record of vials that was wrong from the start; two pharmacists, and the batch is made anew.
func (t *Tracker) Void(ctx context.Context, site string, a Actor, c Close) (Handled, error) {
	return t.handle(ctx, site, a, act{access.Void, stock.Voided, c.Vials, c.At, c.body()}, func(tx Tx, vials []stock.Vial, e *stock.Event) error {
		if err := second(tx, access.Void, a, c.Witness, vials[0].Code, stock.Product{}, e.EnteredAt); err != nil {
			return err
		}
		if c.Reason == "" {
			return stock.Refuse("reason", vials[0].Code, "voiding needs what was wrong as reason")
		}
		e.Body.From = placeOf(vials)
		return nil
	})
}

// Send ends vials that leave the site for another one.
func (t *Tracker) Send(ctx context.Context, site string, a Actor, c Close) (Handled, error) {
	return t.handle(ctx, site, a, act{access.Send, stock.Sent, c.Vials, c.At, c.body()}, func(tx Tx, vials []stock.Vial, e *stock.Event) error {
		if c.To == "" {
			return stock.Refuse("destination", "", "say where the vials are sent")
		}
		e.Body.From = placeOf(vials)
		for _, v := range vials {
			if err := v.Issuable(e.At, 0, 0, tx.Site().Location()); err != nil {
				return err
			}
		}
		return nil
	})
}

// second refuses what takes two persons and has only one.
func second(tx Tx, op access.Operation, a Actor, witness, vial string, p stock.Product, now time.Time) error {
	no := access.Beside(tx.Site(), op, a.Person.Code, witness, p.TwoPersons, now)
	if no == nil {
		return nil
	}
	if no.Vial = vial; p.TwoPersons {
		no.Say = p.FullName() + ": " + no.Say
	}
	return no
}

func causeKnown(s *stock.Site, code string) error {
	if slices.ContainsFunc(s.Reasons, func(c stock.WasteCause) bool { return c.Code == code }) {
		return nil
	}
	list := ""
	for _, c := range s.Reasons {
		list += ", " + c.Code
	}
	return stock.Refuse("reason", "", "%q is not a reason of this site; use one of%s", code, list[min(1, len(list)):])
}

// Enter records that a vial was punctured: in clean air of ISO class 5 it may be used for a while longer, elsewhere it
// ends at once.
type Enter struct {
	Vials []string  `json:"vials"`
	ISO5  bool      `json:"in_iso5"`
	At    time.Time `json:"at,omitzero"`
}

// Enter shortens the vials to what is left of an entered one's life: 12 h in ISO 5 (USP <797>, quoted, R), else none.
func (t *Tracker) Enter(ctx context.Context, site string, a Actor, n Enter) (Handled, error) {
	return t.handle(ctx, site, a, act{access.Enter, stock.Entered, n.Vials, n.At, stock.Body{ISO5: n.ISO5}}, func(_ Tx, vials []stock.Vial, e *stock.Event) error {
		bud := enteredBUD(n.ISO5, e.At)
		e.Body.BUD = &bud
		return nil
	})
}

// Count is a blind count of one product on one shelf or in one unit.
type Count struct {
	Place   string    `json:"place"` // "R1" or "R1/A"
	Product string    `json:"product"`
	Counted int       `json:"counted"`
	Reason  string    `json:"reason,omitempty"` // of a variance
	Witness string    `json:"witness,omitempty"`
	At      time.Time `json:"at,omitzero"`
}

// Counted is its answer.
type Counted struct {
	Seq      int64 `json:"seq"`
	Expected int   `json:"expected"`
	Counted  int   `json:"counted"`
}

// Count records what was counted beside what was expected; it changes no vial. A variance stands in the record until
// vials are found, moved or lost.
func (t *Tracker) Count(ctx context.Context, site string, a Actor, c Count) (Counted, error) {
	done := Counted{Counted: c.Counted}
	now := walltime.Cut(t.Now())
	at, err := when(c.At, now)
	if err != nil {
		return done, err
	}
	if c.Counted < 0 {
		return done, stock.Refuse("count", "", "a count is 0 or more")
	}
	err = t.in(ctx, site, a, access.Count, now, func(tx Tx) error {
		unit, shelf := stock.SplitPlace(c.Place)
		u, _, ok := tx.Site().UnitAt(unit)
		if !ok {
			return stock.Refuse("place", "", "there is no storage unit %q at %s", unit, site)
		}
		if _, ok := u.Shelf(shelf); !ok && shelf != "" {
			return stock.Refuse("place", "", "%s has no shelf %q", unit, shelf)
		}
		p, err := tx.Product(ctx, c.Product, 0)
		if err != nil {
			return err
		}
		if err := second(tx, access.Count, a, c.Witness, "", p, now); err != nil {
			return err
		}
		vials, err := tx.Find(ctx, VialQuery{Unit: unit, Product: c.Product, States: []stock.State{stock.InPreparation, stock.Available}})
		if err != nil {
			return err
		}
		done.Expected = 0
		for _, v := range vials {
			if shelf == "" || v.Shelf == shelf {
				done.Expected++
			}
		}
		e := event(tx, stock.Counted, a, at, now, stock.Body{
			Product: c.Product, To: c.Place, Counted: &done.Counted, Expected: &done.Expected, Reason: c.Reason, Witness: c.Witness,
		})
		if err := tx.Append(ctx, &e); err != nil {
			return err
		}
		done.Seq = e.Seq
		return nil
	})
	return done, err
}
