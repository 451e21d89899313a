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

// Unheard raises the alarm of sensors in use that have never been heard: one mail for all of a site, when there is a new
// one and once a day. Where no other sensor speaks for a shelf, what stands on it is put on hold after a grace, from the
// first vial's placing there on: no data is not good data. heard is every sensor as it stands.
func (t *Tracker) unheard(ctx context.Context, site string, set *stock.Site, heard map[string]SensorNow, now time.Time) error {
	var codes []string
	for _, s := range set.Sensors {
		if _, ok := s.At(now); !ok || !heard[s.Code].LastAt.IsZero() {
			continue
		}
		codes = append(codes, s.Code)
		if heard[s.Code].AwaitedSince.IsZero() {
			if err := t.await(ctx, site, s.Code, now); err != nil {
				return err
			}
		}
	}
	if len(codes) == 0 {
		return nil
	}
	slices.Sort(codes) // one order of locks
	var due bool
	if err := t.Store.Read(ctx, site, func(v View) (err error) {
		_, due, err = unheardDue(ctx, v, now)
		return err
	}); err != nil || !due {
		return err
	}
	return t.Store.In(ctx, site, func(tx Tx) error { return t.tellUnheard(ctx, tx, codes, now) })
}

// await notes since when a sensor is looked for: its site file may be older than the daemon that could hear it.
func (t *Tracker) await(ctx context.Context, site, sensor string, now time.Time) error {
	return t.Store.In(ctx, site, func(tx Tx) error {
		n, err := tx.LockSensor(ctx, sensor)
		if err != nil || !n.AwaitedSince.IsZero() || !n.LastAt.IsZero() {
			return err
		}
		n.AwaitedSince = now
		return tx.SaveSensor(ctx, n)
	})
}

// unheardDue lists the sensors people are to be told of, and says whether something is to be done about them now.
func unheardDue(ctx context.Context, v View, now time.Time) (late []UnheardSensor, due bool, err error) {
	all, err := UnheardSensors(ctx, v, now)
	if err != nil {
		return nil, false, err
	}
	var told []time.Time
	for _, u := range all {
		if u.Overdue {
			late, told = append(late, u), append(told, u.told)
			due = due || u.opens(now)
		}
	}
	return late, due || alerts.TellUnheard(told, now), nil
}

// tellUnheard puts on hold what is due and says all of it in one mail, in one commit.
func (t *Tracker) tellUnheard(ctx context.Context, tx Tx, codes []string, now time.Time) error {
	locked := map[string]*SensorNow{}
	for _, c := range codes {
		n, err := tx.LockSensor(ctx, c)
		if err != nil {
			return err
		}
		locked[c] = &n
	}
	if err := tx.Order(ctx); err != nil {
		return err
	}
	late, due, err := unheardDue(ctx, tx, now)
	if err != nil || !due {
		return err // another daemon was first, or it spoke meanwhile
	}
	for _, u := range late {
		n := locked[u.Sensor]
		if n == nil {
			continue // set up this very moment: its turn comes
		}
		if n.SilentSince.IsZero() {
			n.SilentSince = now
		}
		n.UnheardTold = now
		if u.opens(now) {
			if err := t.holdUnheard(ctx, tx, u, n, now); err != nil {
				return fmt.Errorf("stock no temperature of %s is on record for: %w", u.Sensor, err)
			}
		}
		if err := tx.SaveSensor(ctx, *n); err != nil {
			return err
		}
	}
	if late, _, err = unheardDue(ctx, tx, now); err != nil { // with the cases just opened
		return err
	}
	return t.post(ctx, tx, t.unheardFacts(tx.Site(), late, now), alerts.NeverHeard, occasion{about: "unheard", slot: now.Format(time.RFC3339)})
}

// holdUnheard opens the no-data case of stock in the place of a sensor never heard.
func (t *Tracker) holdUnheard(ctx context.Context, tx Tx, u UnheardSensor, n *SensorNow, now time.Time) error {
	s, _ := tx.Site().Sensor(u.Sensor)
	j := &judgement{t: t, tx: tx, sensor: s, now: n, at: now, appended: true, together: true}
	for _, w := range j.watches() {
		if w.rule.Kind != thermal.NoData || w.unit.Code != u.Unit || !w.assignment.From.Equal(u.Assigned) {
			continue
		}
		w.assignment.Shelves = u.blind
		from := u.Since.UnixMicro()
		x := thermal.Excursion{Kind: thermal.NoData, Unheard: true, FromMicros: from, WorstFromMicros: from, OpenedMicros: now.UnixMicro()}
		if err := j.openedNow(ctx, w, x); err != nil {
			return err
		}
	}
	return nil
}

func (t *Tracker) unheardFacts(s *stock.Site, late []UnheardSensor, now time.Time) alerts.Unheard {
	f := alerts.Unheard{Site: t.mailSite(s, now)}
	held, not := map[string]bool{}, map[string]bool{}
	for _, u := range late {
		f.Loggers = append(f.Loggers, alerts.UnheardLogger{
			Sensor: u.Sensor, Unit: u.Unit, Room: u.Room, Where: shelfWords(u.Shelves), Assigned: u.Assigned, Vials: u.There, Unproven: len(u.Unproven),
			UnprovenAt: u.UnprovenAt(), Since: u.Since, Before: u.Before, Hold: u.Hold, HoldAt: u.CaseAt, Case: u.Case,
		})
		for _, code := range u.held {
			held[code] = true
		}
		for _, code := range u.Unproven {
			not[code] = true
		}
	}
	for code := range held {
		delete(not, code)
	}
	f.OnHold, f.NotYet = len(held), len(not)
	return f
}
