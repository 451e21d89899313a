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
	var open []Case
	err := t.Store.Read(ctx, site, func(v View) (err error) {
		set = v.Site()
		if heard, err = sensorsByCode(ctx, v); err != nil {
			return err
		}
		if told, err = v.SiteSilence(ctx); err != nil {
			return err
		}
		for _, n := range heard {
			if !n.SilentSince.IsZero() { // it may wait for its unit's delay
				open, err = v.Cases(ctx, CaseQuery{OpenOnly: true})
				break
			}
		}
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
		if n := heard[s.Code]; n.LastAt.IsZero() || !overdue(s, n, now) || !silenceIsNews(set, open, s, n, now) {
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

// SilenceOpens is how long after its last delivery a sensor's silence opens a case under a rule for missing data: after the
// rule's delay, but never before the sensor counts as silent by its own figure.
func SilenceOpens(s stock.Sensor, delay time.Duration) time.Duration {
	return max(s.DeliversEvery+grace(s), delay)
}

// silentFor says whether a sensor has been silent for so long at the place it has been assigned to.
func silentFor(delay time.Duration, s stock.Sensor, n SensorNow, a stock.Assignment, now time.Time) bool {
	return thermal.Silent(laterOf(n.LastReceipt, a.From).UnixMicro(), 0, SilenceOpens(s, delay), now.UnixMicro())
}

// silenceIsNews says that an overdue sensor has just become silent, or has been for the delay of its unit's rule and has no
// case yet.
func silenceIsNews(set *stock.Site, open []Case, s stock.Sensor, n SensorNow, now time.Time) bool {
	if n.SilentSince.IsZero() {
		return true
	}
	a, _ := s.At(now)
	unit, _, _ := set.UnitAt(a.Unit)
	for _, r := range set.RulesOf(unit) {
		if r.Kind != string(thermal.NoData) || !silentFor(r.Delay, s, n, a, now) {
			continue
		}
		return !slices.ContainsFunc(open, func(c Case) bool {
			return c.Unit == a.Unit && slices.ContainsFunc(c.Excursions, func(x ExcursionRow) bool {
				return x.Sensor == s.Code && x.Found.Kind == thermal.NoData && x.stands()
			})
		})
	}
	return false
}

// silent notes that a sensor is silent, and opens its no-data excursion when that has lasted for the delay of its unit's
// rule: from its last reading, of unknown size.
func (t *Tracker) silent(ctx context.Context, site string, s stock.Sensor, now time.Time, together bool) error {
	return t.Store.In(ctx, site, func(tx Tx) error {
		n, err := tx.LockSensor(ctx, s.Code)
		if err != nil {
			return err
		}
		if n.LastAt.IsZero() || !overdue(s, n, now) {
			return nil // it spoke meanwhile
		}
		if n.SilentSince.IsZero() {
			n.SilentSince = now
			if err := tx.SaveSensor(ctx, n); err != nil {
				return err
			}
		}
		if err := tx.Order(ctx); err != nil {
			return err
		}
		j := &judgement{t: t, tx: tx, sensor: s, now: &n, at: now, appended: true, together: together, all: together}
		for _, w := range j.watches() {
			if w.rule.Kind != thermal.NoData || !j.inUse(w.assignment) || !silentFor(w.alarm.Delay, s, n, w.assignment, now) {
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
