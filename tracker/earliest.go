package tracker

import (
	"context"
	"slices"
	"strings"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// earliestFirst holds an issue to the order in which vials end: whoever leaves behind in the same room what ends earlier
// and could have been handed out as well says why, and the event keeps how many went before their turn. An issue entered
// late is a fact: what stood beside it then is no longer known, so nothing is asked and nothing counted.
func earliestFirst(ctx context.Context, tx Tx, vials []stock.Vial, dest stock.Dest, e *stock.Event) error {
	if e.EnteredAt.Sub(e.At) > time.Minute {
		return nil
	}
	first := map[[2]string]*stock.Vial{} // left behind, by product and room
	for _, v := range vials {
		key := [2]string{v.Product, roomOf(tx.Site(), v.Unit)}
		left, looked := first[key]
		if !looked {
			var err error
			if left, err = firstLeft(ctx, tx, key[0], key[1], vials, dest, e.At); err != nil {
				return err
			}
			first[key] = left
		}
		if left == nil || !left.BUD.Before(v.BUD) {
			continue
		}
		if strings.TrimSpace(e.Body.Reason) == "" {
			return stock.Refuse("not_earliest", v.Code, "%s at %s ends earlier, %s: take that one, or say why not",
				left.Code, left.Place(), walltime.Say(left.BUD, tx.Site().Location()))
		}
		e.Body.PassedOver++
	}
	return nil
}

// firstLeft is the vial of a product that ends first of those in a room that could be handed out and are not; nil = none.
func firstLeft(ctx context.Context, tx Tx, product, room string, taken []stock.Vial, dest stock.Dest, at time.Time) (*stock.Vial, error) {
	if room == "" {
		return nil, nil //nolint:nilnil // from the preparation area: nothing stands beside it in a walking order
	}
	all, err := tx.Find(ctx, VialQuery{Product: product, States: []stock.State{stock.Available}})
	if err != nil {
		return nil, err
	}
	var first *stock.Vial
	for _, v := range all {
		switch {
		case roomOf(tx.Site(), v.Unit) != room, slices.ContainsFunc(taken, func(t stock.Vial) bool { return t.Code == v.Code }):
		case v.Issuable(at, time.Duration(dest.MarginMinutes)*time.Minute, 0, tx.Site().Location()) != nil:
		case first == nil || v.BUD.Before(first.BUD):
			first = &v
		}
	}
	return first, nil
}

// roomOf a storage unit; "" where it is none.
func roomOf(s *stock.Site, unit string) string {
	_, room, _ := s.UnitAt(unit)
	return room.Code
}
