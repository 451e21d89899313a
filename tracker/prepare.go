package tracker

import (
	"context"
	"time"

	"vialward/tracker/access"
	"vialward/tracker/beyonduse"
	"vialward/tracker/label"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Prepare is the arguments of preparing a batch. The beyond-use date is not among them: it is computed.
type Prepare struct {
	Product     string            `json:"product"`
	Count       int               `json:"count"` // finished vials for stock
	Area        string            `json:"area"`
	StartedAt   time.Time         `json:"started_at"`            // of preparation: the clock runs from here
	CompletedAt time.Time         `json:"completed_at,omitzero"` // now if left out
	Diluent     string            `json:"diluent,omitempty"`     // may be left out when the product has one
	Components  []stock.Component `json:"components"`
	Order       string            `json:"order,omitempty"` // reference; no patient identity
	Mix         *Mix              `json:"-"`
	Steps       []StepDone        `json:"steps,omitempty"` // the first of them, in their order; the rest are signed later
}

// Prepared is the answer: the batch with every limit that was looked at, and its vials.
type Prepared struct {
	Seq   int64
	Batch stock.Batch
	Vials []stock.Vial
}

// Prepare records a batch and its vials. It is refused where the area may not prepare, the product is a draft, a limit
// is missing or not confirmed, a component had ended, or more vials are claimed than were made.
func (t *Tracker) Prepare(ctx context.Context, site string, a Actor, p Prepare) (Prepared, error) {
	var out Prepared
	now := walltime.Cut(t.Now())
	started, completed, err := p.times(now)
	if err != nil {
		return out, err
	}
	err = t.in(ctx, site, a, access.Prepare, now, func(tx Tx) error {
		product, err := tx.Product(ctx, p.Product, 0)
		if err != nil {
			return err
		}
		if product.Hazardous {
			if err := access.MayHazardous(tx.Site(), a.Person.Code, access.Prepare, now, started, completed); err != nil {
				return err
			}
		}
		b, latest, ends, err := t.plan(ctx, tx, p, product, started, completed)
		if err != nil {
			return err
		}
		b.CompletedAt, b.PreparedBy, b.Order = completed, a.Person.Code, p.Order
		if b.Steps, err = p.signed(tx.Site(), a, b, now); err != nil {
			return err
		}
		if b.Mixture, err = p.mixture(product); err != nil {
			return err
		}
		e := event(tx, stock.Prepared, a, completed, now, stock.Body{
			Batch: b.Code, Product: product.Code, Version: product.Version, BUD: &b.BUD, Governs: b.Governs, Area: p.Area, Since: &started, Order: p.Order,
		})
		if product.Tested {
			e.Body.Hold, e.Body.Reason = stock.HoldTest, "sterility test result pending"
		}
		out.Batch = b
		out.Vials, err = makeVials(ctx, tx, &e, b, latest, ends)
		out.Seq = e.Seq
		return err
	}, started, completed)
	return out, err
}

// makeVials stores a batch and as many new vials as it says.
func makeVials(ctx context.Context, tx Tx, e *stock.Event, b stock.Batch, latest time.Time, ends []time.Time) ([]stock.Vial, error) {
	code, err := label.ParseBatchCode(b.Code)
	if err != nil {
		return nil, err
	}
	if _, err := label.NewCode(code, b.Made); err != nil {
		return nil, stock.Refuse("count", "", "%d vials in one batch are too many for its codes: %s", b.Made, err)
	}
	if err := tx.NewBatch(b, latest, ends); err != nil {
		return nil, err
	}
	vials := make([]stock.Vial, b.Made)
	for i := range vials {
		vials[i] = stock.Vial{Site: tx.Site().ID, Code: label.Code(b.Code, i+1), Serial: i + 1}
	}
	after, err := recordAll(ctx, tx, *e, vials)
	if err == nil {
		e.Seq = after[0].Seq
	}
	return after, err
}

func (p Prepare) times(now time.Time) (started, completed time.Time, err error) {
	if p.StartedAt.IsZero() {
		return started, completed, stock.Refuse("times", "", "say when preparation started: the beyond-use date counts from there")
	}
	if completed, err = when(p.CompletedAt, now); err != nil {
		return started, completed, err
	}
	started = walltime.Cut(p.StartedAt)
	switch {
	case started.After(completed):
		return started, completed, stock.Refuse("times", "", "preparation started %s after it was completed; check both times", started.Sub(completed).Round(time.Second))
	case p.Count < 1:
		return started, completed, stock.Refuse("count", "", "%d vials: a batch has at least one", p.Count)
	}
	return started, completed, nil
}

// plan settles everything about a batch that follows from rules: category, BUD, code. latest is the earliest candidate,
// ends those of the components, for the schema to hold the batch to.
func (t *Tracker) plan(ctx context.Context, tx Tx, p Prepare, product stock.Product, started, completed time.Time) (b stock.Batch, latest time.Time, ends []time.Time, err error) {
	b, err = limited(ctx, tx, p, product, started, completed)
	if err != nil {
		return b, latest, nil, err
	}
	zone := tx.Site().Location()
	local := started.In(zone)
	number, err := tx.NextNumber(ctx, "batch "+local.Format("060102"))
	if err != nil {
		return b, latest, nil, err
	}
	// The number holds the site's order: a recall comes before this or after it.
	if err := noneRecalled(ctx, tx, b.Components); err != nil {
		return b, latest, nil, err
	}
	code, err := label.NewBatchCode(local.Year(), local.Month(), local.Day(), int(number))
	if err != nil {
		return b, latest, nil, stock.Refuse("batch", "", "%s", err)
	}
	b.Code = code.String()
	return b, b.BUD, componentEnds(b.Components, zone), nil
}

func noneRecalled(ctx context.Context, v View, components []stock.Component) error {
	recalls, err := openRecalls(ctx, v)
	if err != nil {
		return err
	}
	if why := recalled(recalls, "", components); why != "" {
		return stock.Refuse("recalled", "", "a component's lot is recalled (%s). Put what is left of it aside and use another lot", why)
	}
	return nil
}

// limited is a batch with all that follows from its product, area, times and components, but for its number.
func limited(ctx context.Context, v View, p Prepare, product stock.Product, started, completed time.Time) (stock.Batch, error) {
	var b stock.Batch
	if product.DraftBecause != "" || product.ApprovedBy == "" {
		return b, stock.Refuse("draft", "", "%s, version %d, is a draft: %s", product.FullName(), product.Version, orWords(product.DraftBecause, "no pharmacist has approved it"))
	}
	area, err := v.Area(ctx, p.Area)
	if err != nil {
		return b, err
	}
	allowed, why := categoryWithin(area, started, completed)
	if allowed == "" {
		return b, stock.Refuse("area", "", "no preparation in %s: %s", orWords(area.Name, area.Code), orWords(why, "it has no category at that time"))
	}
	components, err := product.Match(p.Components)
	if err != nil {
		return b, err
	}
	diluent, err := product.DiluentOf(components, p.Diluent)
	if err != nil {
		return b, err
	}
	in, err := budInput(v.Site(), product, components, started, beyonduse.Lower(product.Category, allowed), diluent, product.Concentration())
	if err != nil {
		return b, err
	}
	for _, c := range components {
		if err := usable(c, started, completed, in.Zone); err != nil {
			return b, err
		}
	}
	answer, err := compute(beyonduse.Compute(in))
	if err != nil {
		return b, err
	}
	return stock.Batch{
		Site: v.Site().ID, Product: product.Code, Version: product.Version, Area: p.Area, Category: in.Sterility.Category,
		StartedAt: started, BUD: answer.BeyondUse, Governs: answer.GovernedBy, Candidates: answer.Candidates, Components: components, Made: p.Count,
		Diluent: diluent, Concentration: product.Concentration(),
	}, nil
}

// categoryWithin is the lowest category an area had at any time from the start of a preparation to its end.
func categoryWithin(area stock.Area, from, to time.Time) (category, why string) {
	category, why = area.CategoryAt(from)
	for _, s := range area.Statuses {
		if s.From.Before(from) || s.From.After(to) || category == "" {
			continue
		}
		now, reason := area.CategoryAt(s.From)
		if category = beyonduse.Lower(category, now); category == now {
			why = reason
		}
	}
	return category, why
}

// usable refuses a component that was open before and had ended when it was used. It was used within this preparation.
func usable(c stock.Component, started, completed time.Time, zone *time.Location) error {
	if !c.UsedAt.IsZero() && (c.UsedAt.Before(started) || c.UsedAt.After(completed)) {
		return stock.Refuse("component", "", "%s, lot %s, is said to have been used %s, outside this preparation, from %s to %s; check the time",
			c.Name, c.Lot, walltime.Say(c.UsedAt, zone), walltime.Say(started, zone), walltime.Say(completed, zone))
	}
	if err := beyonduse.InUse(c, started, zone, beyonduse.ShippedInUse()); err != nil {
		return stock.Refuse("component", "", "%s", err)
	}
	return nil
}

func orWords(s, otherwise string) string {
	if s != "" {
		return s
	}
	return otherwise
}
