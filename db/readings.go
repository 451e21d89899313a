package db

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"vialward/tracker"
	"vialward/tracker/chain"
	"vialward/tracker/templog"
	"vialward/tracker/thermal"
)

const dayMicros = 24 * 60 * 60 * 1_000_000

func micros(t time.Time) int64  { return t.UnixMicro() }
func instant(m int64) time.Time { return time.UnixMicro(m).UTC() }

// NewIntake stores that something arrived, before any of it is taken.
func (t *tx) NewIntake(ctx context.Context, in tracker.Intake) (int64, error) {
	id, err := t.NextNumber(ctx, "intake")
	if err != nil {
		return 0, err
	}
	args := []any{id, in.Source, asText(in.Name), in.By, in.ReceivedAt, append([]byte{}, in.Digest...), asText(in.Layout), asText(in.Zone)}
	_, err = t.q.Exec(ctx, `insert into intake (site, intake, source, name, by_person, received_at, digest, layout, zone)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`, append([]any{t.id}, args...)...)
	if err != nil {
		return 0, fmt.Errorf("store intake %s: %w", in.Name, err)
	}
	t.brought.Add(arrivedLine(args...))
	return id, nil
}

// asText is what Postgres takes as text: the name of a file may be any bytes, a refused value too.
func asText(s string) string {
	return strings.ReplaceAll(strings.ToValidUTF8(s, "\uFFFD"), "\x00", "\uFFFD")
}

