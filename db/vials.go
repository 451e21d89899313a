package db

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// released: a release counts for a stay s and a hold h only if it was decided after that stay was recorded, covers the
// part of the hold the stay saw, and late data has not changed since what is known of that part. A hold that grew, a vial
// found to have been there longer, a reading that came in later: each makes the vial undecided again.
const released = `exists (select from hold_release r where r.site = h.site and r.hold_id = h.hold_id and r.vial = s.vial and r.seq > s.seq
	and r.covered_from <= greatest(h.from_at, s.from_at)
	and r.covered_to >= least(coalesce(h.to_at, 'infinity'), coalesce(s.to_at, 'infinity'))
	and (r.seq > h.changed_seq or s.from_at > h.changed_to or coalesce(s.to_at, 'infinity') < h.changed_from))`

// touches: every excursion hold that meets a stay of the vial and is not released for it.
const touches = `(select coalesce(jsonb_agg(distinct jsonb_build_object('hold_id', h.hold_id, 'case', h.case_no, 'kind', h.kind, 'unit', h.unit)), '[]')
	from stay s join hold h on h.site = s.site and h.unit = s.unit and (h.shelves is null or s.shelf = any(h.shelves))
		and h.from_at <= coalesce(s.to_at, 'infinity') and coalesce(h.to_at, 'infinity') >= s.from_at
	where s.site = v.site and s.vial = v.vial and not ` + released + `)`

const vialColumns = `v.vial, v.batch, v.serial, v.product, v.version, v.prepared_by, coalesce(v.verified_by, ''), v.state, v.bud, v.label,
	coalesce(v.unit, ''), coalesce(v.shelf, ''), coalesce(v.area, ''), coalesce(v.destination, ''), v.punctured_at, v.last_seen,
	coalesce(v.closed_by, ''), v.holds, v.seq, ` + touches

func (t *tx) scanVial(r pgx.CollectableRow) (stock.Vial, error) {
	v := stock.Vial{Site: t.id}
	var verifiedBy, holds string
	var touched []byte
	var punctured *time.Time
	err := r.Scan(&v.Code, &v.Batch, &v.Serial, &v.Product, &v.Version, &v.PreparedBy, &verifiedBy, &v.State, &v.BUD, &v.Label,
		&v.Unit, &v.Shelf, &v.Area, &v.Dest, &punctured, &v.LastSeen, &v.ClosedBy, &holds, &v.Seq, &touched)
	if err != nil {
		return v, err
	}
	v.Verified, v.VerifiedBy, v.EnteredAt = verifiedBy != "", verifiedBy, orZero(punctured)
	if err := json.Unmarshal([]byte(holds), &v.Holds); err != nil {
		return v, fmt.Errorf("holds of vial %s are damaged: %w", v.Code, err)
	}
	if err := json.Unmarshal(touched, &v.Touches); err != nil {
		return v, fmt.Errorf("touches of vial %s: %w", v.Code, err)
	}
	return v, nil
}

// Vials loads under lock. Rows are locked in the order of their codes, so two operations on the same vials wait for
// each other instead of meeting in a deadlock.
func (t *tx) Vials(ctx context.Context, codes []string) ([]stock.Vial, error) {
	place := make(map[string]int, len(codes))
	for i, c := range codes {
		if _, twice := place[c]; twice {
			return nil, stock.Refuse("twice", c, "is listed twice; each vial counts once")
		}
		place[c] = i
		if !utf8.ValidString(c) || strings.ContainsRune(c, 0) { // no text Postgres would take, so none it has
			return nil, unknown(strings.ToValidUTF8(strings.ReplaceAll(c, "\x00", "?"), "?"), t.site.Code)
		}
	}
	if err := t.Order(ctx); err != nil {
		return nil, err
	}
	if _, err := t.q.Exec(ctx, `select from vial where site = $1 and vial = any($2) order by vial for update`, t.id, codes); err != nil {
		return nil, fmt.Errorf("lock %d vials: %w", len(codes), err)
	}
	found, err := t.vialsWhere(ctx, `v.vial = any($2)`, codes)
	if err != nil {
		return nil, err
	}
	out := make([]stock.Vial, len(codes))
	for _, v := range found {
		out[place[v.Code]] = v
	}
	for i, v := range out {
		if v.Code == "" {
			return nil, unknown(codes[i], t.site.Code)
		}
	}
	return out, nil
}

