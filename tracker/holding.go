package tracker

import (
	"context"
	"slices"
	"time"

	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Hold is the arguments of holding and of lifting a hold.
type Hold struct {
	Vials   []string  `json:"vials"`
	Kind    string    `json:"kind"` // manual, recall, count, test pending, return, found
	Reason  string    `json:"reason"`
	Witness string    `json:"witness,omitempty"` // second person, where a hold is lifted and the product asks for two
	At      time.Time `json:"at,omitzero"`
}

// Hold puts a hold over vials. Whoever works at the site may: it is the safe direction.
func (t *Tracker) Hold(ctx context.Context, site string, a Actor, h Hold) (Handled, error) {
	if h.Kind == "" {
		h.Kind = stock.HoldManual
	}
	if !slices.Contains([]string{stock.HoldManual, stock.HoldRecall, stock.HoldCount, stock.HoldTest}, h.Kind) {
		return Handled{}, stock.Refuse("kind", "", "%q is not a hold people place; use manual, recall, count or test pending", h.Kind)
	}
	if h.Reason == "" {
		return Handled{}, stock.Refuse("reason", "", "a hold needs a reason")
	}
	return t.handle(ctx, site, a, act{access.Hold, stock.Held, h.Vials, h.At, stock.Body{Hold: h.Kind, Reason: h.Reason}}, nil)
}

// Lift takes one kind of a vial's own holds off. The relabel hold is not lifted but ended by its new label.
func (t *Tracker) Lift(ctx context.Context, site string, a Actor, h Hold) (Handled, error) {
	if h.Kind == stock.HoldRelabel {
		return Handled{}, stock.Refuse("relabel", "", "only scanning the new label ends the relabel hold")
	}
	if h.Reason == "" {
		return Handled{}, stock.Refuse("reason", "", "lifting a hold needs its basis as reason")
	}
	return t.handle(ctx, site, a, act{access.Lift, stock.Lifted, h.Vials, h.At, stock.Body{Hold: h.Kind, Reason: h.Reason, Witness: h.Witness}}, func(tx Tx, vials []stock.Vial, e *stock.Event) error {
		if err := secondOfEach(ctx, tx, access.Lift, a, h.Witness, vials, e.EnteredAt); err != nil {
			return err
		}
		return reviveNothing(vials, e.EnteredAt, tx.Site().Location())
	})
}

// reviveNothing: a release is looked at with the clock of this instant. What has expired while it was on hold stays
// dead, and is to be discarded.
func reviveNothing(vials []stock.Vial, now time.Time, zone *time.Location) error {
	for _, v := range vials {
		if !now.Before(v.BUD) {
			return stock.Refuse("expired", v.Code, "expired %s, while on hold: a release never revives it. Discard it", walltime.Say(v.BUD, zone))
		}
	}
	return nil
}

// Release is a pharmacist's decision to take an excursion's holds off vials.
type Release struct {
	Case    int64      `json:"case"`
	Vials   []string   `json:"vials"`
	Basis   string     `json:"basis"`
	Minutes *int       `json:"minutes_out,omitempty"` // out of the refrigerator, as decided
	BUD     *time.Time `json:"beyond_use,omitempty"`  // an earlier one, if any
	Witness string     `json:"witness,omitempty"`     // second person, where the product asks for two
	At      time.Time  `json:"at,omitzero"`
}

// Release takes off every hold of one case that meets the vials, after looking at BUD, recall and other holds again:
// those stay. It never lengthens anything.
func (t *Tracker) Release(ctx context.Context, site string, a Actor, r Release) (Handled, error) {
	if r.Basis == "" {
		return Handled{}, stock.Refuse("reason", "", "a release needs its basis")
	}
	if len(r.Vials) == 0 {
		return Handled{}, stock.Refuse("empty", "", "no vial named; a release names each vial it is for")
	}
	b := stock.Body{Case: r.Case, Reason: r.Basis, Minutes: r.Minutes, BUD: r.BUD, Witness: r.Witness}
	var touched map[int64][]TouchedVial
	var holds []HoldRow
	now := walltime.Cut(t.Now())
	at, err := when(r.At, now)
	if err != nil {
		return Handled{}, err
	}
	var done Handled
	err = t.in(ctx, site, a, access.Release, now, func(tx Tx) error {
		vials, err := tx.Vials(ctx, r.Vials)
		if err != nil {
			return err
		}
		if err := t.mayRelease(ctx, tx, a, r, vials, now); err != nil {
			return err
		}
		if holds, touched, err = holdsOver(ctx, tx, r.Case, vials); err != nil {
			return err
		}
		for _, h := range holds {
			if err := releaseFrom(tx, h, touched[h.ID], vials); err != nil {
				return err
			}
		}
		e := event(tx, stock.Released, a, at, now, b)
		if err := a.sign(tx.Site(), access.Release, &e); err != nil {
			return err
		}
		after, err := recordAll(ctx, tx, e, vials)
		if err != nil {
			return err
		}
		done = Handled{after[0].Seq, after}
		return nil
	}, at)
	return done, err
}

func (t *Tracker) mayRelease(ctx context.Context, tx Tx, a Actor, r Release, vials []stock.Vial, now time.Time) error {
	zone := tx.Site().Location()
	if err := reviveNothing(vials, now, zone); err != nil {
		return err
	}
	for _, v := range vials {
		if v.State.Closed() {
			return stock.Refuse("gone", v.Code, "already gone: %s", v.State)
		}
		if r.BUD != nil && r.BUD.After(v.BUD) {
			return stock.Refuse("later", v.Code, "a beyond-use date never moves later than %s", walltime.Say(v.BUD, zone))
		}
		if r.BUD != nil {
			if err := sensibleBUD(ctx, tx, v, *r.BUD); err != nil {
				return err
			}
		}
		if !slices.ContainsFunc(v.Touches, func(o stock.Touch) bool { return o.Case == r.Case }) {
			return stock.Refuse("no_hold", v.Code, "is not on hold for case %d", r.Case)
		}
		p, err := tx.Product(ctx, v.Product, v.Version)
		if err != nil {
			return err
		}
		if err := second(tx, access.Release, a, r.Witness, v.Code, p, now); err != nil {
			return err
		}
	}
	return nil
}

// holdsOver finds the case's holds that meet any of the vials.
func holdsOver(ctx context.Context, tx Tx, caseNo int64, vials []stock.Vial) ([]HoldRow, map[int64][]TouchedVial, error) {
	all, err := tx.Holds(ctx, caseNo)
	if err != nil {
		return nil, nil, err
	}
	touched := map[int64][]TouchedVial{}
	var holds []HoldRow
	for _, h := range all {
		meets := func(v stock.Vial) bool {
			return slices.ContainsFunc(v.Touches, func(o stock.Touch) bool { return o.HoldID == h.ID })
		}
		if !slices.ContainsFunc(vials, meets) {
			continue
		}
		if touched[h.ID], err = tx.Touched(ctx, h.ID); err != nil {
			return nil, nil, err
		}
		holds = append(holds, h)
	}
	return holds, touched, nil
}

// releaseFrom releases vials from one hold up to where their exposure has ended: the hold's end or their leaving.
func releaseFrom(tx Tx, h HoldRow, touched []TouchedVial, vials []stock.Vial) error {
	ends := map[string]time.Time{}
	for _, v := range touched {
		end := h.To
		if left := v.Stay.To; !left.IsZero() && (end.IsZero() || left.Before(end)) {
			end = left
		}
		if end.IsZero() {
			ends[v.Vial.Code] = time.Time{}
			continue
		}
		if old, seen := ends[v.Vial.Code]; !seen || (!old.IsZero() && end.After(old)) {
			ends[v.Vial.Code] = end
		}
	}
	byEnd := map[time.Time][]string{}
	for _, v := range vials {
		end, met := ends[v.Code]
		if !met {
			continue
		}
		if end.IsZero() {
			return stock.Refuse("still_out", v.Code, "is in %s, which is not back in range yet; move it or wait", h.Unit)
		}
		byEnd[end] = append(byEnd[end], v.Code)
	}
	for end, codes := range byEnd {
		tx.Release(h, codes, end)
	}
	return nil
}

// Shorten is a pharmacist's decision for an earlier beyond-use date.
type Shorten struct {
	Vials  []string  `json:"vials"`
	BUD    time.Time `json:"beyond_use"`
	Reason string    `json:"reason"`
	At     time.Time `json:"at,omitzero"`
}

// Shorten moves beyond-use dates earlier; the vials wait on the relabel hold.
func (t *Tracker) Shorten(ctx context.Context, site string, a Actor, s Shorten) (Handled, error) {
	if s.Reason == "" {
		return Handled{}, stock.Refuse("reason", "", "shortening needs a reason")
	}
	bud := walltime.CutMinute(s.BUD)
	return t.handle(ctx, site, a, act{access.Shorten, stock.Shortened, s.Vials, s.At, stock.Body{BUD: &bud, Reason: s.Reason}}, func(tx Tx, vials []stock.Vial, _ *stock.Event) error {
		for _, v := range vials {
			if !v.State.Closed() && !bud.Before(v.BUD) {
				return stock.Refuse("later", v.Code, "a beyond-use date never moves later: it is %s now", walltime.Say(v.BUD, tx.Site().Location()))
			}
			if err := sensibleBUD(ctx, tx, v, bud); err != nil {
				return err
			}
		}
		return nil
	})
}

// sensibleBUD refuses a date from before the vial was made: it was left out or mistyped, and could never be undone.
func sensibleBUD(ctx context.Context, tx Tx, v stock.Vial, bud time.Time) error {
	b, err := tx.Batch(ctx, v.Batch)
	if err == nil && bud.Before(b.StartedAt) {
		zone := tx.Site().Location()
		return stock.Refuse("bud", v.Code, "%s lies before it was made, %s; check the date", walltime.Say(bud, zone), walltime.Say(b.StartedAt, zone))
	}
	return err
}

// Relabel records that new labels are on, by their scan: it ends the relabel hold, and the old code answers "old label".
func (t *Tracker) Relabel(ctx context.Context, site string, a Actor, vials []string, reason string, at time.Time) (Handled, error) {
	return t.handle(ctx, site, a, act{access.Relabel, stock.Relabel, vials, at, stock.Body{Reason: reason}}, func(tx Tx, vs []stock.Vial, e *stock.Event) error {
		for _, v := range vs {
			if v.Label == 0 {
				return stock.Refuse("wrong_state", v.Code, "has no label yet; label it first")
			}
			if v.Label != vs[0].Label {
				return stock.Refuse("labels", v.Code, "carries label number %d and %s number %d; relabel them one after the other", v.Label, vs[0].Code, vs[0].Label)
			}
			e.Body.Label = v.Label + 1
		}
		return sameNumber(ctx, tx, vs, e)
	})
}

// secondOfEach looks for the second person of every vial's product.
func secondOfEach(ctx context.Context, tx Tx, op access.Operation, a Actor, witness string, vials []stock.Vial, now time.Time) error {
	for _, v := range vials {
		p, err := tx.Product(ctx, v.Product, v.Version)
		if err != nil {
			return err
		}
		if err := second(tx, op, a, witness, v.Code, p, now); err != nil {
			return err
		}
	}
	return nil
}
