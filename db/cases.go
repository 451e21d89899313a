package db

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// Excursions of one sensor and rule that may still matter: a run on from that instant meets them again.
func (t *tx) Excursions(ctx context.Context, sensor, rule string, after time.Time) ([]tracker.ExcursionRow, error) {
	return t.excursions(ctx, `sensor = $2 and rule = $3 and coalesce(cleared_at, 'infinity') > $4 order by from_at, excursion`,
		sensor, rule, after)
}

func (t *tx) excursions(ctx context.Context, where string, args ...any) ([]tracker.ExcursionRow, error) {
	rows, err := t.q.Query(ctx, `select excursion, case_no, sensor, rule, unit, coalesce(shelves, '{}'), document, coalesce(merged_into, 0), not_borne_out
		from excursion where site = $1 and `+where, append([]any{t.id}, args...)...)
	if err != nil {
		return nil, fmt.Errorf("read excursions: %w", err)
	}
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (tracker.ExcursionRow, error) {
		var x tracker.ExcursionRow
		var doc string
		if err := r.Scan(&x.ID, &x.Case, &x.Sensor, &x.Rule, &x.Unit, &x.Shelves, &doc, &x.MergedInto, &x.NotBorneOut); err != nil {
			return x, err
		}
		if err := json.Unmarshal([]byte(doc), &x.Found); err != nil {
			return x, fmt.Errorf("excursion %d is damaged: %w", x.ID, err)
		}
		x.Found.ID = x.ID
		return x, nil
	})
}

// SaveExcursion inserts one with ID 0 and gives it its number, or stores how it has changed.
func (t *tx) SaveExcursion(ctx context.Context, x *tracker.ExcursionRow) error {
	fresh := x.ID == 0
	if fresh {
		n, err := t.NextNumber(ctx, "excursion")
		if err != nil {
			return err
		}
		x.ID, x.Found.ID = n, n
	}
	doc, err := json.Marshal(x.Found)
	if err != nil {
		return err
	}
	f := x.Found
	var extreme *int32
	if f.Readings > 0 && f.Kind != "no_data" {
		m := int32(f.ExtremeMilliC)
		extreme = &m
	}
	worstFrom := f.WorstFromMicros
	if worstFrom == 0 {
		worstFrom = f.FromMicros
	}
	args := []any{
		x.Case, instant(f.FromMicros), orNullMicros(f.ToMicros), instant(worstFrom), orNullMicros(f.WorstToMicros),
		instant(f.OpenedMicros), orNullMicros(f.ClearedMicros), extreme, f.Readings, f.FreezeReadings, string(doc), x.NotBorneOut,
	}
	if fresh {
		err = t.keep(ctx, excursions, x.ID, `insert into excursion (site, excursion, case_no, from_at, to_at, worst_from, worst_to, opened_at, cleared_at,
			extreme_millic, readings, freeze_readings, document, not_borne_out, sensor, rule, kind, unit, shelves)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19)`,
			append(args, x.Sensor, x.Rule, string(f.Kind), x.Unit, listOrNull(x.Shelves))...)
	} else {
		var into *int64
		if x.MergedInto > 0 {
			into = &x.MergedInto
		}
		err = t.keep(ctx, excursions, x.ID, `update excursion set case_no = $3, from_at = $4, to_at = $5, worst_from = $6, worst_to = $7, opened_at = $8,
			cleared_at = $9, extreme_millic = $10, readings = $11, freeze_readings = $12, document = $13, not_borne_out = $14, merged_into = $15
			where site = $1 and excursion = $2`, append(args, into)...)
	}
	if err != nil {
		return fmt.Errorf("store excursion of %s: %w", x.Sensor, err)
	}
	return nil
}

func orNullMicros(m int64) *time.Time {
	if m == 0 {
		return nil
	}
	t := instant(m)
	return &t
}

func listOrNull(s []string) any {
	if len(s) == 0 {
		return nil
	}
	return s
}

