package tracker

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"vialward/tracker/stock"
)

// sensorAgain is a sensor to be judged again from an instant on, locked.
type sensorAgain struct {
	code string
	from time.Time
	now  SensorNow
}

// changedSensors finds and locks the sensors of which a new document says something else about the past: a calibration or
// an assignment changed. They are judged again from the first instant it concerns, in the commit that changes it. One that
// was never heard is locked too: its first reading may be on its way.
func changedSensors(ctx context.Context, tx Tx, old, next *stock.Site) ([]sensorAgain, error) {
	from := map[string]time.Time{}
	for _, s := range next.Sensors {
		was, ok := old.Sensor(s.Code)
		if at, changed := changedFrom(was, s); ok && changed {
			from[s.Code] = at
		}
	}
	if len(from) == 0 {
		return nil, nil
	}
	locked, err := tx.LockSensors(ctx, slices.Collect(maps.Keys(from)))
	var again []sensorAgain
	for _, now := range locked {
		if !now.LastAt.IsZero() {
			again = append(again, sensorAgain{code: now.Sensor, from: from[now.Sensor], now: now})
		}
	}
	return again, err
}

// judgeAgain re-runs the excursion machines of changed sensors under the document just stored.
func (t *Tracker) judgeAgain(ctx context.Context, tx Tx, sensors []sensorAgain, version int, now time.Time) error {
	var late []LateFind
	for i := range sensors {
		x := &sensors[i]
		s, _ := tx.Site().Sensor(x.code)
		j := &judgement{t: t, tx: tx, sensor: s, now: &x.now, at: now}
		if err := j.again(ctx, x.from, time.Time{}); err != nil {
			return fmt.Errorf("judge sensor %s again: %w", x.code, err)
		}
		late = append(late, j.late...)
	}
	return t.tellLate(ctx, tx, fmt.Sprintf("site/%d", version), fmt.Sprintf("version %d of the site file", version), now, late)
}

// changedFrom is the first instant at which two documents say something different of how a sensor's readings are taken.
func changedFrom(old, next stock.Sensor) (from time.Time, changed bool) {
	note := func(t time.Time) {
		if !changed || t.Before(from) {
			from, changed = t, true
		}
	}
	for _, pair := range [][2]stock.Sensor{{old, next}, {next, old}} {
		for _, c := range pair[0].Calibrations {
			i := slices.IndexFunc(pair[1].Calibrations, func(o stock.Calibration) bool {
				return o.From.Equal(c.From) && o.OffsetMilliC == c.OffsetMilliC && o.UncertaintyMilliC == c.UncertaintyMilliC
			})
			if i < 0 {
				note(c.From)
			} else if o := pair[1].Calibrations[i]; !o.To.Equal(c.To) {
				note(earlierEnd(o.To, c.To))
			}
		}
		for _, a := range pair[0].Assignments {
			i := slices.IndexFunc(pair[1].Assignments, func(o stock.Assignment) bool {
				return o.Unit == a.Unit && o.From.Equal(a.From) && slices.Equal(o.Shelves, a.Shelves)
			})
			if i < 0 {
				note(a.From)
			} else if o := pair[1].Assignments[i]; !o.To.Equal(a.To) {
				note(earlierEnd(o.To, a.To))
			}
		}
	}
	return from, changed
}

// earlierEnd of two ends that differ; zero is no end.
func earlierEnd(a, b time.Time) time.Time {
	if a.IsZero() || !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}
