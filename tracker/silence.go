package tracker

import (
	"context"
	"fmt"
	"slices"
	"time"

	"vialward/alerts"
	"vialward/tracker/stock"
	"vialward/tracker/thermal"
)

// Silence looks for sensors that have not been heard for too long, by receipt. Silence is an alarm: each opens a case
// of its own kind; all of a site at once is said in one mail, since it is one fault.
func (t *Tracker) Silence(ctx context.Context, site string, now time.Time) error {
	var heard map[string]SensorNow
	var set *stock.Site
	err := t.Store.Read(ctx, site, func(v View) (err error) {
		set = v.Site()
		heard, err = sensorsByCode(ctx, v)
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
	if quiet {
		return t.tellAllSilent(ctx, site, now)
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

// siteQuiet says whether every sensor of the site is silent.
func siteQuiet(ctx context.Context, v View, now time.Time) (bool, error) {
	heard, err := sensorsByCode(ctx, v)
	return err == nil && allQuiet(v.Site(), heard, now), err
}

// grace after a delivery was due before silence is an alarm: the site's figure, else two more deliveries (common
// practice, no source).
func grace(s stock.Sensor) time.Duration {
	if s.SilentAfterMins > 0 {
		return time.Duration(s.SilentAfterMins) * time.Minute
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

// allQuiet: at least two sensors that have been heard are in use and none delivered in its time; those never heard have
// an alarm of their own. It is asked with half the grace, so the one mail is sent instead of the first sensor's own.
func allQuiet(set *stock.Site, heard map[string]SensorNow, now time.Time) bool {
	inUse := 0
	for _, s := range set.Sensors {
		a, ok := s.At(now)
		if !ok || heard[s.Code].LastAt.IsZero() {
			continue
		}
		inUse++
		last := laterOf(heard[s.Code].LastReceipt, a.From)
		if !thermal.Silent(last.UnixMicro(), s.DeliversEvery, grace(s)/2, now.UnixMicro()) {
			return false
		}
	}
	return inUse > 1
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
		j := &judgement{t: t, tx: tx, sensor: s, now: &n, at: now, appended: true, together: together}
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

func (t *Tracker) tellAllSilent(ctx context.Context, site string, now time.Time) error {
	return t.Store.In(ctx, site, func(tx Tx) error {
		all, err := tx.SensorsNow(ctx)
		if err != nil {
			return err
		}
		facts := alerts.Silence{Site: t.mailSite(tx.Site(), now)}
		for _, n := range all {
			if n.LastAt.After(facts.Since) {
				facts.Since = n.LastAt
			}
		}
		if facts.Since.IsZero() {
			return nil // no sensor ever spoke: a site being set up
		}
		slot := facts.Since.Format(time.RFC3339)
		if m := tx.Site().RemindMinutes; m > 0 { // said again at the site's rhythm, in place of a reminder a unit
			if n := int(now.Sub(facts.Since)/time.Minute) / m; n > 0 {
				slot = fmt.Sprintf("%s+%d", slot, n)
			}
		}
		first, err := tx.Once(ctx, "all silent", slot, now)
		if err != nil || !first {
			return err
		}
		if facts.Units, facts.OnHold, err = t.silentUnits(ctx, tx, all, now); err != nil {
			return err
		}
		return t.post(ctx, tx, facts, alerts.AllSilent, occasion{about: "site", slot: slot})
	})
}

func (t *Tracker) silentUnits(ctx context.Context, v View, all []SensorNow, now time.Time) (units []alerts.SilentUnit, held int, err error) {
	for _, r := range v.Site().Rooms {
		for _, u := range r.Units {
			vials, err := v.Find(ctx, VialQuery{Unit: u.Code})
			if err != nil {
				return nil, 0, err
			}
			su := alerts.SilentUnit{Unit: u.Code, Room: r.Name, Vials: len(vials)}
			for _, x := range vials {
				if len(x.Touches) > 0 {
					held++
				}
			}
			for _, n := range all {
				s, _ := v.Site().Sensor(n.Sensor)
				if a, ok := s.At(now); ok && a.Unit == u.Code && !n.LastAt.IsZero() && (su.Last == nil || n.LastAt.After(su.Last.At)) {
					su.Last = &alerts.Temperature{MilliC: corrected(s, n.LastAt, n.LastMilliC), At: n.LastAt}
				}
			}
			units = append(units, su)
		}
	}
	return units, held, nil
}