// SaveCase inserts one with number 0 and gives it its number, or stores how it has changed.
func (t *tx) SaveCase(ctx context.Context, c *tracker.Case) error {
	if err := t.Order(ctx); err != nil {
		return err
	}
	if c.No == 0 {
		n, err := t.NextNumber(ctx, "case")
		if err != nil {
			return err
		}
		c.No = n
	}
	var into *int64
	if c.MergedInto > 0 {
		into = &c.MergedInto
	}
	err := t.keep(ctx, incidents, c.No, `insert into incident (site, case_no, unit, kind, state, from_at, to_at, raised_at, recovered_at, merged_into, late, muted,
			told, in_thread, late_untold, next_reminder, together)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17)
		on conflict (site, case_no) do update set kind = excluded.kind, state = excluded.state, from_at = excluded.from_at, to_at = excluded.to_at,
			recovered_at = excluded.recovered_at, merged_into = excluded.merged_into, late = excluded.late, muted = excluded.muted,
			told = excluded.told, in_thread = excluded.in_thread, late_untold = excluded.late_untold, next_reminder = excluded.next_reminder,
			together = excluded.together`,
		c.Unit, c.Kind, c.State, c.From, orNull(c.To), c.RaisedAt, orNull(c.RecoveredAt), into, c.Late, c.Muted,
		c.Told, c.InThread, orNull(c.LateUntold), orNull(c.NextReminder), c.Together)
	if err != nil {
		return fmt.Errorf("store case %d: %w", c.No, err)
	}
	return nil
}

// Cases reads cases with their excursions, newest first.
func (t *tx) Cases(ctx context.Context, q tracker.CaseQuery) ([]tracker.Case, error) {
	w := narrow(t.id)
	w.when(q.No != 0, "case_no = %s", q.No)
	w.when(q.Unit != "", "unit = %s", q.Unit)
	w.when(q.OpenOnly, "state = 'open'")
	w.when(!q.From.IsZero(), "coalesce(to_at, 'infinity') >= %s", q.From)
	w.when(!q.To.IsZero(), "from_at < %s", q.To)
	w.when(!q.UntoldBefore.IsZero(), "late_untold < %s", q.UntoldBefore)
	w.when(q.Together, "together")
	rows, err := t.q.Query(ctx, `select case_no, unit, kind, state, from_at, to_at, raised_at, recovered_at, coalesce(merged_into, 0), late, muted,
		told, in_thread, late_untold, next_reminder, together
		from incident where `+w.sql+` order by case_no desc`+limited(q.Limit), w.args...)
	if err != nil {
		return nil, fmt.Errorf("read cases: %w", err)
	}
	cases, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (tracker.Case, error) {
		var c tracker.Case
		var to, recovered, untold, reminder *time.Time
		err := r.Scan(&c.No, &c.Unit, &c.Kind, &c.State, &c.From, &to, &c.RaisedAt, &recovered, &c.MergedInto, &c.Late, &c.Muted,
			&c.Told, &c.InThread, &untold, &reminder, &c.Together)
		c.To, c.RecoveredAt, c.LateUntold, c.NextReminder = orZero(to), orZero(recovered), orZero(untold), orZero(reminder)
		return c, err
	})
	if err != nil {
		return nil, fmt.Errorf("read cases: %w", err)
	}
	if len(cases) == 0 {
		return nil, nil
	}
	index, numbers := map[int64]int{}, make([]int64, len(cases))
	for i, c := range cases {
		index[c.No], numbers[i] = i, c.No
	}
	all, err := t.excursions(ctx, `case_no = any($2) order by from_at, excursion`, numbers)
	if err != nil {
		return nil, err
	}
	for _, x := range all {
		c := &cases[index[x.Case]]
		c.Excursions = append(c.Excursions, x)
	}
	return cases, nil
}

// SaveHold inserts an excursion's hold, or grows it.
func (t *tx) SaveHold(ctx context.Context, h *tracker.HoldRow) error {
	if h.ID == 0 {
		n, err := t.NextNumber(ctx, "hold")
		if err != nil {
			return err
		}
		h.ID = n
	}
	err := t.keep(ctx, holds, h.ID, `insert into hold (site, hold_id, case_no, excursion, kind, unit, shelves, from_at, to_at, changed_seq, changed_from, changed_to)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)
		on conflict (site, hold_id) do update set from_at = excluded.from_at,
			to_at = case when excluded.to_at is not null then greatest(excluded.to_at, hold.reached) end,
			changed_seq = excluded.changed_seq, changed_from = excluded.changed_from, changed_to = excluded.changed_to`,
		h.Case, h.Excursion, h.Kind, h.Unit, listOrNull(h.Shelves), h.From, orNull(h.To), h.ChangedSeq, orNull(h.ChangedFrom), orNull(h.ChangedTo))
	if err != nil {
		return fmt.Errorf("store hold of case %d: %w", h.Case, err)
	}
	return nil
}

