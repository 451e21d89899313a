package present

import (
	"context"
	"slices"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// DecidedOn are the events by which people decided on what a case touched, in the order they were entered: every release
// from its hold, and what was discarded or had its beyond-use date shortened naming the case, or while a vial of it was
// touched and not released yet.
func DecidedOn(ctx context.Context, v tracker.View, c tracker.Case, touched []string) ([]stock.Event, error) {
	all, err := v.Events(ctx, tracker.EventQuery{Kinds: []stock.Kind{stock.Released, stock.Shortened, stock.Discarded}, From: c.From})
	if err != nil {
		return nil, err
	}
	open := map[string]bool{}
	for _, code := range touched {
		open[code] = true
	}
	return slices.DeleteFunc(all, func(e stock.Event) bool {
		named := e.Body.Case == c.No
		if !named && e.Body.Case != 0 || !named && (e.Kind == stock.Released || e.By == tracker.Rule.Person.Code) {
			return true
		}
		about := named || slices.ContainsFunc(e.Vials, func(code string) bool { return open[code] }) && !e.EnteredAt.Before(c.RaisedAt)
		if about && e.Kind != stock.Shortened {
			for _, code := range e.Vials {
				open[code] = false // decided: what becomes of it later is another story
			}
		}
		return !about
	}), nil
}