func unknown(code, site string) error {
	return stock.Refuse("unknown", code, "is not in the record of site %s. Do not use it; put it aside and ask", site)
}

func (t *tx) vialsWhere(ctx context.Context, where string, args ...any) ([]stock.Vial, error) {
	rows, err := t.q.Query(ctx, `select `+vialColumns+` from vial v where v.site = $1 and `+where, append([]any{t.id}, args...)...)
	if err != nil {
		return nil, fmt.Errorf("read vials: %w", err)
	}
	vials, err := pgx.CollectRows(rows, t.scanVial)
	if err != nil {
		return nil, fmt.Errorf("read vials: %w", err)
	}
	return vials, nil
}

// Find reads vials as they stand, without lock.
func (t *tx) Find(ctx context.Context, q tracker.VialQuery) ([]stock.Vial, error) {
	where, args := "true", []any{}
	add := func(cond string, arg any) {
		args = append(args, arg)
		where += fmt.Sprintf(" and "+cond, len(args)+1)
	}
	if q.Codes != nil {
		add("v.vial = any($%d)", q.Codes)
	}
	if q.Batch != "" {
		add("v.batch = $%d", q.Batch)
	}
	if q.Unit != "" {
		add("v.unit = $%d", q.Unit)
	}
	if q.Product != "" {
		add("v.product = $%d", q.Product)
	}
	if len(q.States) > 0 {
		states := make([]string, len(q.States))
		for i, s := range q.States {
			states[i] = string(s)
		}
		add("v.state = any($%d)", states)
	}
	if !q.BUDUntil.IsZero() {
		add("v.bud <= $%d", q.BUDUntil)
	}
	if q.ComponentLot != "" {
		add("v.batch in (select c.batch from batch_component c where c.site = v.site and c.lot = $%d)", q.ComponentLot)
	}
	where += " order by v.unit nulls last, v.shelf, v.bud, v.vial"
	if q.Limit > 0 {
		where += fmt.Sprintf(" limit %d", q.Limit)
	}
	return t.vialsWhere(ctx, where, args...)
}

// SaveVials stores what an event made of its vials. Vials that were not in the record before are inserted.
func (t *tx) SaveVials(ctx context.Context, e stock.Event, before, after []stock.Vial) error {
	if len(after) == 0 {
		return nil
	}
	if err := t.saveRows(ctx, e, before[0].State == "", after); err != nil {
		return fmt.Errorf("store %d vials: %w", len(after), err)
	}
	if err := t.saveStays(ctx, e, before, after); err != nil {
		return fmt.Errorf("store stays: %w", err)
	}
	if err := t.saveHolds(ctx, before, after); err != nil {
		return fmt.Errorf("store holds: %w", err)
	}
	return t.saveClosing(ctx, e, before, after)
}

func (t *tx) saveRows(ctx context.Context, e stock.Event, fresh bool, after []stock.Vial) error {
	b := &pgx.Batch{}
	for _, v := range after {
		holds, err := json.Marshal(v.Holds)
		if err != nil {
			return err
		}
		if v.Holds == nil {
			holds = []byte("[]")
		}
		var closedAt *time.Time
		if v.State.Closed() {
			closedAt = &e.At
		}
		args := []any{
			t.id, v.Code, textOrNull(v.VerifiedBy), string(v.State), v.BUD, v.Label, textOrNull(v.Unit), textOrNullIf(v.Unit, v.Shelf),
			textOrNull(v.Area), textOrNull(v.Dest), orNull(v.EnteredAt), v.LastSeen, textOrNull(string(v.ClosedBy)), closedAt, string(holds), v.Seq,
		}
		if fresh {
			b.Queue(`insert into vial (site, vial, verified_by, state, bud, label, unit, shelf, area, destination, punctured_at, last_seen, closed_by,
				closed_at, holds, seq, batch, serial, product, version, prepared_by)
				values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21)`,
				append(args, v.Batch, v.Serial, v.Product, v.Version, v.PreparedBy)...)
			continue
		}
		b.Queue(`update vial set verified_by = $3, state = $4, bud = $5, label = $6, unit = $7, shelf = $8, area = $9, destination = $10,
			punctured_at = $11, last_seen = $12, closed_by = $13, closed_at = case when $13::text is not null then coalesce(closed_at, $14) end, holds = $15, seq = $16 where site = $1 and vial = $2`, args...)
	}
	return t.q.SendBatch(ctx, b).Close()
}

