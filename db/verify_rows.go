package db

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"vialward/tracker/chain"
)

// keptRow is how a case, excursion or hold has to stand.
type keptRow struct {
	line string
	seq  int64 // of the newest event that says so
}

// keptRows holds every row that changes against the newest event that has it.
func (v *verifier) keptRows(ctx context.Context) error {
	for _, k := range allKept {
		rows, err := open(ctx, v, func(r pgx.CollectableRow) ([]any, error) { return r.Values() },
			`select %s, %s from %s where site = %d order by %s`, k.key, k.list(""), k.name, v.site.Site, k.key)
		if err != nil {
			return err
		}
		err = rows.each(ctx, func(values []any) error {
			name := k.rowName(values[0])
			want, known := v.kept[name]
			delete(v.kept, name)
			switch {
			case !known:
				v.out.Row(0, chain.SlippedIn, "%s stands in no event", k.say(values[0]))
			case k.line(values[0], values[1:]) != want.line:
				v.out.Row(want.seq, chain.Changed, "%s was changed since event %d says how it stands", k.say(values[0]), want.seq)
			}
			if k == incidents {
				v.out.Cases++
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	for name, want := range v.kept {
		v.out.Row(want.seq, chain.Removed, "%s was removed; event %d says how it stood", name, want.seq)
	}
	return nil
}

// say names a row as people do.
func (k *keptTable) say(key any) string {
	switch k {
	case incidents:
		return fmt.Sprintf("case %v", key)
	case tokens:
		return fmt.Sprintf("token %v", key)
	case credentials:
		return fmt.Sprintf("what %v proves themselves with", key)
	default:
		return k.rowName(key)
	}
}

// sweepEnd is what events say of a list after it was made.
type sweepEnd struct {
	confirmedAt, missedAt time.Time
	confirmedBy           string
	confirmed, missed     int64 // events
}

// lists holds who confirmed each list against the events. The lists themselves are bound to the events that made them.
func (v *verifier) lists(ctx context.Context) error {
	type row struct {
		Number      int64
		ConfirmedAt *time.Time
		ConfirmedBy *string
		MissedAt    *time.Time
	}
	rows, err := open(ctx, v, pgx.RowToStructByPos[row],
		`select number::bigint, confirmed_at, confirmed_by, missed_at from sweep where site = %d order by number`, v.site.Site)
	if err != nil {
		return err
	}
	return rows.each(ctx, func(r row) error {
		want := v.sweeps[r.Number]
		by := ""
		if r.ConfirmedBy != nil {
			by = *r.ConfirmedBy
		}
		if !orZero(r.ConfirmedAt).Equal(want.confirmedAt) || by != want.confirmedBy {
			v.out.Row(want.confirmed, chain.Disagrees, "list %d: confirmed by %q at %s by its row, by %q at %s by the events", r.Number,
				by, sayInstant(orZero(r.ConfirmedAt)), want.confirmedBy, sayInstant(want.confirmedAt))
		}
		if !orZero(r.MissedAt).Equal(want.missedAt) {
			v.out.Row(want.missed, chain.Disagrees, "list %d: missed at %s by its row, at %s by the events", r.Number,
				sayInstant(orZero(r.MissedAt)), sayInstant(want.missedAt))
		}
		return nil
	})
}

func sayInstant(t time.Time) string {
	if t.IsZero() {
		return "no time"
	}
	return chain.Stamp(t)
}
