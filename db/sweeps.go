package db

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"vialward/tracker"
)

// SaveSweep hands a slot's list over unless the slot has one: of two daemons one wins.
func (t *tx) SaveSweep(ctx context.Context, s tracker.SweepRow) (bool, error) {
	doc, err := json.Marshal(s.List)
	if err != nil {
		return false, err
	}
	if err := t.Order(ctx); err != nil {
		return false, err
	}
	var made bool
	if err := t.q.QueryRow(ctx, `select exists (select from sweep where site = $1 and slot = $2)`, t.id, s.Slot).Scan(&made); err != nil {
		return false, fmt.Errorf("look for list %s: %w", s.Slot, err)
	}
	if !made {
		t.bring(sweeps, s.Slot, s.Number, s.Due, s.Made, s.Until, s.ConfirmBy, string(doc))
	}
	return !made, nil
}

// ConfirmSweep marks a list as swept; once.
func (t *tx) ConfirmSweep(ctx context.Context, number int, by string, at time.Time) (tracker.SweepRow, error) {
	if _, err := t.q.Exec(ctx, `update sweep set confirmed_at = $3, confirmed_by = $4 where site = $1 and number = $2 and confirmed_at is null`,
		t.id, number, at, by); err != nil {
		return tracker.SweepRow{}, fmt.Errorf("confirm list %d: %w", number, err)
	}
	rows, err := t.sweeps(ctx, `number = $2`, number)
	if err != nil {
		return tracker.SweepRow{}, err
	}
	if len(rows) == 0 {
		return tracker.SweepRow{}, tracker.NotFound("sweep", fmt.Sprint(number))
	}
	return rows[0], nil
}

// MissSweep marks that nobody confirmed a list in time; true the first time.
func (t *tx) MissSweep(ctx context.Context, number int, at time.Time) (bool, error) {
	tag, err := t.q.Exec(ctx, `update sweep set missed_at = $3 where site = $1 and number = $2 and missed_at is null and confirmed_at is null`, t.id, number, at)
	if err != nil {
		return false, fmt.Errorf("mark list %d missed: %w", number, err)
	}
	return tag.RowsAffected() == 1, nil
}

// Sweeps lists the newest first.
func (t *tx) Sweeps(ctx context.Context, limit int) ([]tracker.SweepRow, error) {
	return t.sweeps(ctx, fmt.Sprintf(`true order by number desc limit %d`, limit))
}

func (t *tx) sweeps(ctx context.Context, where string, args ...any) ([]tracker.SweepRow, error) {
	rows, err := t.q.Query(ctx, `select slot, number, due_at, made_at, until_at, document, confirm_by, confirmed_at, coalesce(confirmed_by, ''), missed_at
		from sweep where site = $1 and `+where, append([]any{t.id}, args...)...)
	if err != nil {
		return nil, fmt.Errorf("read lists: %w", err)
	}
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (tracker.SweepRow, error) {
		var s tracker.SweepRow
		var doc string
		var confirmed, missed *time.Time
		if err := r.Scan(&s.Slot, &s.Number, &s.Due, &s.Made, &s.Until, &doc, &s.ConfirmBy, &confirmed, &s.ConfirmedBy, &missed); err != nil {
			return s, err
		}
		s.ConfirmedAt, s.MissedAt = orZero(confirmed), orZero(missed)
		if err := json.Unmarshal([]byte(doc), &s.List); err != nil {
			return s, fmt.Errorf("list %s is damaged: %w", s.Slot, err)
		}
		return s, nil
	})
}

// UnconfirmedBetween counts lists that were due from <= t < to and not signed by the time they should have been.
func (t *tx) UnconfirmedBetween(ctx context.Context, from, to time.Time) (n int, err error) {
	err = t.q.QueryRow(ctx, `select count(*) from sweep where site = $1 and due_at >= $2 and due_at < $3
		and (missed_at is not null or confirmed_at > confirm_by)`, t.id, from, to).Scan(&n)
	if err != nil {
		return 0, fmt.Errorf("count unconfirmed lists: %w", err)
	}
	return n, nil
}
