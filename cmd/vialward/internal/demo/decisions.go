package demo

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// newest first, then by code.
func newest(vials []stock.Vial) {
	slices.SortFunc(vials, func(a, b stock.Vial) int {
		if c := b.BUD.Compare(a.BUD); c != 0 {
			return c
		}
		return strings.Compare(b.Code, a.Code)
	})
}

// caseOf is a unit's newest case of a kind.
func (s *Story) caseOf(ctx context.Context, unit, kind string) (c tracker.Case, err error) {
	err = s.read(ctx, func(v tracker.View) error {
		all, err := v.Cases(ctx, tracker.CaseQuery{Unit: unit})
		for _, x := range all {
			if x.Kind == kind && x.No > c.No {
				c = x
			}
		}
		return err
	})
	if err == nil && c.No == 0 {
		err = fmt.Errorf("the story needs a case of kind %s in %s, and there is none", kind, unit)
	}
	return c, err
}

// touched lists what a case still holds, once each.
func (s *Story) touched(ctx context.Context, caseNo int64) (out []stock.Vial, err error) {
	err = s.read(ctx, func(v tracker.View) error {
		holds, err := v.Holds(ctx, caseNo)
		if err != nil {
			return err
		}
		seen := map[string]bool{}
		for _, h := range holds {
			all, err := v.Touched(ctx, h.ID)
			if err != nil {
				return err
			}
			for _, x := range all {
				if !x.Released && !x.Vial.State.Closed() && !seen[x.Vial.Code] {
					seen[x.Vial.Code] = true
					out = append(out, x.Vial)
				}
			}
		}
		return nil
	})
	slices.SortFunc(out, func(a, b stock.Vial) int { return strings.Compare(a.Code, b.Code) })
	return out, err
}

// verdict is how a pharmacist decides on what a case touched.
type verdict struct {
	unit, kind string
	by         string
	minutes    int                                // out of the refrigerator
	basis      string                             // of what is released
	apart      func(stock.Vial) bool              // decided by another step; nil = none
	shorter    func(stock.Vial) (time.Time, bool) // an earlier date; nil = none
}

// decide goes through what a case holds: what has expired meanwhile and what was out too long is discarded, the rest is
// released.
func (s *Story) decide(ctx context.Context, d verdict) error {
	c, err := s.caseOf(ctx, d.unit, d.kind)
	if err != nil {
		return err
	}
	vials, err := s.touched(ctx, c.No)
	if err != nil {
		return err
	}
	past := map[string][]stock.Vial{}
	warm := map[string][]stock.Vial{}
	var fine []stock.Vial
	for _, v := range vials {
		p, _ := s.product(v.Product)
		switch {
		case s.missing[v.Code] || d.apart != nil && d.apart(v):
		case !s.clock.Now().Before(v.BUD) && v.State == stock.WithWard: // with its ward; it was given or will come back
		case !s.clock.Now().Before(v.BUD):
			past[v.Product] = append(past[v.Product], v)
		case p.AllowedOutMinutes == nil || d.minutes > *p.AllowedOutMinutes:
			warm[v.Product] = append(warm[v.Product], v)
		default:
			fine = append(fine, v)
		}
	}
	for _, r := range recipes {
		if len(past[r.code]) > 0 { // somebody tries, and is told
			_, err := s.t.Release(ctx, Site, s.who(d.by), tracker.Release{Case: c.No, Vials: codes(past[r.code][:1]), Basis: d.basis, Witness: s.beside(d.by)})
			if err := s.refused(err); err != nil {
				return err
			}
		}
		if err := s.discard(ctx, d.by, past[r.code], "expired", c.No, "expired before the decision"); err != nil {
			return err
		}
		note := fmt.Sprintf("%d minutes above 8 °C, more than allowed", d.minutes)
		if err := s.discard(ctx, d.by, warm[r.code], "excursion", c.No, note); err != nil {
			return err
		}
	}
	return s.release(ctx, d, c.No, fine)
}

// release takes the case off vials, batch by batch where dates are shortened.
func (s *Story) release(ctx context.Context, d verdict, caseNo int64, vials []stock.Vial) error {
	groups := map[time.Time][]string{}
	var dates []time.Time
	for _, v := range vials {
		var bud time.Time
		if d.shorter != nil {
			bud, _ = d.shorter(v)
		}
		if groups[bud] == nil {
			dates = append(dates, bud)
		}
		groups[bud] = append(groups[bud], v.Code)
	}
	slices.SortFunc(dates, time.Time.Compare)
	for _, bud := range dates {
		r := tracker.Release{Case: caseNo, Vials: groups[bud], Basis: d.basis, Witness: s.beside(d.by)}
		if d.minutes > 0 {
			r.Minutes = &d.minutes
		}
		if !bud.IsZero() {
			r.BUD = &bud
		}
		if _, err := s.t.Release(ctx, Site, s.who(d.by), r); err != nil {
			return err
		}
	}
	return nil
}
