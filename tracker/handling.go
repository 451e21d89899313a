package tracker

import (
	"context"
	"time"

	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Handled is the answer of an operation on vials: the event it became and the vials as they are now.
type Handled struct {
	Seq   int64
	Vials []stock.Vial
}

// act is one operation on vials as it is asked for.
type act struct {
	op    access.Operation
	kind  stock.Kind
	vials []string
	at    time.Time // zero = now
	body  stock.Body
}

// handle is the way of every operation that records one event of vials: settle the time and whether the actor may, load
// under lock, look, record.
// look may refuse, and may fill in the event's body from what it sees.
func (t *Tracker) handle(ctx context.Context, site string, a Actor, x act, look func(tx Tx, vials []stock.Vial, e *stock.Event) error) (Handled, error) {
	return t.handleThen(ctx, site, a, x, look, nil)
}

// handleThen is handle with what follows by rule from the event, in the same commit. then answers the vials as they are
// after it.
func (t *Tracker) handleThen(ctx context.Context, site string, a Actor, x act,
	look func(tx Tx, vials []stock.Vial, e *stock.Event) error, then func(tx Tx, e stock.Event, vials []stock.Vial) ([]stock.Vial, error),
) (Handled, error) {
	var done Handled
	if len(x.vials) == 0 {
		return done, stock.Refuse("empty", "", "no vial named; give at least one vial code")
	}
	now := walltime.Cut(t.Now())
	at, err := when(x.at, now)
	if err != nil {
		return done, err
	}
	err = t.in(ctx, site, a, x.op, now, func(tx Tx) error {
		vials, err := tx.Vials(ctx, x.vials)
		if err != nil {
			return err
		}
		e := event(tx, x.kind, a, at, now, x.body)
		for _, v := range vials {
			if err := notBefore(v, at, tx.Site().Location()); err != nil {
				return err
			}
		}
		if look != nil {
			if err := look(tx, vials, &e); err != nil {
				return err
			}
		}
		if err := a.sign(tx.Site(), x.op, &e); err != nil {
			return err
		}
		after, err := recordAll(ctx, tx, e, vials)
		if err != nil {
			return err
		}
		done = Handled{after[0].Seq, after}
		if then != nil {
			done.Vials, err = then(tx, e, after)
		}
		return err
	}, at)
	return done, err
}

// Several stands in an event for the places of vials that were not together.
const Several = "several"

// placeOf is where the vials are, in a word: their place, or Several.
func placeOf(vials []stock.Vial) string {
	for _, v := range vials {
		if v.Place() != vials[0].Place() {
			return Several
		}
	}
	return vials[0].Place()
}

// notBefore keeps a vial's own history in order: nothing can have happened to it before it was last seen.
func notBefore(v stock.Vial, at time.Time, zone *time.Location) error {
	if at.Before(v.LastSeen) {
		return stock.Refuse("order", v.Code, "was last recorded %s, after the time given; check the time", walltime.Say(v.LastSeen, zone))
	}
	return nil
}

// Label records that the vials' first labels are on: those printed last, where they were printed here.
func (t *Tracker) Label(ctx context.Context, site string, a Actor, vials []string, at time.Time) (Handled, error) {
	return t.handle(ctx, site, a, act{access.Label, stock.Labelled, vials, at, stock.Body{Label: 1}}, func(tx Tx, vials []stock.Vial, e *stock.Event) error {
		return sameNumber(ctx, tx, vials, e)
	})
}

// Verify records the check of the labelled vials by a person who did not prepare them, nor had a hand in it: whoever
// signed a step of the preparation is no second pair of eyes.
func (t *Tracker) Verify(ctx context.Context, site string, a Actor, vials []string, at time.Time) (Handled, error) {
	return t.handle(ctx, site, a, act{access.Verify, stock.Verified, vials, at, stock.Body{}}, func(tx Tx, vials []stock.Vial, _ *stock.Event) error {
		looked := map[string]bool{}
		for _, v := range vials {
			if looked[v.Batch] {
				continue
			}
			looked[v.Batch] = true
			b, err := tx.Batch(ctx, v.Batch)
			if err != nil {
				return err
			}
			for _, step := range b.Steps {
				if step.By == a.Person.Code {
					return stock.Refuse("same_person", v.Code, "%s did a step of its preparation, %q; another person must verify it", step.By, step.Name)
				}
			}
		}
		return nil
	})
}

// Issue is the arguments of issuing.
type Issue struct {
	Vials []string `json:"vials"`
	To    string   `json:"to"` // destination code
	Order string   `json:"order,omitempty"`
	Label int      `json:"label,omitempty"` // number of the label scanned; 0 = typed
	// Why stays on the shelf what ends earlier; needed where something does.
	Reason string    `json:"reason,omitempty"`
	At     time.Time `json:"at,omitzero"`
}

// Issue hands vials out. Every reason against it is looked at under the vials' lock, at the instant of issue.
func (t *Tracker) Issue(ctx context.Context, site string, a Actor, i Issue) (Handled, error) {
	return t.handle(ctx, site, a, act{access.Issue, stock.Issued, i.Vials, i.At, stock.Body{To: i.To, Order: i.Order, Label: i.Label, Reason: i.Reason}}, func(tx Tx, vials []stock.Vial, e *stock.Event) error {
		dest, ok := tx.Site().Destination(i.To)
		if !ok {
			return stock.Refuse("destination", "", "there is no destination %q at %s; name one of the site's", i.To, site)
		}
		for _, v := range vials {
			// An issue entered late was an issue of then; it is still refused for what holds the vial now.
			if err := v.Issuable(e.At, time.Duration(dest.MarginMinutes)*time.Minute, i.Label, tx.Site().Location()); err != nil {
				return err
			}
			if v.Unit != "" {
				continue
			}
			if stood, err := stoodTooLong(ctx, tx, v, e.At); err != nil || stood != "" {
				return orRefuse(err, "bench_time", v.Code, stood)
			}
		}
		e.Body.From = placeOf(vials)
		return earliestFirst(ctx, tx, vials, dest, e)
	})
}

func orRefuse(err error, code, vial, say string) error {
	if err != nil {
		return err
	}
	return stock.Refuse(code, vial, "%s", say)
}

// Give records that issued vials were given to someone; it closes them.
func (t *Tracker) Give(ctx context.Context, site string, a Actor, vials []string, at time.Time) (Handled, error) {
	return t.handle(ctx, site, a, act{access.Give, stock.Given, vials, at, stock.Body{}}, nil)
}

// Return takes issued vials back, always on hold; into a warmer class with the earlier date that has.
func (t *Tracker) Return(ctx context.Context, site string, a Actor, p Place) (Handled, error) {
	var warmer placedWarmer
	return t.handleThen(ctx, site, a, act{access.Return, stock.Returned, p.Vials, p.At, stock.Body{To: p.To, Reason: p.Note}}, func(tx Tx, vials []stock.Vial, e *stock.Event) error {
		u, err := storageFor(tx.Site(), p.To)
		if err != nil {
			return err
		}
		e.Body.From = vials[0].Dest
		warmer = placedWarmer{}
		for _, v := range vials {
			there, err := mayStay(ctx, tx, v, u, e.At)
			if err != nil && !isNoDate(err) {
				return err
			}
			warmer.note(v, there.BeyondUse, err)
		}
		return nil
	}, func(tx Tx, e stock.Event, after []stock.Vial) ([]stock.Vial, error) {
		return warmer.record(ctx, tx, e, after)
	})
}

// Find records a vial where it stands: one that was lost, or one recorded elsewhere. Where it was since it was last
// seen is unknown, so it counts as possibly in either place. It is recorded whatever the place is: what is wrong with it
// shortens or holds the vial, and so does a recall it escaped.
func (t *Tracker) Find(ctx context.Context, site string, a Actor, p Place) (Handled, error) {
	var warmer placedWarmer
	return t.handleThen(ctx, site, a, act{access.Find, stock.Found, p.Vials, p.At, stock.Body{To: p.To, Note: p.Note}}, func(tx Tx, vials []stock.Vial, e *stock.Event) error {
		u, err := storageFor(tx.Site(), p.To)
		if err != nil {
			return err
		}
		e.Body.From = placeOf(vials)
		warmer = placedWarmer{}
		for _, v := range vials {
			if e.Body.Since == nil || v.LastSeen.Before(*e.Body.Since) {
				e.Body.Since = stock.Ref(v.LastSeen)
			}
			if v.Place() == p.To && !v.State.Closed() {
				return stock.Refuse("there", v.Code, "is recorded at %s already", p.To)
			}
			if v.State == stock.WithWard {
				return stock.Refuse("wrong_state", v.Code, "is issued to %s; record its return instead", v.Dest)
			}
			there, err := mayStay(ctx, tx, v, u, v.LastSeen)
			if err != nil && !isRefusal(err) {
				return err
			}
			warmer.note(v, there.BeyondUse, err)
		}
		return nil
	}, func(tx Tx, e stock.Event, after []stock.Vial) ([]stock.Vial, error) {
		after, err := warmer.record(ctx, tx, e, after)
		if err != nil {
			return nil, err
		}
		return holdIfRecalled(ctx, tx, e, after)
	})
}
