package tracker

import (
	"context"
	"fmt"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/thermal"
)

// endedBy says whether the sensor had been taken from the unit by an instant.
func (w watch) endedBy(micros int64) bool {
	return !w.assignment.To.IsZero() && w.assignment.To.UnixMicro() <= micros
}

// cut ends what was found at the end of the sensor's assignment, once that has come: nothing measured there later can end
// it. What it did not measure up to its end is a gap like any other.
func (w watch) cut(s thermal.State, found []thermal.Excursion, now time.Time) []thermal.Excursion {
	if !w.endedBy(now.UnixMicro()) {
		return found
	}
	end := w.assignment.To.UnixMicro()
	for i := range found {
		x := &found[i]
		if x.Over() {
			continue
		}
		if x.ToMicros == 0 {
			x.ToMicros = max(x.FromMicros, x.LastMicros)
		}
		if x.WorstToMicros == 0 {
			x.WorstToMicros = end
		}
		x.ClearedMicros = end
	}
	if w.rule.Kind == thermal.NoData && s.Seen && end-s.LastMicros > w.rule.MaxGap.Microseconds() {
		found = append(found, thermal.Excursion{
			Kind: thermal.NoData, FromMicros: s.LastMicros, ToMicros: end, WorstFromMicros: s.LastMicros, WorstToMicros: end,
			OpenedMicros: end, ClearedMicros: end, LastMicros: s.LastMicros,
		})
	}
	return found
}

// longestEnded is how far back Tick looks for assignments that ended while nobody asked.
const longestEnded = 30 * 24 * time.Hour

// AssignmentsEnded judges sensors whose assignment to a unit has ended since, once: they may say nothing there any more
// that would.
func (t *Tracker) AssignmentsEnded(ctx context.Context, site string, now time.Time) error {
	var set *stock.Site
	if err := t.Store.Read(ctx, site, func(v View) error { set = v.Site(); return nil }); err != nil {
		return err
	}
	for _, s := range set.Sensors {
		for _, a := range s.Assignments {
			if a.To.IsZero() || a.To.After(now) || now.Sub(a.To) > longestEnded {
				continue
			}
			if err := t.assignmentEnded(ctx, site, s.Code, a, now); err != nil {
				return fmt.Errorf("sensor %s at %s: %w", s.Code, a.Unit, err)
			}
		}
	}
	return nil
}

func (t *Tracker) assignmentEnded(ctx context.Context, site, sensor string, a stock.Assignment, now time.Time) error {
	slot := fmt.Sprintf("%s %s %d", sensor, a.Unit, a.To.Unix())
	done := false
	if err := t.Store.Read(ctx, site, func(v View) (err error) {
		done, err = v.Done(ctx, "assignment ended", slot)
		return err
	}); err != nil || done {
		return err
	}
	return t.Store.In(ctx, site, func(tx Tx) error {
		n, err := tx.LockSensor(ctx, sensor)
		if err != nil {
			return err
		}
		first, err := tx.Once(ctx, "assignment ended", slot, now)
		if err != nil || !first {
			return err
		}
		s, _ := tx.Site().Sensor(sensor)
		j := &judgement{t: t, tx: tx, sensor: s, now: &n, at: now}
		if err := j.again(ctx, a.To, a.To); err != nil {
			return err
		}
		return t.tellLate(ctx, tx, "assignment/"+slot, fmt.Sprintf("the end of sensor %s's time at %s", sensor, a.Unit), now, j.late)
	})
}
