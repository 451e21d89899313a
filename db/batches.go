package db

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// NewBatch hands over what the batch's vials refer to. Its steps are rows of their own: more of them are signed later.
func (t *tx) NewBatch(b stock.Batch, latest time.Time, ends []time.Time) error {
	signed := b.Steps
	b.Steps = nil
	doc, err := json.Marshal(b)
	if err != nil {
		return err
	}
	var earliest *time.Time
	for _, e := range ends {
		if !e.IsZero() && (earliest == nil || e.Before(*earliest)) {
			earliest = &e
		}
	}
	t.bring(batches, b.Code, b.Product, b.Version, b.StartedAt, b.CompletedAt, b.PreparedBy, b.TakenOver, b.BUD, latest, earliest, string(doc))
	for i, c := range b.Components {
		var end *time.Time
		if i < len(ends) {
			end = orNull(ends[i])
		}
		t.bring(components, b.Code, i+1, c.Name, c.Lot, end)
	}
	for i, s := range signed {
		t.SignStep(b.Code, i+1, s)
	}
	return nil
}

// SignStep hands over a step; who enters it and when stands in the event.
func (t *tx) SignStep(batch string, n int, s stock.Step) {
	t.bring(steps, batch, n, s.Name, s.By, s.At)
}

// CloseBatch hands over a batch's closing.
func (t *tx) CloseBatch(batch string, c stock.Closing) error {
	doc, err := json.Marshal(c)
	if err == nil {
		t.bring(closings, batch, string(doc))
	}
	return err
}

// Batch reads one whole.
func (t *tx) Batch(ctx context.Context, code string) (stock.Batch, error) {
	var b stock.Batch
	rows, err := t.q.Query(ctx, `select b.document, coalesce(c.document, ''),
		(select coalesce(json_agg(json_build_object('name', s.name, 'by', s.by_person, 'at', s.at, 'entered_by', e.by_person, 'entered_at', e.entered_at)
			order by s.n), '[]') from batch_step s join event e using (site, seq) where s.site = b.site and s.batch = b.batch)
		from batch b left join batch_closing c using (site, batch) where b.site = $1 and b.batch = $2`, t.id, code)
	if err != nil {
		return b, fmt.Errorf("read batch %s: %w", code, err)
	}
	all, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (parts [3]string, err error) {
		err = r.Scan(&parts[0], &parts[1], &parts[2])
		return parts, err
	})
	if err != nil {
		return b, fmt.Errorf("read batch %s: %w", code, err)
	}
	if len(all) == 0 {
		return b, tracker.NotFound("batch", code)
	}
	err = json.Unmarshal([]byte(all[0][0]), &b)
	if err == nil {
		err = json.Unmarshal([]byte(all[0][2]), &b.Steps)
	}
	if err == nil && all[0][1] != "" {
		b.Closing = new(stock.Closing)
		err = json.Unmarshal([]byte(all[0][1]), b.Closing)
	}
	if err != nil {
		return b, fmt.Errorf("batch %s is damaged: %w", code, err)
	}
	for i := range b.Steps { // the database writes instants in its session's zone
		b.Steps[i].At, b.Steps[i].EnteredAt = b.Steps[i].At.UTC(), b.Steps[i].EnteredAt.UTC()
	}
	return b, nil
}
