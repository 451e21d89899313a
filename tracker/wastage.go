package tracker

import (
	"context"
	"time"

	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Shortage is the arguments of recording that stock fell short.
type Shortage struct {
	Product string    `json:"product"`
	Vials   int       `json:"vials"` // wanted, and not there
	To      string    `json:"to,omitempty"`
	Order   string    `json:"order,omitempty"`
	Note    string    `json:"note,omitempty"`
	At      time.Time `json:"at,omitzero"`
}

// FellShort records a demand that stock did not meet: what waste has to be read beside.
func (t *Tracker) FellShort(ctx context.Context, site string, a Actor, s Shortage) (seq int64, err error) {
	now := walltime.Cut(t.Now())
	at, err := when(s.At, now)
	if err != nil {
		return 0, err
	}
	err = t.in(ctx, site, a, access.Short, now, func(tx Tx) error {
		p, err := tx.Product(ctx, s.Product, 0)
		if err != nil {
			return err
		}
		if s.Vials < 1 {
			return stock.Refuse("count", "", "%d vials: say how many were wanted and not there, at least one", s.Vials)
		}
		if _, ok := tx.Site().Destination(s.To); s.To != "" && !ok {
			return stock.Refuse("destination", "", "there is no destination %q at %s; name one of the site's, or leave it out", s.To, site)
		}
		e := event(tx, stock.FellShort, a, at, now, stock.Body{Product: p.Code, Counted: &s.Vials, To: s.To, Order: s.Order, Note: s.Note})
		err = tx.Append(ctx, &e)
		seq = e.Seq
		return err
	}, at)
	return seq, err
}

// Correction is the arguments of correcting why vials were discarded or lost.
type Correction struct {
	Vials  []string `json:"vials"`
	Reason string   `json:"reason"` // code of a waste cause
	Note   string   `json:"note"`   // why the first one was wrong
}

// CorrectCause gives vials that were discarded or lost another cause. The first one stays in the record; reports count the
// newest, and say how many were corrected.
func (t *Tracker) CorrectCause(ctx context.Context, site string, a Actor, c Correction) (Handled, error) {
	body := stock.Body{Reason: c.Reason, Note: c.Note}
	return t.handle(ctx, site, a, act{access.Correct, stock.CauseCorrected, c.Vials, time.Time{}, body}, func(tx Tx, _ []stock.Vial, _ *stock.Event) error {
		if err := causeKnown(tx.Site(), c.Reason); err != nil {
			return err
		}
		if c.Note == "" {
			return stock.Refuse("note", "", "say why the first cause was wrong")
		}
		return nil
	})
}
