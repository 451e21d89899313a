package tracker

import (
	"context"
	"fmt"
	"slices"
	"time"

	"vialward/alerts"
	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// SetArea says what a preparation area may do from an instant on: a category, or none. Overdue certification and
// breakdowns are entered here; what is prepared there afterwards follows.
func (t *Tracker) SetArea(ctx context.Context, site string, a Actor, area string, s stock.AreaStatus) error {
	if !slices.Contains([]string{"", "1", "2", "3"}, s.Category) {
		return stock.Refuse("category", "", "category %q does not exist; use 1, 2 or 3, or none for no preparation", s.Category)
	}
	if s.Reason == "" {
		return stock.Refuse("reason", "", "say why the area's category changes")
	}
	now := walltime.Cut(t.Now())
	from, err := when(s.From, now)
	if err != nil {
		return err
	}
	s.From = from
	return t.in(ctx, site, a, access.SetArea, now, func(tx Tx) error {
		if _, ok := tx.Site().Area(area); !ok {
			return stock.Refuse("area", "", "there is no preparation area %q at %s", area, site)
		}
		before, err := tx.Area(ctx, area)
		if err != nil {
			return err
		}
		was, _ := before.CategoryAt(s.From)
		e := event(tx, stock.AreaSet, a, s.From, now, stock.Body{Area: area, Note: "category " + s.Category, Reason: s.Reason})
		tx.SetArea(area, s)
		if err := tx.Append(ctx, &e); err != nil {
			return err
		}
		if s.Category >= was { // "" < "1" < "2" < "3": only what an area may do less of is news
			return nil
		}
		batches, err := preparedSince(ctx, tx, area, s.From)
		if err != nil {
			return err
		}
		facts := alerts.Area{Site: t.mailSite(tx.Site(), now), Area: area, From: s.From, Category: s.Category, Reason: s.Reason, Batches: batches}
		return t.post(ctx, tx, facts, alerts.AreaDown, occasion{about: "area/" + area, slot: fmt.Sprint(e.Seq)})
	})
}

// preparedSince lists batches an area made after it was already down: they are to be looked at.
func preparedSince(ctx context.Context, tx Tx, area string, from time.Time) ([]string, error) {
	events, err := tx.Events(ctx, EventQuery{Kinds: []stock.Kind{stock.Prepared}, From: from})
	if err != nil {
		return nil, err
	}
	var batches []string
	for _, e := range events {
		if e.Body.Area == area && !slices.Contains(batches, e.Body.Batch) {
			batches = append(batches, e.Body.Batch)
		}
	}
	return batches, nil
}

// PlanWork mutes the page of a unit for a time, never the record. It ends by itself.
func (t *Tracker) PlanWork(ctx context.Context, site string, a Actor, w PlannedWork) error {
	now := walltime.Cut(t.Now())
	w.From, w.To, w.By = walltime.Cut(w.From), walltime.Cut(w.To), a.Person.Code
	switch {
	case !w.To.After(w.From):
		return stock.Refuse("times", "", "planned work ends after it begins")
	case w.To.Sub(w.From) > 24*time.Hour:
		return stock.Refuse("times", "", "planned work mutes a unit for 24 hours at most; enter a longer one day by day")
	case !w.To.After(now):
		return stock.Refuse("times", "", "planned work that is over mutes nothing; its cases stand as they are")
	case w.Reason == "":
		return stock.Refuse("reason", "", "say what is planned")
	}
	return t.in(ctx, site, a, access.PlanWork, now, func(tx Tx) error {
		if _, _, ok := tx.Site().UnitAt(w.Unit); !ok {
			return stock.Refuse("place", "", "there is no storage unit %q at %s", w.Unit, site)
		}
		e := event(tx, stock.WorkPlanned, a, now, now, stock.Body{To: w.Unit, Since: &w.From, Until: &w.To, Reason: w.Reason})
		tx.PlanWork(w)
		return tx.Append(ctx, &e)
	})
}