// FinishIntake hands over the classes and stores what was refused; the schema refuses classes that do not add up.
func (t *tx) FinishIntake(ctx context.Context, in tracker.Intake) error {
	args := []any{in.ID, in.Rows.Read, in.Rows.Stored, in.Rows.Duplicate, in.Rows.Conflicting, in.Rows.Missing, in.Rows.Refused, in.Finished}
	t.brought.Add(finishedLine(args...))
	t.pending = append(t.pending, func(b *pgx.Batch, seq int64) {
		b.Queue(`update intake set values_read = $4, stored = $5, duplicate = $6, conflicting = $7, missing = $8, refused = $9,
			finished_at = $10, seq = $2 where site = $1 and intake = $3`, append([]any{t.id, seq}, args...)...)
		b.Queue(`insert into intake_total as o (site, values_read, stored, duplicate, conflicting, missing, refused)
			values ($1, $2, $3, $4, $5, $6, $7) on conflict (site) do update set values_read = o.values_read + excluded.values_read,
			stored = o.stored + excluded.stored, duplicate = o.duplicate + excluded.duplicate, conflicting = o.conflicting + excluded.conflicting,
			missing = o.missing + excluded.missing, refused = o.refused + excluded.refused`,
			t.id, in.Rows.Read, in.Rows.Stored, in.Rows.Duplicate, in.Rows.Conflicting, in.Rows.Missing, in.Rows.Refused)
	})
	_, err := t.q.CopyFrom(ctx, pgx.Identifier{"refused_value"}, []string{"site", "intake", "n", "line", "why"},
		pgx.CopyFromSlice(len(in.Refused), func(i int) ([]any, error) {
			row := []any{i + 1, int64(in.Refused[i].Line), asText(in.Refused[i].Why)}
			t.brought.Add(refusedLine(row...))
			return append([]any{t.id, in.ID}, row...), nil
		}))
	if err != nil {
		return fmt.Errorf("store what intake %d refused: %w", in.ID, err)
	}
	return nil
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

// Newest reading that counts: a row holds one UTC day at most, so it is among those of the last day that has any.
func (t *tx) Newest(ctx context.Context, sensor string) (thermal.Reading, bool, error) {
	var last time.Time
	err := t.q.QueryRow(ctx, `select from_at from reading r where site = $1 and sensor = $2
		and not exists (select from intake i where i.site = r.site and i.intake = r.intake and i.withdrawn_seq is not null)
		order by from_at desc limit 1`, t.id, sensor).Scan(&last)
	if errors.Is(err, pgx.ErrNoRows) {
		return thermal.Reading{}, false, nil
	}
	if err != nil {
		return thermal.Reading{}, false, fmt.Errorf("find the newest reading of %s: %w", sensor, err)
	}
	day := instant(floorDay(micros(last)) * dayMicros)
	parts, err := t.Raw(ctx, sensor, day, day.Add(24*time.Hour))
	if err != nil {
		return thermal.Reading{}, false, err
	}
	var newest thermal.Reading
	for _, p := range parts {
		if n := len(p); n > 0 && p[n-1].AtMicros > newest.AtMicros {
			newest = p[n-1]
		}
	}
	return newest, true, nil
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

// LockSensor makes the sensor's working row if need be and locks it until commit.
func (t *tx) LockSensor(ctx context.Context, sensor string) (tracker.SensorNow, error) {
	if _, err := t.q.Exec(ctx, `insert into sensor_now (site, sensor) values ($1, $2) on conflict do nothing`, t.id, sensor); err != nil {
		return tracker.SensorNow{}, fmt.Errorf("lock sensor %s: %w", sensor, err)
	}
	all, err := t.sensors(ctx, `and sensor = $2 for update`, sensor)
	if err != nil || len(all) == 0 {
		return tracker.SensorNow{}, fmt.Errorf("lock sensor %s: %w", sensor, errors.Join(err))
	}
	return all[0], nil
}

// SensorsNow lists every sensor that ever spoke or was looked for.
func (t *tx) SensorsNow(ctx context.Context) ([]tracker.SensorNow, error) {
	return t.sensors(ctx, `order by sensor`)
}

func (t *tx) sensors(ctx context.Context, tail string, args ...any) ([]tracker.SensorNow, error) {
	rows, err := t.q.Query(ctx, `select sensor, last_at, coalesce(last_millic, 0), last_receipt, silent_since, clock_suspect, zone_declared, odd_minutes, odd_count,
			awaited_since, unheard_told
		from sensor_now where site = $1 `+tail, append([]any{t.id}, args...)...)
	if err != nil {
		return nil, fmt.Errorf("read sensors: %w", err)
	}
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (tracker.SensorNow, error) {
		var s tracker.SensorNow
		var last, receipt, silent, awaited, told *time.Time
		err := r.Scan(&s.Sensor, &last, &s.LastMilliC, &receipt, &silent, &s.ClockSuspect, &s.ZoneDeclared, &s.OddMinutes, &s.OddCount, &awaited, &told)
		s.LastAt, s.LastReceipt, s.SilentSince = orZero(last), orZero(receipt), orZero(silent)
		s.AwaitedSince, s.UnheardTold = orZero(awaited), orZero(told)
		return s, err
	})
}

// SaveSensor stores the working row.
func (t *tx) SaveSensor(ctx context.Context, s tracker.SensorNow) error {
	var milli *int32
	if !s.LastAt.IsZero() {
		m := int32(s.LastMilliC)
		milli = &m
	}
	_, err := t.q.Exec(ctx, `update sensor_now set last_at = $3, last_millic = $4, last_receipt = $5, silent_since = $6, clock_suspect = $7,
		zone_declared = $8, odd_minutes = $9, odd_count = $10, awaited_since = $11, unheard_told = $12 where site = $1 and sensor = $2`,
		t.id, s.Sensor, orNull(s.LastAt), milli, orNull(s.LastReceipt), orNull(s.SilentSince), s.ClockSuspect, s.ZoneDeclared, s.OddMinutes, s.OddCount,
		orNull(s.AwaitedSince), orNull(s.UnheardTold))
	if err != nil {
		return fmt.Errorf("store sensor %s: %w", s.Sensor, err)
	}
	return nil
}

// AddReadings cuts readings at UTC days into packed rows, numbered within the intake from first on. They are sorted by
// instant. It answers how many rows there were.
func (t *tx) AddReadings(ctx context.Context, intake int64, first int, sensor string, readings []thermal.Reading) (int, error) {
	var rows [][]any
	var text []byte
	months := map[time.Time]bool{}
	for part := first; len(readings) > 0; part++ {
		day := floorDay(readings[0].AtMicros)
		n := 1
		for n < len(readings) && floorDay(readings[n].AtMicros) == day {
			n++
		}
		chunk := readings[:n]
		low, high := chunk[0].MilliC, chunk[0].MilliC
		for _, r := range chunk {
			low, high = min(low, r.MilliC), max(high, r.MilliC)
		}
		from, to := instant(chunk[0].AtMicros), instant(chunk[n-1].AtMicros)
		months[time.Date(from.Year(), from.Month(), 1, 0, 0, 0, 0, time.UTC)] = true
		rows = append(rows, []any{t.id, sensor, from, to, intake, int32(part), int32(n), int32(low), int32(high), pack(chunk)})
		text = readingText(text[:0], sensor, chunk)
		t.brought.Add(readingsLine(sensor, part, from, to, n, int32(low), int32(high), chain.Of(text)))
		readings = readings[n:]
	}
	for m := range months {
		if err := t.month(ctx, m); err != nil {
			return 0, err
		}
	}
	_, err := t.q.CopyFrom(ctx, pgx.Identifier{"reading"},
		[]string{"site", "sensor", "from_at", "to_at", "intake", "part", "n", "min_millic", "max_millic", "packed"}, pgx.CopyFromRows(rows))
	if err != nil {
		return 0, fmt.Errorf("store readings of %s: %w", sensor, err)
	}
	return len(rows), nil
}

func floorDay(m int64) int64 {
	d := m / dayMicros
	if m%dayMicros < 0 {
		d--
	}
	return d
}

// month makes the partition a month's readings go into. Made ahead by the schedule; a log of last year makes its own.
func (t *tx) month(ctx context.Context, m time.Time) error {
	t.d.mu.Lock()
	known := t.d.months[m]
	t.d.mu.Unlock()
	if known {
		return nil
	}
	if _, err := t.q.Exec(ctx, `select make_reading_month($1)`, m); err != nil {
		return fmt.Errorf("make the partition of %s: %w", m.Format("2006-01"), err)
	}
	t.months = append(t.months, m)
	return nil
}

// Readings merges what is stored of an interval: identical values are one, different ones at one instant are set aside
// as conflicts.
func (t *tx) Readings(ctx context.Context, sensor string, from, to time.Time) ([]thermal.Reading, []thermal.Conflict, error) {
	parts, err := t.Raw(ctx, sensor, from, to)
	if err != nil {
		return nil, nil, err
	}
	series, conflicts := thermal.Merge(parts...)
	return series, conflicts, nil
}

// Raw unpacks every row that may hold some of the interval. Withdrawn intakes are left out.
func (t *tx) Raw(ctx context.Context, sensor string, from, to time.Time) ([][]thermal.Reading, error) {
	rows, err := t.q.Query(ctx, `select packed from reading r where site = $1 and sensor = $2 and from_at > $3 and from_at < $5 and to_at >= $4
		and not exists (select from intake i where i.site = r.site and i.intake = r.intake and i.withdrawn_seq is not null)
		order by from_at`, t.id, sensor, from.Add(-24*time.Hour), from, to)
	if err != nil {
		return nil, fmt.Errorf("read temperatures of %s: %w", sensor, err)
	}
	packed, err := pgx.CollectRows(rows, pgx.RowTo[[]byte])
	if err != nil {
		return nil, fmt.Errorf("read temperatures of %s: %w", sensor, err)
	}
	parts := make([][]thermal.Reading, 0, len(packed))
	low, high := micros(from), micros(to)
	for _, b := range packed {
		part, err := unpack(nil, b)
		if err != nil {
			return nil, fmt.Errorf("temperatures of %s: %w", sensor, err)
		}
		for len(part) > 0 && part[0].AtMicros < low {
			part = part[1:]
		}
		for len(part) > 0 && part[len(part)-1].AtMicros >= high {
			part = part[:len(part)-1]
		}
		parts = append(parts, part)
	}
	return parts, nil
}

// Checkpoint reads the newest states that have seen nothing at or after an instant.
func (t *tx) Checkpoint(ctx context.Context, sensor string, before int64) (tracker.Checkpoint, bool, error) {
	var c tracker.Checkpoint
	var at time.Time
	err := t.q.QueryRow(ctx, `select at, states from checkpoint where site = $1 and sensor = $2 and at < $3
		order by at desc limit 1`, t.id, sensor, instant(before)).Scan(&at, &c.States)
	if errors.Is(err, pgx.ErrNoRows) {
		return c, false, nil
	}
	if err != nil {
		return c, false, fmt.Errorf("read checkpoint of %s: %w", sensor, err)
	}
	c.AtMicros = micros(at)
	return c, true, nil
}

// SaveCheckpoints replaces all states of the sensor after an instant.
func (t *tx) SaveCheckpoints(ctx context.Context, sensor string, after int64, cs []tracker.Checkpoint) error {
	b := &pgx.Batch{}
	b.Queue(`delete from checkpoint where site = $1 and sensor = $2 and at > $3`, t.id, sensor, instant(after))
	for _, c := range cs {
		b.Queue(`insert into checkpoint (site, sensor, at, states) values ($1, $2, $3, $4)
			on conflict (site, sensor, at) do update set states = excluded.states`, t.id, sensor, instant(c.AtMicros), c.States)
	}
	if err := t.q.SendBatch(ctx, b).Close(); err != nil {
		return fmt.Errorf("store checkpoints of %s: %w", sensor, err)
	}
	return nil
}
