package db

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"vialward/tracker"
)

// LockSensor is LockSensors of one.
func (t *tx) LockSensor(ctx context.Context, sensor string) (tracker.SensorNow, error) {
	all, err := t.LockSensors(ctx, []string{sensor})
	if err != nil {
		return tracker.SensorNow{}, err
	}
	return all[0], nil
}

// LockSensors makes the sensors' working rows if need be and locks them until commit, in the order of their codes, all in
// one trip to the server. What was read before they were ours is read again then: the newest checkpoints, and whether the
// site's document is still the one in force. Each statement has a view of its own, later than the lock before it.
func (t *tx) LockSensors(ctx context.Context, codes []string) ([]tracker.SensorNow, error) {
	codes = slices.Compact(slices.Sorted(slices.Values(codes)))
	what := "lock sensor " + strings.Join(codes[:min(len(codes), 5)], ", ")
	var b pgx.Batch
	b.Queue(`insert into sensor_now (site, sensor) select $1, c from unnest($2::text[]) c order by c on conflict do nothing`, t.id, codes)
	b.Queue(selectSensors+` and sensor = any($2) order by sensor for update`, t.id, codes)
	b.Queue(`select s.sensor, c.at, c.states from unnest($2::text[]) s(sensor) cross join lateral
		(select at, states from checkpoint where site = $1 and sensor = s.sensor order by at desc limit 1) c`, t.id, codes)
	b.Queue(`select `+newestVersion+` from site s where s.site = $1`, t.id)
	sent := t.q.SendBatch(ctx, &b)
	all, version, err := t.locked(sent, codes)
	if err = cmp.Or(err, sent.Close()); err != nil {
		return nil, fmt.Errorf("%s: %w", what, err)
	}
	if len(all) != len(codes) {
		return nil, fmt.Errorf("%s: %d of %d are there", what, len(all), len(codes))
	}
	if version != nil && *version > t.site.Version { // this transaction may be about to store a newer one itself
		if t.site, err = t.d.document(ctx, t.q, t.id, t.site.Code, *version); err != nil {
			return nil, err
		}
	}
	return all, nil
}

// locked reads the answers of LockSensors.
func (t *tx) locked(sent pgx.BatchResults, codes []string) (all []tracker.SensorNow, version *int, err error) {
	if _, err := sent.Exec(); err != nil {
		return nil, nil, err
	}
	rows, err := sent.Query()
	if err != nil {
		return nil, nil, err
	}
	if all, err = pgx.CollectRows(rows, scanSensor); err != nil {
		return nil, nil, err
	}
	if rows, err = sent.Query(); err != nil {
		return nil, nil, err
	}
	if t.newest == nil {
		t.newest = map[string]*tracker.Checkpoint{}
	}
	for _, c := range codes {
		t.newest[c] = nil
	}
	var sensor string
	var at time.Time
	var states []byte
	_, err = pgx.ForEachRow(rows, []any{&sensor, &at, &states}, func() error {
		t.newest[sensor] = &tracker.Checkpoint{AtMicros: micros(at), States: bytes.Clone(states)}
		return nil
	})
	if err != nil {
		return nil, nil, err
	}
	return all, version, sent.QueryRow().Scan(&version)
}

// SensorsNow lists every sensor that ever spoke or was looked for.
func (t *tx) SensorsNow(ctx context.Context) ([]tracker.SensorNow, error) {
	rows, err := t.q.Query(ctx, selectSensors+` order by sensor`, t.id)
	if err != nil {
		return nil, fmt.Errorf("read sensors: %w", err)
	}
	return pgx.CollectRows(rows, scanSensor)
}

const selectSensors = `select sensor, last_at, coalesce(last_millic, 0), last_receipt, silent_since, clock_suspect, zone_declared, odd_minutes, odd_count,
		awaited_since, unheard_told, coalesce(steady_millic, 0), steady_since, steady_count
	from sensor_now where site = $1`

func scanSensor(r pgx.CollectableRow) (tracker.SensorNow, error) {
	var s tracker.SensorNow
	var last, receipt, silent, awaited, told, steady *time.Time
	err := r.Scan(&s.Sensor, &last, &s.LastMilliC, &receipt, &silent, &s.ClockSuspect, &s.ZoneDeclared, &s.OddMinutes, &s.OddCount, &awaited, &told,
		&s.Steady.MilliC, &steady, &s.Steady.Readings)
	s.LastAt, s.LastReceipt, s.SilentSince = orZero(last), orZero(receipt), orZero(silent)
	s.AwaitedSince, s.UnheardTold = orZero(awaited), orZero(told)
	if steady != nil {
		s.Steady.SinceMicros = micros(*steady)
	}
	return s, err
}

// SaveSensor stores the working row.
func (t *tx) SaveSensor(_ context.Context, s tracker.SensorNow) error {
	var milli, steady *int32
	var since *time.Time
	if !s.LastAt.IsZero() {
		m := int32(s.LastMilliC)
		milli = &m
	}
	if s.Steady.Readings > 0 {
		m, at := int32(s.Steady.MilliC), instant(s.Steady.SinceMicros)
		steady, since = &m, &at
	}
	t.q.later("store sensor "+s.Sensor, `update sensor_now set last_at = $3, last_millic = $4, last_receipt = $5, silent_since = $6, clock_suspect = $7,
		zone_declared = $8, odd_minutes = $9, odd_count = $10, awaited_since = $11, unheard_told = $12,
		steady_millic = $13, steady_since = $14, steady_count = $15 where site = $1 and sensor = $2`,
		t.id, s.Sensor, orNull(s.LastAt), milli, orNull(s.LastReceipt), orNull(s.SilentSince), s.ClockSuspect, s.ZoneDeclared, s.OddMinutes, s.OddCount,
		orNull(s.AwaitedSince), orNull(s.UnheardTold), steady, since, s.Steady.Readings)
	return nil
}

// Checkpoint reads the newest states that have seen nothing at or after an instant.
func (t *tx) Checkpoint(ctx context.Context, sensor string, before int64) (tracker.Checkpoint, bool, error) {
	if newest, known := t.newest[sensor]; known && newest == nil {
		return tracker.Checkpoint{}, false, nil
	} else if known && newest.AtMicros < before {
		return *newest, true, nil
	}
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
func (t *tx) SaveCheckpoints(_ context.Context, sensor string, after int64, cs []tracker.Checkpoint) error {
	doing := "store checkpoints of " + sensor
	newest, locked := t.newest[sensor]
	if !locked || newest != nil && newest.AtMicros > after {
		t.q.later(doing, `delete from checkpoint where site = $1 and sensor = $2 and at > $3`, t.id, sensor, instant(after))
		delete(t.newest, sensor) // which is the newest of those left is not known
	}
	for _, c := range cs { // by instant, all of them after that one
		t.q.later(doing, `insert into checkpoint (site, sensor, at, states) values ($1, $2, $3, $4)
			on conflict (site, sensor, at) do update set states = excluded.states`, t.id, sensor, instant(c.AtMicros), c.States)
		if locked {
			t.newest[sensor] = &c
		}
	}
	return nil
}
