package tracker

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/templog"
	"vialward/tracker/thermal"
)

// store writes what is pending, a transaction for each sensor.
func (k *taking) store(ctx context.Context) error {
	for i := range k.pending {
		s := &k.pending[i]
		if len(s.readings) == 0 {
			continue
		}
		var e effects
		err := k.t.Store.In(ctx, k.set.Code, func(tx Tx) error {
			id, err := k.begin(ctx, tx)
			if err != nil {
				return err
			}
			now, err := tx.LockSensor(ctx, s.code)
			if err != nil {
				return err
			}
			if e, err = k.one(ctx, tx, id, &now, s.readings); err != nil {
				return err
			}
			return k.record(ctx, tx, stock.IntakePart, id, e)
		})
		if err != nil {
			return fmt.Errorf("readings of %s: %w", s.code, err)
		}
		k.add(e)
		k.held -= len(s.readings)
		s.readings = s.readings[:0]
	}
	return nil
}

// effects is what one sensor's chunk came to; kept apart until its transaction has committed, since it may run twice.
type effects struct {
	intake                         int64
	parts                          int // rows of readings
	first, last                    int64
	stored, duplicate, conflicting int
	late                           []LateFind
}

func (k *taking) add(e effects) {
	k.in.ID = e.intake
	k.parts += e.parts
	k.in.Rows.Stored += int64(e.stored)
	k.in.Rows.Duplicate += int64(e.duplicate)
	k.in.Rows.Conflicting += int64(e.conflicting)
	k.late = append(k.late, e.late...)
}

// one stores what is new of one sensor and judges it. The sensor is locked; now is its working row, and stays so.
func (k *taking) one(ctx context.Context, tx Tx, intake int64, now *SensorNow, readings []thermal.Reading) (effects, error) {
	e := effects{intake: intake}
	sensor, ok := tx.Site().Sensor(now.Sensor)
	if !ok {
		return e, stock.Refuse("sensor", "", "sensor %q was taken out of the site file while its readings came in; send them again", now.Sensor)
	}
	slices.SortStableFunc(readings, func(a, b thermal.Reading) int { return cmp.Compare(a.AtMicros, b.AtMicros) })
	first, last := readings[0].AtMicros, readings[len(readings)-1].AtMicros
	var known []thermal.Reading
	if !now.LastAt.IsZero() && first <= now.LastAt.UnixMicro() { // else nothing stored can meet it
		parts, err := tx.Raw(ctx, sensor.Code, time.UnixMicro(first), time.UnixMicro(last+1))
		if err != nil {
			return e, err
		}
		known = slices.Concat(parts...)
		slices.SortFunc(known, func(a, b thermal.Reading) int { return cmp.Compare(a.AtMicros, b.AtMicros) })
	}
	fresh, duplicates, conflicting := thermal.Classify(known, readings)
	e.duplicate, e.conflicting, e.stored = duplicates, conflicting, len(readings)-duplicates-conflicting
	if len(fresh) > 0 {
		var err error
		if e.parts, err = tx.AddReadings(ctx, e.intake, k.parts+1, sensor.Code, fresh); err != nil {
			return e, err
		}
		e.first, e.last = fresh[0].AtMicros, fresh[len(fresh)-1].AtMicros
	}
	j := &judgement{t: k.t, tx: tx, sensor: sensor, now: now, at: k.now, live: k.d.Live}
	if err := j.take(ctx, fresh, last); err != nil {
		return e, err
	}
	e.late = j.late
	return e, tx.SaveSensor(ctx, *now)
}

// record appends the event that speaks for what this transaction stores of the delivery: in Number how many rows of
// readings, in Since and Until what time they are of.
func (k *taking) record(ctx context.Context, tx Tx, kind stock.Kind, intake int64, stored ...effects) error {
	if k.begun() && !k.fresh {
		if err := stillCounts(ctx, tx, intake); err != nil {
			return err
		}
	}
	b := stock.Body{Intake: intake}
	for _, e := range stored {
		if e.parts == 0 {
			continue
		}
		first, last := time.UnixMicro(e.first).UTC(), time.UnixMicro(e.last).UTC()
		if b.Number += e.parts; b.Since == nil || first.Before(*b.Since) {
			b.Since = &first
		}
		if b.Until == nil || last.After(*b.Until) {
			b.Until = &last
		}
	}
	e := stock.Event{Kind: kind, At: k.now, EnteredAt: k.now, By: k.in.By, Via: k.via, Body: b}
	return tx.Append(ctx, &e)
}