// textOrNullIf keeps unit and shelf null together: a unit without shelves has the shelf "".
func textOrNullIf(unit, shelf string) *string {
	if unit == "" {
		return nil
	}
	return &shelf
}

// Linger hands over a possible stay.
func (t *tx) Linger(s tracker.Stay) { t.bring(possibles, s.Vial, s.From, s.To, s.Unit, s.Shelf, true) }

// saveStays closes the stay a vial left and opens the one it entered.
func (t *tx) saveStays(ctx context.Context, e stock.Event, before, after []stock.Vial) error {
	b := &pgx.Batch{}
	for i, v := range after {
		old := before[i]
		if old.Unit == v.Unit && old.Shelf == v.Shelf {
			continue
		}
		if old.Unit != "" {
			b.Queue(`update stay set to_at = greatest(from_at, $3) where site = $1 and vial = $2 and to_at is null and not possible`, t.id, v.Code, e.At)
		}
		if v.Unit != "" {
			b.Queue(`insert into stay (site, vial, from_at, unit, shelf, possible, seq) values ($1, $2, $3, $4, $5, false, $6)`,
				t.id, v.Code, e.At, v.Unit, v.Shelf, e.Seq)
		}
	}
	if b.Len() == 0 {
		return nil
	}
	return t.q.SendBatch(ctx, b).Close()
}

func (t *tx) saveHolds(ctx context.Context, before, after []stock.Vial) error {
	b := &pgx.Batch{}
	for i, v := range after {
		for _, h := range v.Holds {
			if !slices.ContainsFunc(before[i].Holds, same(h)) {
				b.Queue(`insert into vial_hold (site, vial, kind, seq) values ($1, $2, $3, $4)`, t.id, v.Code, h.Kind, h.Seq)
			}
		}
		for _, h := range before[i].Holds {
			if !slices.ContainsFunc(v.Holds, same(h)) {
				b.Queue(`delete from vial_hold where site = $1 and vial = $2 and kind = $3 and seq = $4`, t.id, v.Code, h.Kind, h.Seq)
			}
		}
	}
	if b.Len() == 0 {
		return nil
	}
	return t.q.SendBatch(ctx, b).Close()
}

func same(h stock.Hold) func(stock.Hold) bool {
	return func(o stock.Hold) bool { return o.Kind == h.Kind && o.Seq == h.Seq }
}

// saveClosing keeps the one standing closing event of each vial; its key refuses a second one.
func (t *tx) saveClosing(ctx context.Context, e stock.Event, before, after []stock.Vial) error {
	b := &pgx.Batch{}
	for i, v := range after {
		was, is := before[i].State.Closed(), v.State.Closed()
		switch {
		case is && !was:
			b.Queue(`insert into vial_closing (site, vial, seq, kind) values ($1, $2, $3, $4)`, t.id, v.Code, e.Seq, string(v.State))
		case was && !is:
			b.Queue(`delete from vial_closing where site = $1 and vial = $2`, t.id, v.Code)
		}
	}
	if b.Len() == 0 {
		return nil
	}
	if err := t.q.SendBatch(ctx, b).Close(); err != nil {
		return fmt.Errorf("close vials: %w", err)
	}
	return nil
}
