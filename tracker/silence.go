package tracker

import (
	"context"
	"fmt"
	"slices"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/thermal"
)

// Silence looks for sensors that have not been heard for too long, by receipt. Silence is an alarm: each opens a case
// of its own kind; all of a site at once is said in one mail, since it is one fault.
func (t *Tracker) Silence(ctx context.Context, site string, now time.Time) error {
	var heard map[string]SensorNow
	var set *stock.Site
	var told SiteSilence
	err := t.Store.Read(ctx, site, func(v View) (err error) {
		set = v.Site()
		if heard, err = sensorsByCode(ctx, v); err != nil {
			return err
		}
		told, err = v.SiteSilence(ctx)
		return err
	})
	if err != nil {
		return err
	}
	if err := t.unheard(ctx, site, set, heard, now); err != nil {
		return fmt.Errorf("sensors never heard: %w", err)
	}
	quiet := allQuiet(set, heard, now)
	for _, s := range set.Sensors {
		n := heard[s.Code]
		if n.LastAt.IsZero() || !n.SilentSince.IsZero() || !overdue(s, n, now) {
			continue
		}
		if err := t.silent(ctx, site, s, now, quiet); err != nil {
			return fmt.Errorf("silence of sensor %s: %w", s.Code, err)
		}
	}
	switch {
	case quiet:
		return t.tellAllSilent(ctx, site, now)
	case !told.Since.IsZero():
		return t.backAgain(ctx, site, now)
	}
	return nil
}

func sensorsByCode(ctx context.Context, v View) (map[string]SensorNow, error) {
	all, err := v.SensorsNow(ctx)
	heard := make(map[string]SensorNow, len(all))
	for _, n := range all {
		heard[n.Sensor] = n
	}
	return heard, err
}

// grace after a delivery was due before silence is an alarm: what is left of the site's figure, which counts from the
// last one that came; without a figure two more deliveries (common practice, no source).
func grace(s stock.Sensor) time.Duration {
	if s.SilentAfterMins > 0 {
		return max(0, time.Duration(s.SilentAfterMins)*time.Minute-s.DeliversEvery)
	}
	return 2 * s.DeliversEvery
}

// overdue: a sensor in use now that has not delivered for its rhythm and grace. One never heard counts from its
// assignment, or from when it was first looked for where that is later.
func overdue(s stock.Sensor, n SensorNow, now time.Time) bool {
	a, ok := s.At(now)
	if !ok {
		return false
	}
	last := laterOf(n.LastReceipt, a.From)
	if n.LastAt.IsZero() {
		last = laterOf(last, n.AwaitedSince)
	}
	return thermal.Silent(last.UnixMicro(), s.DeliversEvery, grace(s), now.UnixMicro())
}

// silent opens the sensor's no-data excursion as of now: from its last reading, of unknown size.
func (t *Tracker) silent(ctx context.Context, site string, s stock.Sensor, now time.Time, together bool) error {
	return t.Store.In(ctx, site, func(tx Tx) error {
		n, err := tx.LockSensor(ctx, s.Code)
		if err != nil {
			return err
		}
		if n.LastAt.IsZero() || !n.SilentSince.IsZero() || !overdue(s, n, now) {
			return nil // another daemon was first, or it spoke meanwhile
		}
		n.SilentSince = now
		if err := tx.SaveSensor(ctx, n); err != nil {
			return err
		}
		if err := tx.Order(ctx); err != nil {
			return err
		}
		j := &judgement{t: t, tx: tx, sensor: s, now: &n, at: now, appended: true, together: together, all: together}
		for _, w := range j.watches() {
			if w.rule.Kind != thermal.NoData || !w.assignment.To.IsZero() {
				continue
			}
			if err := j.silence(ctx, w, silence(n, w.assignment)); err != nil {
				return err
			}
		}
		return nil
	})
}

// silence opens a gap that has just been noticed, unless the record has it.
func (j *judgement) silence(ctx context.Context, w watch, x thermal.Excursion) error {
	old, err := j.tx.Excursions(ctx, j.sensor.Code, w.key, time.UnixMicro(x.FromMicros))
	if err != nil {
		return err
	}
	if slices.ContainsFunc(old, func(o ExcursionRow) bool { return !o.Found.Over() && o.MergedInto == 0 && !o.NotBorneOut }) {
		return nil
	}
	return j.openedNow(ctx, w, x)
}

// openedNow is opened for what is happening now, however old the last reading is: silence is not late data.
func (j *judgement) openedNow(ctx context.Context, w watch, x thermal.Excursion) error {
	last := j.now.LastAt
	j.now.LastAt = j.at
	err := j.opened(ctx, w, x)
	j.now.LastAt = last
	return err
}
