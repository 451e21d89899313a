package db

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"vialward/tracker"
	"vialward/tracker/thermal"
)

// Snapshot reads the numbers of all sites, in one unchanging view.
func (d *DB) Snapshot(ctx context.Context, now time.Time) (s tracker.Snapshot, err error) {
	s.At = now
	p, err := d.pool.BeginTx(ctx, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly})
	if err != nil {
		return s, fmt.Errorf("begin the snapshot: %w", err)
	}
	defer func() { _ = p.Rollback(context.WithoutCancel(ctx)) }() // it only read
	for _, part := range []func() error{
		func() error {
			s.Sites, err = collect[string](ctx, p, `select code from site order by code`)
			return err
		},
		func() error {
			s.Vials, err = collectRows[tracker.VialCount](ctx, p, `select s.code, coalesce(v.unit, ''), v.product, v.state, count(*)
				from vial v join site s using (site) group by 1, 2, 3, 4 order by 1, 2, 3, 4`)
			return err
		},
		func() error { s.BUDs, err = buds(ctx, p, now); return err },
		func() error { s.Sensors, err = sensorCounts(ctx, p, now); return err },
		func() error { s.Open, err = d.openCounts(ctx, p, s.Sites, now); return err },
		func() error { s.Mail, err = mailCounts(ctx, p); return err },
		func() error { s.Values, err = valueCounts(ctx, p); return err },
		func() error { s.Sweeps, err = sweepCounts(ctx, p); return err },
		func() error {
			s.Verified, err = collectRows[tracker.VerifiedCount](ctx, p, `select s.code, v.at, v.seconds, v.events, v.faults
				from verification v join site s using (site) order by 1`)
			return err
		},
	} {
		if err := part(); err != nil {
			return s, fmt.Errorf("snapshot: %w", err)
		}
	}
	for i := range s.Sensors {
		site, err := d.site(ctx, p, s.Sensors[i].Site)
		if err != nil {
			return s, fmt.Errorf("snapshot: %w", err)
		}
		x, ok := site.Sensor(s.Sensors[i].Sensor)
		if !ok {
			continue
		}
		c := &s.Sensors[i]
		n := tracker.SensorNow{Sensor: c.Sensor, LastAt: c.LastAt, LastMilliC: c.LastMilliC}
		if !c.ClockSuspect {
			o, foretold, err := tracker.OpeningOf(ctx, &tx{d: d, q: &queries{Tx: p}, site: site, id: site.ID}, n, now)
			if err != nil {
				return s, fmt.Errorf("snapshot: %w", err)
			}
			if foretold {
				c.Opens, c.OpensBy = o.Earliest, o.Latest
			}
		}
		c.Complete(x, now)
	}
	for _, code := range s.Sites {
		site, err := d.site(ctx, p, code)
		if err != nil {
			return s, fmt.Errorf("snapshot: %w", err)
		}
		s.WithUnheard(site)
	}
	return s, nil
}

func collect[T any](ctx context.Context, p pgx.Tx, sql string, args ...any) ([]T, error) {
	rows, err := p.Query(ctx, sql, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[T])
}

func collectRows[T any](ctx context.Context, p pgx.Tx, sql string, args ...any) ([]T, error) {
	rows, err := p.Query(ctx, sql, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[T])
}

func buds(ctx context.Context, p pgx.Tx, now time.Time) ([]tracker.BUDCount, error) {
	rows, err := p.Query(ctx, `select s.code, v.unit, min(v.bud) filter (where v.bud > $1), count(*) filter (where v.bud <= $1)
		from vial v join site s using (site) where v.state in ('prepared', 'available') and v.unit is not null group by 1, 2 order by 1, 2`, now)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (tracker.BUDCount, error) {
		var b tracker.BUDCount
		var next *time.Time
		err := r.Scan(&b.Site, &b.Unit, &next, &b.Past)
		b.Next = orZero(next)
		return b, err
	})
}

