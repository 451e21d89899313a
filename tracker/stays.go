package tracker

import (
	"context"
	"slices"
	"time"

	"vialward/tracker/stock"
)

// linger hands over where a vial may have been without anybody having recorded it, so that an excursion of that place
// touches it. A found vial may have been in its new place since it was last seen, and, if it was lost, in its old one
// until now. One of which it is entered late that it left, while something holds it for having been there, may have been
// there until it was entered: only a pharmacist takes a hold off, never a time that is typed in.
func linger(ctx context.Context, tx Tx, e stock.Event, v stock.Vial) error {
	next, err := v.Apply(e)
	if err != nil {
		return err
	}
	var may []Stay
	if e.Kind == stock.Found {
		if v.LastSeen.Before(e.At) && next.Unit != "" {
			may = append(may, Stay{Vial: v.Code, Unit: next.Unit, Shelf: next.Shelf, From: v.LastSeen, To: e.At})
		}
		if v.State == stock.WasLost {
			stays, err := tx.Stays(ctx, v.Code)
			if err != nil {
				return err
			}
			last := lastEnded(stays, e.At)
			old := Stay{Vial: v.Code, Unit: last.Unit, Shelf: last.Shelf, From: last.To, To: e.At}
			same := func(s Stay) bool { return s.Place() == old.Place() && s.From.Equal(old.From) }
			if last.Unit != "" && !slices.ContainsFunc(may, same) {
				may = append(may, old)
			}
		}
	}
	left := v.Unit != "" && (v.Unit != next.Unit || v.Shelf != next.Shelf)
	if left && len(v.Touches) > 0 && e.At.Before(e.EnteredAt) {
		may = append(may, Stay{Vial: v.Code, Unit: v.Unit, Shelf: v.Shelf, From: e.At, To: e.EnteredAt})
	}
	for _, s := range may {
		tx.Linger(s)
	}
	return nil
}

// lastEnded is the last certain stay that ended before an instant; none = the zero Stay.
func lastEnded(stays []Stay, before time.Time) (last Stay) {
	for _, s := range stays {
		if !s.Possible && !s.To.IsZero() && s.To.Before(before) && s.To.After(last.To) {
			last = s
		}
	}
	return last
}
