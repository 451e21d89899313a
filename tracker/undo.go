package tracker

import (
	"context"
	"fmt"
	"slices"
	"time"

	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// UndoWithin is how long a move may be taken back as a slip of whoever made it.
const UndoWithin = time.Minute

// Undoable says why the event cannot be taken back by its own reverse, or nil. Only a move can: the vials stand where they
// stood. What was handed out, given, thrown away, put on hold or ended earlier has no reverse that is true.
func Undoable(e stock.Event, vials []stock.Vial, a Actor, now time.Time) error {
	switch {
	case e.Kind != stock.Moved:
		return stock.Refuse("undo", "", "only a move can be taken back; record what is so now")
	case e.By != a.Person.Code:
		return stock.Refuse("undo", "", "only whoever made the move takes it back: %s did", e.By)
	case now.Sub(e.EnteredAt) > UndoWithin:
		return stock.Refuse("undo", "", "a move is taken back within a minute; after that, move the vials")
	case e.Body.From == Several || e.Body.From == "":
		return stock.Refuse("undo", "", "the vials came from several places; move each back to its own")
	case e.Body.BUD != nil || e.Body.Hold != "":
		return stock.Refuse("undo", "", "the move changed more than the place, and that stays; move the vials")
	}
	for _, v := range vials {
		if v.Seq != e.Seq {
			return stock.Refuse("undo", v.Code, "something else was recorded of it since; look at it first")
		}
	}
	return nil
}

// UndoMove puts vials back to where a move of a moment ago took them from: a new event, which says what it takes back.
func (t *Tracker) UndoMove(ctx context.Context, site string, a Actor, seq int64) (Handled, error) {
	now := walltime.Cut(t.Now())
	var e stock.Event
	err := t.Store.Read(ctx, site, func(v View) error {
		all, err := v.Events(ctx, EventQuery{AfterSeq: seq - 1, Limit: 1})
		if err == nil && (len(all) == 0 || all[0].Seq != seq) {
			err = NotFound("record", fmt.Sprint(seq))
		}
		if err == nil {
			e = all[0]
		}
		return err
	})
	if err != nil {
		return Handled{}, err
	}
	back := stock.Body{To: e.Body.From, Note: fmt.Sprintf("takes back record %d: a slip", seq)}
	return t.handle(ctx, site, a, act{access.Place, stock.Moved, slices.Clone(e.Vials), now, back}, func(tx Tx, vials []stock.Vial, x *stock.Event) error {
		unit, err := storageFor(tx.Site(), e.Body.From)
		if err != nil {
			return err
		}
		if err := Undoable(e, vials, a, now); err != nil {
			return err
		}
		for _, v := range vials {
			p, err := placing(ctx, tx, v, unit, e.Body.From, x.At)
			switch {
			case err != nil:
				return err
			case p.Refused != nil:
				return p.Refused
			case p.Shorter():
				return stock.Refuse("undo", v.Code, "standing there again would end it earlier; move it, and accept that")
			}
		}
		x.Body.From = placeOf(vials)
		return nil
	})
}
