package db

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"vialward/tracker"
	"vialward/tracker/templog"
)

// NumberIntakes takes the next n numbers and answers the first of them. It is asked before any sensor is locked: whoever
// takes in at a site waits here, and nowhere in a circle.
func (t *tx) NumberIntakes(ctx context.Context, n int) (int64, error) {
	last, err := t.count(ctx, "intake", n)
	return last - int64(n) + 1, err
}

// NewIntake notes that something arrived, before any of it is taken. Its row is stored with its classes where it is finished
// in this transaction, else at the end.
func (t *tx) NewIntake(ctx context.Context, in tracker.Intake) (int64, error) {
	if in.ID == 0 {
		var err error
		if in.ID, err = t.NumberIntakes(ctx, 1); err != nil {
			return 0, err
		}
	}
	args := []any{in.ID, in.Source, asText(in.Name), in.By, in.ReceivedAt, append([]byte{}, in.Digest...), asText(in.Layout), asText(in.Zone)}
	t.delivered.brought.Add(arrivedLine(args...))
	if t.arrived == nil {
		t.arrived = map[int64][]any{}
	}
	t.arrived[in.ID] = args
	return in.ID, nil
}

// storeArrived stores the intakes of which only a part was taken.
func (t *tx) storeArrived() {
	for id, args := range t.arrived {
		t.q.later(fmt.Sprintf("store intake %d", id), `insert into intake (site, intake, source, name, by_person, received_at, digest, layout, zone)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`, append([]any{t.id}, args...)...)
	}
}

// asText is what Postgres takes as text: the name of a file may be any bytes, a refused value too.
func asText(s string) string {
	return strings.ReplaceAll(strings.ToValidUTF8(s, "\uFFFD"), "\x00", "\uFFFD")
}

// FinishIntake hands over the classes and what was refused; the schema refuses classes that do not add up.
func (t *tx) FinishIntake(_ context.Context, in tracker.Intake) error {
	r := in.Rows
	classes := []any{r.Read, r.Stored, r.Duplicate, r.Conflicting, r.Missing, r.Refused, in.Finished}
	t.delivered.brought.Add(finishedLine(append([]any{in.ID}, classes...)...))
	n, line, why := make([]int, len(in.Refused)), make([]int64, len(in.Refused)), make([]string, len(in.Refused))
	for i, x := range in.Refused {
		n[i], line[i], why[i] = i+1, int64(x.Line), asText(x.Why)
		t.delivered.brought.Add(refusedLine(n[i], line[i], why[i]))
	}
	arrived, now := t.arrived[in.ID]
	delete(t.arrived, in.ID)
	t.delivered.pending = append(t.delivered.pending, func(b *pgx.Batch, seq int64) {
		if now {
			b.Queue(`insert into intake (site, seq, values_read, stored, duplicate, conflicting, missing, refused, finished_at,
				intake, source, name, by_person, received_at, digest, layout, zone)
				values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17)`, slices.Concat([]any{t.id, seq}, classes, arrived)...)
		} else {
			b.Queue(`update intake set seq = $2, values_read = $3, stored = $4, duplicate = $5, conflicting = $6, missing = $7, refused = $8,
				finished_at = $9 where site = $1 and intake = $10`, slices.Concat([]any{t.id, seq}, classes, []any{in.ID})...)
		}
		if len(why) > 0 {
			b.Queue(`insert into refused_value (site, intake, n, line, why) select $1, $2, * from unnest($3::int4[], $4::int8[], $5::text[])`,
				t.id, in.ID, n, line, why)
		}
	})
	t.sum.Read, t.sum.Stored, t.sum.Duplicate = t.sum.Read+r.Read, t.sum.Stored+r.Stored, t.sum.Duplicate+r.Duplicate
	t.sum.Conflicting, t.sum.Missing, t.sum.Refused = t.sum.Conflicting+r.Conflicting, t.sum.Missing+r.Missing, t.sum.Refused+r.Refused
	return nil
}