// openCounts counts the excursions that go on in open cases, for every sensor of every site.
func (d *DB) openCounts(ctx context.Context, p pgx.Tx, sites []string, now time.Time) ([]tracker.OpenCount, error) {
	open, err := collectRows[tracker.OpenCount](ctx, p, `select s.code, x.unit, x.sensor, x.kind, count(*)
		from incident i join excursion x using (site, case_no) join site s using (site)
		where i.state = 'open' and x.cleared_at is null and x.merged_into is null and not x.not_borne_out group by 1, 2, 3, 4 order by 1, 2, 3, 4`)
	if err != nil {
		return nil, err
	}
	seen := map[tracker.OpenCount]bool{}
	for _, o := range open {
		o.N = 0
		seen[o] = true
	}
	for _, code := range sites {
		site, err := d.site(ctx, p, code)
		if err != nil {
			return nil, err
		}
		for _, sensor := range site.Sensors {
			a, ok := sensor.At(now)
			if !ok {
				continue
			}
			for _, kind := range []thermal.Kind{thermal.Warm, thermal.Cold, thermal.Freeze, thermal.NoData} {
				c := tracker.OpenCount{Site: code, Unit: a.Unit, Sensor: sensor.Code, Kind: string(kind)}
				if !seen[c] {
					open = append(open, c)
				}
			}
		}
	}
	return open, nil
}

// sensorCounts leaves unit and coverage to whoever knows the site's document: n is what is stored of the last day. Rows
// hold up to a day: of one that begins before that, its readings are looked at.
func sensorCounts(ctx context.Context, p pgx.Tx, now time.Time) ([]tracker.SensorCount, error) {
	const borneOut = `not exists (select from intake i where i.site = r.site and i.intake = r.intake and i.withdrawn_seq is not null)`
	from := now.Add(-24 * time.Hour)
	rows, err := p.Query(ctx, `select s.code, n.sensor, n.last_at, coalesce(n.last_millic, 0), n.clock_suspect <> '', n.steady_count,
			coalesce((select sum(r.n) from reading r where r.site = n.site and r.sensor = n.sensor and r.from_at > $1 and r.from_at <= $2 and `+borneOut+`), 0)::float8,
			array(select r.packed from reading r where r.site = n.site and r.sensor = n.sensor and r.from_at > $3 and r.from_at <= $1 and r.to_at > $1 and `+borneOut+`)
		from sensor_now n join site s using (site) where n.last_at is not null order by 1, 2`, from, now, from.Add(-24*time.Hour))
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (tracker.SensorCount, error) {
		var c tracker.SensorCount
		var cut [][]byte
		if err := r.Scan(&c.Site, &c.Sensor, &c.LastAt, &c.LastMilliC, &c.ClockSuspect, &c.Steady.Readings, &c.Coverage, &cut); err != nil {
			return c, err
		}
		for _, b := range cut {
			rs, err := unpack(nil, b)
			if err != nil {
				return c, fmt.Errorf("readings of %s: %w", c.Sensor, err)
			}
			for _, x := range rs {
				if x.AtMicros > micros(from) {
					c.Coverage++
				}
			}
		}
		return c, nil
	})
}

func mailCounts(ctx context.Context, p pgx.Tx) ([]tracker.MailCount, error) {
	rows, err := p.Query(ctx, `select s.code, o.state, count(*), min(o.created_at) filter (where o.state in ('waiting', 'claimed')),
			max(o.created_at) filter (where o.state = 'accepted')
		from outbox o join site s using (site) group by 1, 2 order by 1, 2`)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (tracker.MailCount, error) {
		var c tracker.MailCount
		var oldest, last *time.Time
		err := r.Scan(&c.Site, &c.State, &c.N, &oldest, &last)
		c.OldestUnsent, c.LastAccepted = orZero(oldest), orZero(last)
		return c, err
	})
}

func valueCounts(ctx context.Context, p pgx.Tx) ([]tracker.ValueCount, error) {
	rows, err := p.Query(ctx, `select s.code, values_read, stored, duplicate, conflicting, missing, refused
		from intake_total join site s using (site) order by 1`)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (tracker.ValueCount, error) {
		var c tracker.ValueCount
		err := r.Scan(&c.Site, &c.Read, &c.Stored, &c.Duplicate, &c.Conflicting, &c.Missing, &c.Refused)
		return c, err
	})
}

func sweepCounts(ctx context.Context, p pgx.Tx) ([]tracker.SweepCount, error) {
	rows, err := p.Query(ctx, `select s.code, count(*), count(w.confirmed_at), count(w.missed_at), max(w.made_at)
		from sweep w join site s using (site) group by 1 order by 1`)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (tracker.SweepCount, error) {
		var c tracker.SweepCount
		var last *time.Time
		err := r.Scan(&c.Site, &c.Made, &c.Confirmed, &c.Missed, &last)
		c.LastMade = orZero(last)
		return c, err
	})
}
