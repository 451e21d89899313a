package db

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"vialward/tracker/chain"
	"vialward/tracker/thermal"
)

const (
	dayMicros = 24 * 60 * 60 * 1_000_000
	fewRows   = 16 // days of readings that go along with other statements; from there on COPY, a trip of its own, is cheaper
)

func micros(t time.Time) int64  { return t.UnixMicro() }
func instant(m int64) time.Time { return time.UnixMicro(m).UTC() }

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
		t.delivered.brought.Add(readingsLine(sensor, part, from, to, n, int32(low), int32(high), chain.Of(text)))
		readings = readings[n:]
	}
	for m := range months {
		if err := t.month(ctx, m); err != nil {
			return 0, err
		}
	}
	doing := "store readings of " + sensor
	if len(rows) <= fewRows {
		for _, r := range rows {
			t.q.later(doing, `insert into reading (site, sensor, from_at, to_at, intake, part, n, min_millic, max_millic, packed)
				values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`, r...)
		}
		return len(rows), nil
	}
	_, err := t.q.CopyFrom(ctx, pgx.Identifier{"reading"},
		[]string{"site", "sensor", "from_at", "to_at", "intake", "part", "n", "min_millic", "max_millic", "packed"}, pgx.CopyFromRows(rows))
	if err != nil {
		return 0, fmt.Errorf("%s: %w", doing, err)
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
	if known || slices.Contains(t.months, m) {
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
