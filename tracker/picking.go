package tracker

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Pick is a vial to hand out.
type Pick struct {
	Vial    stock.Vial
	OutLeft *int // minutes of the product's allowed time out that no decision has taken; nil = it has none
}

// Picks is what to hand out, in order, and what stays and why.
type Picks struct {
	Take  []Pick
	Stays []Stays
	Short int // wanted, and not there
}

// Stays is a reason why vials are not handed out, and which.
type Stays struct {
	Why   string // code of the refusal
	Vials []stock.Vial
}

// PicksFor a destination now: what ends first goes first; of those that end together what has the least allowed time out of
// the refrigerator left. room "" = of all rooms. What may not be handed out is named with the reason.
func PicksFor(ctx context.Context, v View, product, room string, dest stock.Dest, count int, now time.Time) (Picks, error) {
	var out Picks
	all, err := v.Find(ctx, VialQuery{Product: product, States: []stock.State{stock.Available, stock.InPreparation}})
	if err != nil {
		return out, err
	}
	taken, err := minutesTaken(ctx, v)
	if err != nil {
		return out, err
	}
	stays := map[string][]stock.Vial{}
	now = walltime.Cut(now)
	for _, x := range all {
		if room != "" && roomOf(v.Site(), x.Unit) != room {
			continue
		}
		var no *stock.Refusal
		if err := x.Issuable(now, time.Duration(dest.MarginMinutes)*time.Minute, 0, v.Site().Location()); errors.As(err, &no) {
			stays[no.Code] = append(stays[no.Code], x)
			continue
		}
		p, err := v.Product(ctx, x.Product, x.Version)
		if err != nil {
			return out, err
		}
		pick := Pick{Vial: x}
		if p.AllowedOutMinutes != nil {
			left := *p.AllowedOutMinutes - taken[x.Code]
			pick.OutLeft = &left
		}
		out.Take = append(out.Take, pick)
	}
	slices.SortStableFunc(out.Take, byUrgency)
	if len(out.Take) < count {
		out.Short = count - len(out.Take)
	} else {
		out.Take = out.Take[:count]
	}
	for _, why := range []string{"on_hold", "expired", "short_life", "unverified"} {
		if len(stays[why]) > 0 {
			out.Stays = append(out.Stays, Stays{why, stays[why]})
		}
	}
	return out, nil
}

// byUrgency: the earlier end, then the less allowed time; a product without an allowance has none to spend, and comes after.
func byUrgency(a, b Pick) int {
	if c := a.Vial.BUD.Compare(b.Vial.BUD); c != 0 {
		return c
	}
	switch {
	case a.OutLeft == nil && b.OutLeft == nil:
		return 0
	case a.OutLeft == nil:
		return 1
	case b.OutLeft == nil:
		return -1
	}
	return cmp.Compare(*a.OutLeft, *b.OutLeft)
}

// minutesTaken of each vial's allowed time out, as pharmacists decided when they released it.
func minutesTaken(ctx context.Context, v View) (map[string]int, error) {
	released, err := v.Events(ctx, EventQuery{Kinds: []stock.Kind{stock.Released}})
	taken := map[string]int{}
	for _, e := range released {
		if e.Body.Minutes == nil {
			continue
		}
		for _, code := range e.Vials {
			taken[code] += *e.Body.Minutes
		}
	}
	return taken, err
}