// Holds of a case; case 0 = all of the site.
func (t *tx) Holds(ctx context.Context, caseNo int64) ([]tracker.HoldRow, error) {
	w := narrow(t.id)
	w.when(caseNo != 0, "case_no = %s", caseNo)
	rows, err := t.q.Query(ctx, `select hold_id, case_no, excursion, kind, unit, coalesce(shelves, '{}'), from_at, to_at, changed_seq, changed_from, changed_to
		from hold where `+w.sql+` order by hold_id`, w.args...)
	if err != nil {
		return nil, fmt.Errorf("read holds of case %d: %w", caseNo, err)
	}
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (tracker.HoldRow, error) {
		var h tracker.HoldRow
		var to, from, until *time.Time
		err := r.Scan(&h.ID, &h.Case, &h.Excursion, &h.Kind, &h.Unit, &h.Shelves, &h.From, &to, &h.ChangedSeq, &from, &until)
		h.To, h.ChangedFrom, h.ChangedTo = orZero(to), orZero(from), orZero(until)
		return h, err
	})
}

// Touched lists every stay that meets the hold, with its vial as it stands now: stock is found by where it was then.
func (t *tx) Touched(ctx context.Context, holdID int64) ([]tracker.TouchedVial, error) {
	rows, err := t.q.Query(ctx, `select s.vial, s.unit, s.shelf, s.from_at, s.to_at, s.possible,
			`+released+`
		from hold h join stay s on s.site = h.site and s.unit = h.unit and (h.shelves is null or s.shelf = any(h.shelves))
			and h.from_at <= coalesce(s.to_at, 'infinity') and coalesce(h.to_at, 'infinity') >= s.from_at
		where h.site = $1 and h.hold_id = $2 order by s.unit, s.shelf, s.vial, s.from_at`, t.id, holdID)
	if err != nil {
		return nil, fmt.Errorf("find stock touched by hold %d: %w", holdID, err)
	}
	touched, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (tracker.TouchedVial, error) {
		var v tracker.TouchedVial
		var to *time.Time
		err := r.Scan(&v.Stay.Vial, &v.Stay.Unit, &v.Stay.Shelf, &v.Stay.From, &to, &v.Stay.Possible, &v.Released)
		v.Stay.To = orZero(to)
		return v, err
	})
	if err != nil {
		return nil, fmt.Errorf("find stock touched by hold %d: %w", holdID, err)
	}
	codes := make([]string, len(touched))
	for i, v := range touched {
		codes[i] = v.Stay.Vial
	}
	vials, err := t.Find(ctx, tracker.VialQuery{Codes: codes})
	if err != nil {
		return nil, err
	}
	byCode := make(map[string]stock.Vial, len(vials))
	for _, v := range vials {
		byCode[v.Code] = v
	}
	for i := range touched {
		touched[i].Vial = byCode[touched[i].Stay.Vial]
	}
	return touched, nil
}

// Release hands over that a hold no longer holds these vials, up to an instant.
func (t *tx) Release(h tracker.HoldRow, vials []string, coveredTo time.Time) {
	for _, v := range vials {
		t.bring(releases, h.ID, v, h.From, coveredTo)
	}
}

// SiteSilence is how the silence of all loggers stands.
func (t *tx) SiteSilence(ctx context.Context) (tracker.SiteSilence, error) {
	var since, back *time.Time
	err := t.q.QueryRow(ctx, `select since, back_at from site_silence where site = $1`, t.id).Scan(&since, &back)
	if err != nil && !errors.Is(err, pgx.ErrNoRows) {
		return tracker.SiteSilence{}, fmt.Errorf("read the silence of the site: %w", err)
	}
	return tracker.SiteSilence{Since: orZero(since), Back: orZero(back)}, nil
}

// SaveSiteSilence stores it.
func (t *tx) SaveSiteSilence(ctx context.Context, s tracker.SiteSilence) error {
	_, err := t.q.Exec(ctx, `insert into site_silence (site, since, back_at) values ($1, $2, $3)
		on conflict (site) do update set since = excluded.since, back_at = excluded.back_at`, t.id, orNull(s.Since), orNull(s.Back))
	if err != nil {
		return fmt.Errorf("store the silence of the site: %w", err)
	}
	return nil
}

// PlanWork hands over a window that mutes pages.
func (t *tx) PlanWork(w tracker.PlannedWork) {
	t.bring(plannedWorks, w.Unit, w.From, w.To, w.Reason, w.By)
}

// PlannedWork of a unit ("" = all) that meets an interval.
func (t *tx) PlannedWork(ctx context.Context, unit string, from, to time.Time) ([]tracker.PlannedWork, error) {
	rows, err := t.q.Query(ctx, `select unit, from_at, to_at, reason, by_person from planned_work
		where site = $1 and ($2 = '' or unit = $2) and to_at > $3 and from_at < $4 order by from_at`, t.id, unit, from, to)
	if err != nil {
		return nil, fmt.Errorf("read planned work: %w", err)
	}
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (tracker.PlannedWork, error) {
		var w tracker.PlannedWork
		err := r.Scan(&w.Unit, &w.From, &w.To, &w.Reason, &w.By)
		return w, err
	})
}