// stillCounts refuses a further part of an intake that was withdrawn since the last one: nobody would expect it to count.
// Under the site's order a withdrawal is before this, or after all of it.
func stillCounts(ctx context.Context, tx Tx, intake int64) error {
	if err := tx.Order(ctx); err != nil {
		return err
	}
	withdrawn, err := tx.Withdrawn(ctx, intake)
	if err == nil && withdrawn {
		err = stock.Refuse("withdrawn", "", "intake %d was withdrawn while it came in, and what was taken of it is set aside; send it again if it is to count", intake)
	}
	return err
}

// begin makes the intake's row with the first thing stored.
func (k *taking) begin(ctx context.Context, tx Tx) (int64, error) {
	if k.begun() {
		return k.in.ID, nil
	}
	return tx.NewIntake(ctx, k.in)
}

// finish stores the rest of deliveries of one site, and their classes, in one transaction: what becomes of each is as if
// they were finished one after another.
func (t *Tracker) finish(ctx context.Context, site string, all []*taking) error {
	done := make([]taking, len(all))
	err := t.Store.In(ctx, site, func(tx Tx) error {
		sensors, number, err := lockAll(ctx, tx, all)
		if err != nil {
			return err
		}
		for i, k := range all {
			done[i] = *k // as it was, in case this runs again
			if !k.begun() {
				done[i].in.ID, done[i].fresh = number, true
				if _, err := tx.NewIntake(ctx, done[i].in); err != nil {
					return err
				}
				number++
			}
			if err := done[i].rest(ctx, tx, sensors); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	for i, k := range all {
		*k = done[i]
	}
	return nil
}

// begun says that a part of it is on record.
func (k *taking) begun() bool { return k.in.ID > 0 }

// lockAll takes what several deliveries share in the one order of locks, before anything is judged: the count of intakes,
// of which the first number is answered, then all sensors by code.
func lockAll(ctx context.Context, tx Tx, all []*taking) (sensors map[string]*SensorNow, number int64, err error) {
	fresh := 0
	var codes []string
	for _, k := range all {
		if !k.begun() {
			fresh++
		}
		for _, s := range k.pending {
			if len(s.readings) > 0 {
				codes = append(codes, s.code)
			}
		}
	}
	if fresh > 0 {
		if number, err = tx.NumberIntakes(ctx, fresh); err != nil {
			return nil, 0, err
		}
	}
	sensors = map[string]*SensorNow{}
	if len(codes) == 0 {
		return sensors, number, nil
	}
	locked, err := tx.LockSensors(ctx, codes)
	for i := range locked {
		sensors[locked[i].Sensor] = &locked[i]
	}
	return sensors, number, err
}

// rest stores what is pending of a delivery, by sensor, and its classes, and tells of what was found in late data.
func (k *taking) rest(ctx context.Context, tx Tx, sensors map[string]*SensorNow) error {
	pending := slices.DeleteFunc(slices.Clone(k.pending), func(s sensorValues) bool { return len(s.readings) == 0 })
	slices.SortFunc(pending, func(a, b sensorValues) int { return cmp.Compare(a.code, b.code) })
	k.late = slices.Clone(k.late)
	var stored []effects
	for _, s := range pending {
		e, err := k.one(ctx, tx, k.in.ID, sensors[s.code], s.readings)
		if err != nil {
			return fmt.Errorf("readings of %s: %w", s.code, err)
		}
		k.add(e)
		stored = append(stored, e)
	}
	parsed := k.d.Values.Rows()
	k.in.Finished = k.now
	k.in.Rows.Read, k.in.Rows.Missing, k.in.Rows.Refused = k.given+parsed.Missing+parsed.Refused, parsed.Missing, parsed.Refused+k.own
	k.in.Refused = slices.Concat(k.d.Values.Refused(), k.refused)
	slices.SortStableFunc(k.in.Refused, func(a, b templog.Refusal) int { return cmp.Compare(a.Line, b.Line) })
	if n := k.in.NotRead; n != nil {
		k.in.Refused = append(k.in.Refused, templog.Refusal{Line: n.FromLine, Why: n.String()})
	}
	if err := tx.FinishIntake(ctx, k.in); err != nil {
		return err
	}
	if err := k.record(ctx, tx, stock.IntakeTaken, k.in.ID, stored...); err != nil {
		return err
	}
	return k.t.tellLate(ctx, tx, fmt.Sprintf("intake/%d", k.in.ID), k.in.Name, k.now, k.late)
}
