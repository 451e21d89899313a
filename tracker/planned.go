package tracker

import (
	"context"
	"time"

	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Planned is a batch as it would be recorded now.
type Planned struct {
	Batch   stock.Batch // without its number
	Mixture *stock.Mixture
}

// PreviewPrepare works out what Prepare would record, and records nothing. What is wrong is an error as there; a start that
// is not known yet counts as now.
func (t *Tracker) PreviewPrepare(ctx context.Context, v View, a Actor, p Prepare) (Planned, error) {
	var out Planned
	now := walltime.Cut(t.Now())
	if p.StartedAt.IsZero() {
		p.StartedAt = now
	}
	started, completed, err := p.times(now)
	if err != nil {
		return out, err
	}
	product, err := v.Product(ctx, p.Product, 0)
	if err != nil {
		return out, err
	}
	if err := a.may(v.Site(), access.Prepare, now, started, completed); err != nil {
		return out, err
	}
	if product.Hazardous {
		if err := access.MayHazardous(v.Site(), a.Person.Code, access.Prepare, now, started, completed); err != nil {
			return out, err
		}
	}
	if out.Mixture, err = p.mixture(product); err != nil {
		return out, err
	}
	if out.Batch, err = limited(ctx, v, p, product, started, completed); err != nil {
		return out, err
	}
	out.Batch.CompletedAt = completed
	if _, err = p.signed(v.Site(), a, out.Batch, now); err != nil {
		return out, err
	}
	return out, noneRecalled(ctx, v, out.Batch.Components)
}

// Supply is how long what is on hand lasts, by what was asked for lately.
type Supply struct {
	OnHand   int       // issuable now
	FirstBUD time.Time // of those
	Issued   int       // within the days looked at
	Short    int       // wanted then, and not there
	Days     int       // looked at: DemandDays, or as long as there is a record
}

// DemandDays is how far back demand is looked at: two weeks have two of each weekday. Our own choice.
const DemandDays = 14

// TenthsOfDays is how long the vials on hand last at that demand; false where nothing was asked for.
func (s Supply) TenthsOfDays() (int, bool) {
	wanted := s.Issued + s.Short
	if wanted == 0 || s.Days == 0 {
		return 0, false
	}
	return s.OnHand * s.Days * 10 / wanted, true
}

// SupplyOf a product now.
func SupplyOf(ctx context.Context, v View, product string, now time.Time) (Supply, error) {
	var s Supply
	all, err := v.Find(ctx, VialQuery{Product: product, States: []stock.State{stock.Available}})
	if err != nil {
		return s, err
	}
	zone := v.Site().Location()
	for _, x := range all {
		if x.Issuable(now, 0, 0, zone) == nil {
			s.OnHand++
			if s.FirstBUD.IsZero() || x.BUD.Before(s.FirstBUD) {
				s.FirstBUD = x.BUD
			}
		}
	}
	first, err := v.Events(ctx, EventQuery{Limit: 1})
	if err != nil || len(first) == 0 {
		return s, err
	}
	s.Days = min(DemandDays, max(1, int(now.Sub(first[0].EnteredAt)/(24*time.Hour))))
	events, err := v.Events(ctx, EventQuery{Kinds: []stock.Kind{stock.Issued, stock.FellShort}, From: now.Add(-time.Duration(s.Days) * 24 * time.Hour), To: now.Add(time.Microsecond)}) // what happens now counts
	if err != nil {
		return s, err
	}
	var codes []string
	for _, e := range events {
		if e.Kind == stock.FellShort && e.Body.Product == product && e.Body.Counted != nil {
			s.Short += *e.Body.Counted
		}
		codes = append(codes, e.Vials...)
	}
	if len(codes) == 0 {
		return s, nil
	}
	handed, err := v.Find(ctx, VialQuery{Product: product, Codes: codes})
	s.Issued = len(handed)
	return s, err
}
