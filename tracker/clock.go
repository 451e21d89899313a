package tracker

import (
	"context"
	"fmt"
	"time"

	"vialward/alerts"
	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/thermal"
	"vialward/tracker/walltime"
)

// oddDeliveries is how many live deliveries in a row have to be off by the same amount before a clock is suspect: one
// may be a backlog, three are a clock (common practice, no source).
const oddDeliveries = 3

// clock judges the clock of a live source by its newest reading against its receipt. A suspect one is told once; its
// readings are kept and may open excursions, but they clear nothing until its zone is declared.
func (j *judgement) clock(ctx context.Context, newest int64) error {
	sample := time.UnixMicro(newest).UTC()
	offset, odd := thermal.ClockSuspect(sample, j.at, j.sensor.DeliversEvery)
	minutes := int(offset / time.Minute)
	switch {
	case !odd:
		j.now.OddCount, j.now.OddMinutes = 0, 0
		return nil
	case minutes == j.now.OddMinutes:
		j.now.OddCount++
	default:
		j.now.OddCount, j.now.OddMinutes = 1, minutes
	}
	if j.now.OddCount < oddDeliveries || j.now.ClockSuspect != "" {
		return nil
	}
	j.now.ClockSuspect = fmt.Sprintf("its clock is %d minutes behind the time its readings arrive", minutes)
	if minutes < 0 {
		j.now.ClockSuspect = fmt.Sprintf("its clock is %d minutes ahead of the time its readings arrive", -minutes)
	}
	a, _ := j.sensor.At(j.at)
	e := event(j.tx, stock.ClockSuspect, Rule, j.at, j.at, stock.Body{Sensor: j.sensor.Code, To: a.Unit, Reason: j.now.ClockSuspect})
	if err := j.tx.Append(ctx, &e); err != nil {
		return err
	}
	facts := alerts.Clock{
		Site: j.t.mailSite(j.tx.Site(), j.at), Sensor: j.sensor.Code, Unit: a.Unit, Sample: sample, Received: j.at,
		Off: -offset, Whole: minutes%30 == 0,
	}
	return j.t.post(ctx, j.tx, facts, alerts.ClockSuspect, occasion{about: "sensor/" + j.sensor.Code, slot: fmt.Sprint(e.Seq), unit: a.Unit})
}

// DeclareZone ends a clock's suspicion: a person says what zone, or that the clock was set. What came in wrongly is
// withdrawn and taken in again under the right zone; this alone moves no reading.
func (t *Tracker) DeclareZone(ctx context.Context, site string, a Actor, sensor, zone, reason string) error {
	if reason == "" {
		return stock.Refuse("reason", "", "say how the zone or clock was found out")
	}
	now := walltime.Cut(t.Now())
	return t.in(ctx, site, a, access.DeclareZone, now, func(tx Tx) error {
		s, ok := tx.Site().Sensor(sensor)
		if !ok {
			return stock.Refuse("sensor", "", "there is no sensor %q at %s", sensor, site)
		}
		n, err := tx.LockSensor(ctx, sensor)
		if err != nil {
			return err
		}
		n.ZoneDeclared, n.ClockSuspect, n.OddCount, n.OddMinutes = zone, "", 0, 0
		e := event(tx, stock.ZoneDeclared, a, now, now, stock.Body{Sensor: sensor, Note: zone, Reason: reason})
		if err := tx.Append(ctx, &e); err != nil {
			return err
		}
		if err := tx.SaveSensor(ctx, n); err != nil {
			return err
		}
		if n.LastAt.IsZero() {
			return nil
		}
		// What it could not clear while it was suspect is looked at again.
		j := &judgement{t: t, tx: tx, sensor: s, now: &n, at: now}
		if err := j.again(ctx, n.LastAt.Add(-48*time.Hour), time.Time{}); err != nil {
			return err
		}
		return t.tellLate(ctx, tx, fmt.Sprintf("event/%d", e.Seq), "the zone of sensor "+sensor+", declared", now, j.late)
	})
}

// Withdraw sets an intake's readings aside (kept, not counted) and judges its sensors again from there. Excursions it
// had shown stay, marked where nothing shows them any more.
func (t *Tracker) Withdraw(ctx context.Context, site string, a Actor, intake int64, reason string) (Intake, error) {
	var in Intake
	if reason == "" {
		return in, stock.Refuse("reason", "", "withdrawing an intake needs a reason")
	}
	now := walltime.Cut(t.Now())
	err := t.in(ctx, site, a, access.Withdraw, now, func(tx Tx) error {
		spans, err := tx.Spans(ctx, intake)
		if err != nil {
			return err
		}
		known := map[string]SensorNow{} // sensors are locked before the site's order is
		for _, span := range spans {
			if known[span.Sensor], err = tx.LockSensor(ctx, span.Sensor); err != nil {
				return err
			}
		}
		e := event(tx, stock.IntakeWithdrawn, a, now, now, stock.Body{Intake: intake, Reason: reason})
		if err := tx.Append(ctx, &e); err != nil {
			return err
		}
		if in, err = tx.WithdrawIntake(ctx, intake, e.Seq); err != nil {
			return err
		}
		if in.Withdrawn {
			return stock.Refuse("withdrawn", "", "intake %d was withdrawn before", intake)
		}
		if spans, err = tx.Spans(ctx, intake); err != nil { // again: under the order no part of it can come any more
			return err
		}
		var late []LateFind
		for _, span := range spans {
			if _, locked := known[span.Sensor]; !locked {
				return stock.Refuse("coming_in", "", "intake %d is still coming in; withdraw it when it has ended", intake)
			}
			finds, err := t.withoutIntake(ctx, tx, span, known[span.Sensor], now)
			if err != nil {
				return err
			}
			late = append(late, finds...)
		}
		return t.tellLate(ctx, tx, fmt.Sprintf("event/%d", e.Seq), fmt.Sprintf("intake %d, withdrawn", intake), now, late)
	})
	return in, err
}

// withoutIntake judges a sensor again from where an intake that does not count any more began.
func (t *Tracker) withoutIntake(ctx context.Context, tx Tx, span SensorSpan, n SensorNow, now time.Time) ([]LateFind, error) {
	s, ok := tx.Site().Sensor(span.Sensor)
	if !ok {
		return nil, nil
	}
	newest, found, err := tx.Newest(ctx, n.Sensor)
	if err != nil {
		return nil, err
	}
	n.LastAt, n.LastMilliC = time.Time{}, 0
	if found {
		n.LastAt, n.LastMilliC = time.UnixMicro(newest.AtMicros).UTC(), newest.MilliC
	}
	j := &judgement{t: t, tx: tx, sensor: s, now: &n, at: now}
	if err := j.again(ctx, span.From, span.To); err != nil {
		return nil, err
	}
	return j.late, tx.SaveSensor(ctx, n)
}
