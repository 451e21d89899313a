package db

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"vialward/tracker/stock"
	"vialward/tracker/waste"
)

// Ended reads the lives that ended from <= t < to, voided records left out, in the order of their ends. A cause that was
// corrected is the newest one; its class is for whoever knows the site's list.
func (t *tx) Ended(ctx context.Context, from, to time.Time) ([]waste.Ended, error) {
	corrected, err := t.corrected(ctx)
	if err != nil {
		return nil, err
	}
	rows, err := t.q.Query(ctx, `select v.vial, v.product, v.batch, c.kind, e.at, e.entered_at, v.bud, b.started_at,
			(b.document::json ->> 'made')::int, (e.canonical::json -> 'body')::text, coalesce(s.unit, ''), e.seq
		from event e
		join vial_closing c on c.site = e.site and c.seq = e.seq and c.kind <> 'voided'
		join vial v on v.site = c.site and v.vial = c.vial
		join batch b on b.site = v.site and b.batch = v.batch
		left join lateral (select unit from stay s where s.site = c.site and s.vial = c.vial and not s.possible
			order by s.from_at desc, s.seq desc limit 1) s on true
		where e.site = $1 and e.at >= $2 and e.at < $3
		order by e.at, v.vial`, t.id, from, to)
	if err != nil {
		return nil, fmt.Errorf("read ended lives: %w", err)
	}
	late := time.Duration(t.site.LateEntryHours) * time.Hour
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (waste.Ended, error) {
		var e waste.Ended
		var entered time.Time
		var text string
		var seq int64
		if err := r.Scan(&e.Vial, &e.Product, &e.Batch, &e.How, &e.At, &entered, &e.BUD, &e.Prepared, &e.BatchSize, &text, &e.Unit, &seq); err != nil {
			return e, err
		}
		var body stock.Body
		if err := json.Unmarshal([]byte(text), &body); err != nil {
			return e, fmt.Errorf("the end of vial %s is damaged: %w", e.Vial, err)
		}
		e.Cause, e.Cents, e.Case, e.Container = body.Reason, body.CostCents, body.Case, body.Container
		if e.How != waste.Discarded && e.How != waste.Lost {
			e.Cause = ""
		} else if c, ok := corrected[e.Vial]; ok && c.seq > seq {
			e.Cause, e.Corrected = c.cause, true
		}
		e.Late = late > 0 && entered.Sub(e.At) > late
		return e, nil
	})
}

type correctedCause struct {
	cause string
	seq   int64
}

// corrected is the newest correction of each vial's cause.
func (t *tx) corrected(ctx context.Context) (map[string]correctedCause, error) {
	rows, err := t.q.Query(ctx, `select x.vial, e.canonical::json #>> '{body,reason}', e.seq from event e join event_vial x using (site, seq)
		where e.site = $1 and e.kind = $2 order by e.seq`, t.id, string(stock.CauseCorrected))
	if err != nil {
		return nil, fmt.Errorf("read corrected causes: %w", err)
	}
	all := map[string]correctedCause{}
	var vial string
	var c correctedCause
	if _, err := pgx.ForEachRow(rows, []any{&vial, &c.cause, &c.seq}, func() error { all[vial] = c; return nil }); err != nil {
		return nil, fmt.Errorf("read corrected causes: %w", err)
	}
	return all, nil
}

// OpenAt counts the vials that were made before an instant and whose life had not ended by then, and of those the ones
// handed out whose end had passed.
func (t *tx) OpenAt(ctx context.Context, at time.Time) (open, overdue int, err error) {
	err = t.q.QueryRow(ctx, `select count(*), count(*) filter (where v.state = 'issued' and v.bud <= $2)
		from vial v join batch b using (site, batch)
		where v.site = $1 and b.started_at < $2 and (v.closed_at is null or v.closed_at >= $2)`, t.id, at).Scan(&open, &overdue)
	if err != nil {
		return 0, 0, fmt.Errorf("count open vials: %w", err)
	}
	return open, overdue, nil
}