// sumUp adds what the transaction finished to the site's totals. Of these there is one row, which all intakes want: it is
// the last of all that is locked.
func (t *tx) sumUp() {
	s := t.sum
	if s == (templog.Rows{}) {
		return
	}
	t.q.later("sum up what was taken in", `insert into intake_total as o (site, values_read, stored, duplicate, conflicting, missing, refused)
		values ($1, $2, $3, $4, $5, $6, $7) on conflict (site) do update set values_read = o.values_read + excluded.values_read,
		stored = o.stored + excluded.stored, duplicate = o.duplicate + excluded.duplicate, conflicting = o.conflicting + excluded.conflicting,
		missing = o.missing + excluded.missing, refused = o.refused + excluded.refused`,
		t.id, s.Read, s.Stored, s.Duplicate, s.Conflicting, s.Missing, s.Refused)
}

// Withdrawn looks at an intake that this transaction did not begin.
func (t *tx) Withdrawn(ctx context.Context, intake int64) (withdrawn bool, err error) {
	err = t.q.QueryRow(ctx, `select withdrawn_seq is not null from intake where site = $1 and intake = $2`, t.id, intake).Scan(&withdrawn)
	if err != nil {
		return false, fmt.Errorf("look whether intake %d still counts: %w", intake, err)
	}
	return withdrawn, nil
}

// WithdrawIntake sets an intake's readings aside, once.
func (t *tx) WithdrawIntake(ctx context.Context, intake, seq int64) (tracker.Intake, error) {
	if _, err := t.q.Exec(ctx, `select from intake where site = $1 and intake = $2 for update`, t.id, intake); err != nil {
		return tracker.Intake{}, fmt.Errorf("lock intake %d: %w", intake, err)
	}
	all, err := t.intakes(ctx, `i.intake = $2`, intake)
	if err != nil {
		return tracker.Intake{}, err
	}
	if len(all) == 0 {
		return tracker.Intake{}, tracker.NotFound("intake", fmt.Sprint(intake))
	}
	if _, err := t.q.Exec(ctx, `update intake set withdrawn_seq = $3 where site = $1 and intake = $2 and withdrawn_seq is null`, t.id, intake, seq); err != nil {
		return tracker.Intake{}, fmt.Errorf("withdraw intake %d: %w", intake, err)
	}
	return all[0], nil
}

// Spans says which sensors and times an intake's readings are of.
func (t *tx) Spans(ctx context.Context, intake int64) ([]tracker.SensorSpan, error) {
	rows, err := t.q.Query(ctx, `select sensor, min(from_at), max(to_at) from reading where site = $1 and intake = $2 group by sensor order by sensor`, t.id, intake)
	if err != nil {
		return nil, fmt.Errorf("read what intake %d brought: %w", intake, err)
	}
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (tracker.SensorSpan, error) {
		var s tracker.SensorSpan
		err := r.Scan(&s.Sensor, &s.From, &s.To)
		return s, err
	})
}

// Intakes lists the newest first.
func (t *tx) Intakes(ctx context.Context, limit int) ([]tracker.Intake, error) {
	return t.intakes(ctx, fmt.Sprintf(`true order by i.intake desc limit %d`, limit))
}

func (t *tx) intakes(ctx context.Context, where string, args ...any) ([]tracker.Intake, error) {
	rows, err := t.q.Query(ctx, `select i.intake, i.source, i.name, i.by_person, i.received_at, i.digest, i.layout, i.zone, i.values_read, i.stored,
		i.duplicate, i.conflicting, i.missing, i.refused, i.finished_at, i.withdrawn_seq is not null,
		coalesce((select array_agg(r.line order by r.n) from refused_value r where r.site = i.site and r.intake = i.intake and r.n <= 50), '{}'),
		coalesce((select array_agg(r.why order by r.n) from refused_value r where r.site = i.site and r.intake = i.intake and r.n <= 50), '{}')
		from intake i where i.site = $1 and `+where, append([]any{t.id}, args...)...)
	if err != nil {
		return nil, fmt.Errorf("read intakes: %w", err)
	}
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (tracker.Intake, error) {
		var in tracker.Intake
		var finished *time.Time
		var lines []int64
		var why []string
		err := r.Scan(&in.ID, &in.Source, &in.Name, &in.By, &in.ReceivedAt, &in.Digest, &in.Layout, &in.Zone, &in.Rows.Read, &in.Rows.Stored,
			&in.Rows.Duplicate, &in.Rows.Conflicting, &in.Rows.Missing, &in.Rows.Refused, &finished, &in.Withdrawn, &lines, &why)
		in.Finished = orZero(finished)
		for i := range lines {
			in.Refused = append(in.Refused, templog.Refusal{Line: int(lines[i]), Why: why[i]})
		}
		return in, err
	})
}
