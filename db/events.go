package db

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// Life is a vial's events in the order they were entered.
func (t *tx) Life(ctx context.Context, vial string) ([]stock.Event, error) {
	rows, err := t.q.Query(ctx, `select e.canonical from event_vial v join event e using (site, seq)
		where v.site = $1 and v.vial = $2 order by v.seq`, t.id, vial)
	return collectEvents(rows, err)
}

// Events of the site in its order.
func (t *tx) Events(ctx context.Context, q tracker.EventQuery) ([]stock.Event, error) {
	kinds := make([]string, len(q.Kinds))
	for i, k := range q.Kinds {
		kinds[i] = string(k)
	}
	w := narrow(t.id)
	w.when(q.AfterSeq > 0, "seq > %s", q.AfterSeq)
	w.when(len(kinds) > 0, "kind = any(%s)", kinds)
	w.when(!q.From.IsZero(), "at >= %s", q.From)
	w.when(!q.To.IsZero(), "at < %s", q.To)
	rows, err := t.q.Query(ctx, `select canonical from event where `+w.sql+` order by seq`+limited(q.Limit), w.args...)
	return collectEvents(rows, err)
}

func collectEvents(rows pgx.Rows, err error) ([]stock.Event, error) {
	if err != nil {
		return nil, fmt.Errorf("read events: %w", err)
	}
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (stock.Event, error) {
		var text string
		if err := r.Scan(&text); err != nil {
			return stock.Event{}, err
		}
		return stock.ParseEvent([]byte(text))
	})
}

// Stays of a vial, oldest first.
func (t *tx) Stays(ctx context.Context, vial string) ([]tracker.Stay, error) {
	return t.StaysOf(ctx, []string{vial})
}

// StaysOf reads the stays of several vials in one statement.
func (t *tx) StaysOf(ctx context.Context, vials []string) ([]tracker.Stay, error) {
	rows, err := t.q.Query(ctx, `select vial, unit, shelf, from_at, to_at, possible from stay where site = $1 and vial = any($2)
		order by vial, from_at, possible, seq`, t.id, vials)
	if err != nil {
		return nil, fmt.Errorf("read stays of %d vials: %w", len(vials), err)
	}
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (tracker.Stay, error) {
		var s tracker.Stay
		var to *time.Time
		err := r.Scan(&s.Vial, &s.Unit, &s.Shelf, &s.From, &to, &s.Possible)
		s.To = orZero(to)
		return s, err
	})
}

// FirstStay is the first instant from since on at which a vial stood on a shelf, whether it is still there or not.
func (t *tx) FirstStay(ctx context.Context, unit, shelf string, since time.Time) (time.Time, bool, error) {
	var first *time.Time
	err := t.q.QueryRow(ctx, `select min(greatest(from_at, $4)) from stay where site = $1 and unit = $2 and shelf = $3 and not possible
		and coalesce(to_at, 'infinity') > $4`, t.id, unit, shelf, since).Scan(&first)
	if err != nil {
		return time.Time{}, false, fmt.Errorf("find the first vial at %s/%s: %w", unit, shelf, err)
	}
	return orZero(first), first != nil, nil
}
