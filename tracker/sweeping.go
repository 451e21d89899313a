package tracker

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"time"

	"vialward/alerts"
	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/sweep"
	"vialward/tracker/thermal"
	"vialward/tracker/walltime"
)

// errMade ends a transaction that found its slot's list made already, so that no running number is used up.
var errMade = errors.New("the slot has its list")

// Sweeps makes the list of every slot that came due since the last one made, at most once a slot, whoever asks and
// however often. After downtime only the newest slot gets a list; one mail says which had none.
func (t *Tracker) Sweeps(ctx context.Context, site string, now time.Time) error {
	var due []sweep.SlotAt
	err := t.Store.Read(ctx, site, func(v View) error {
		last, err := v.Sweeps(ctx, 1)
		if err != nil {
			return err
		}
		from := now.Add(-15 * time.Minute) // a site's first list is its next slot, not one of yesterday
		if len(last) > 0 {
			from = last[0].Due
		}
		due = sweep.Due(v.Site(), from, now)
		return nil
	})
	if err != nil || len(due) == 0 {
		return err
	}
	err = t.makeSweep(ctx, site, due[len(due)-1], due[:len(due)-1], now)
	if errors.Is(err, errMade) {
		return nil
	}
	return err
}

// makeSweep makes one slot's list and mails it, and says which slots before it had none.
func (t *Tracker) makeSweep(ctx context.Context, site string, slot sweep.SlotAt, missed []sweep.SlotAt, now time.Time) error {
	return t.Store.In(ctx, site, func(tx Tx) error {
		for _, m := range missed {
			e := event(tx, stock.SweepMissed, Rule, now, now, stock.Body{Note: m.Key, Reason: "no list was made in its time"})
			if err := tx.Append(ctx, &e); err != nil {
				return err
			}
		}
		n, err := tx.NextNumber(ctx, "sweep")
		if err != nil {
			return err
		}
		list, err := t.list(ctx, tx, slot, int(n), now)
		if err != nil {
			return err
		}
		confirm := tx.Site().ConfirmMinutes
		row := SweepRow{
			Slot: slot.Key, Number: int(n), Due: slot.At, Made: now, Until: list.LooksUntil.UTC(), List: list,
			ConfirmBy: laterOf(slot.At, now).Add(time.Duration(confirm) * time.Minute),
		}
		fresh, err := tx.SaveSweep(ctx, row)
		if err != nil {
			return err
		}
		if !fresh {
			return errMade
		}
		e := event(tx, stock.SweepMade, Rule, now, now, stock.Body{Number: int(n), Note: slot.Key, Expected: &list.Expected, Until: &row.Until})
		if err := tx.Append(ctx, &e); err != nil {
			return err
		}
		if len(missed) > 0 {
			if err := t.tellMissed(ctx, tx, row, missed, now); err != nil {
				return err
			}
		}
		facts := t.sweepFacts(tx.Site(), row, now)
		return t.post(ctx, tx, facts, facts.Kind(), occasion{about: "sweep/" + slot.Key, slot: "made"})
	})
}

// tellMissed says in one mail which slots had no list, however many, and which list is to be worked now.
func (t *Tracker) tellMissed(ctx context.Context, tx Tx, made SweepRow, missed []sweep.SlotAt, now time.Time) error {
	facts := alerts.MissedLists{
		Site: t.mailSite(tx.Site(), now), Why: "vialward was not running, or the database was away", Number: int64(made.Number), Slot: made.Due,
	}
	for _, m := range missed {
		facts.Missed = append(facts.Missed, m.At)
	}
	return t.post(ctx, tx, facts, alerts.ScheduleMissed, occasion{about: "sweep/" + made.Slot, slot: "missed"})
}

func laterOf(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// Preview is the list as it would be made now, without a number and without mail.
func (t *Tracker) Preview(ctx context.Context, v View, now time.Time) (sweep.List, error) {
	return t.list(ctx, v, sweep.SlotAt{Key: now.In(v.Site().Location()).Format("2006-01-02 15:04"), At: now}, 0, now)
}

func (t *Tracker) list(ctx context.Context, v View, slot sweep.SlotAt, number int, now time.Time) (sweep.List, error) {
	var l sweep.List
	all, err := v.Find(ctx, VialQuery{States: []stock.State{stock.InPreparation, stock.Available}})
	if err != nil {
		return l, err
	}
	placed := all[:0]
	for _, x := range all {
		if x.Unit != "" { // what still stands in the preparation area is in nobody's refrigerator
			placed = append(placed, x)
		}
	}
	heads, err := t.heads(ctx, v, now)
	if err != nil {
		return l, err
	}
	head, err := v.Head(ctx)
	if err != nil {
		return l, err
	}
	var fault error
	l = sweep.Make(sweep.Input{
		RecordHead: head.Spaced(), Site: v.Site(), Slot: slot.Key, Number: number, Now: now, Due: slot.At, Vials: placed, Heads: heads,
		Product: func(code string, version int) stock.Product {
			p, err := v.Product(ctx, code, version)
			if err != nil && fault == nil {
				fault = err
			}
			return p
		},
	})
	return l, fault
}

// longestHead bounds how far back lowest and highest are looked for when nobody signs.
const longestHead = 72 * time.Hour

// heads is what each unit's page says of its temperatures: newest, lowest and highest since the last signed sweep.
func (t *Tracker) heads(ctx context.Context, v View, now time.Time) (map[string]sweep.Head, error) {
	heads := map[string]sweep.Head{}
	since := now.Add(-longestHead)
	signed, err := v.Sweeps(ctx, 20)
	if err != nil {
		return nil, err
	}
	for _, s := range signed {
		if s.ConfirmedAt.After(since) {
			since = s.ConfirmedAt
			break
		}
	}
	sensors, err := v.SensorsNow(ctx)
	if err != nil {
		return nil, err
	}
	for _, n := range sensors {
		s, ok := v.Site().Sensor(n.Sensor)
		a, assigned := s.At(now)
		if !ok || !assigned || n.LastAt.IsZero() {
			continue
		}
		p := sweep.Probe{Sensor: n.Sensor, Shelves: a.Shelves, At: n.LastAt, Clock: n.ClockSuspect, Stuck: n.StuckSince(s), Interval: max(s.Interval, s.DeliversEvery)}
		series, _, err := v.Readings(ctx, n.Sensor, since, now.Add(time.Minute))
		if err != nil {
			return nil, err
		}
		for _, r := range thermal.Correct(series, Calibrations(s)) {
			m := sweep.Degrees(r.MilliC)
			if p.Lowest == nil || m < *p.Lowest {
				p.Lowest = &m
			}
			if p.Highest == nil || m > *p.Highest {
				p.Highest = &m
			}
			p.MilliC = &m
		}
		if p.MilliC == nil {
			m := sweep.Degrees(Corrected(s, n.LastAt, n.LastMilliC))
			p.MilliC = &m
		}
		h := heads[a.Unit]
		h.Since, h.Probes = since, append(h.Probes, p)
		heads[a.Unit] = h
	}
	return heads, t.holdWords(ctx, v, heads)
}

// holdWords says of each unit which cases still hold stock touched there.
func (t *Tracker) holdWords(ctx context.Context, v View, heads map[string]sweep.Head) error {
	cases, err := v.Cases(ctx, CaseQuery{Limit: 50})
	if err != nil {
		return err
	}
	for _, c := range cases {
		if c.State == "merged" || c.State == "closed" {
			continue
		}
		n, err := countOnHold(ctx, v, c.No)
		if err != nil {
			return err
		}
		if n == 0 && c.State != "open" {
			continue
		}
		h := heads[c.Unit]
		h.Holds = append(h.Holds, fmt.Sprintf("case %d, %s since %s, %s: %d vials on hold", c.No, stock.ExcursionWord(c.Kind),
			walltime.Say(c.From, v.Site().Location()), c.State, n))
		heads[c.Unit] = h
	}
	return nil
}

func (t *Tracker) sweepFacts(s *stock.Site, row SweepRow, now time.Time) alerts.Sweep {
	counts := sweep.Counts(row.List)
	f := alerts.Sweep{
		Site: t.mailSite(s, now), Number: int64(row.Number), Slot: row.Due, DataRead: row.List.DataReadAt, Next: row.Until,
		Pull: counts.By[sweep.PullNow], OnHold: counts.Held(), Expected: row.List.Expected, RecordHead: row.List.RecordHead, Text: sweep.Text(row.List),
		HTML: template.HTML(sweep.Markup(row.List)), //nolint:gosec // markup of our own, everything in it escaped
	}
	for _, d := range counts.Before {
		f.Before = append(f.Before, alerts.Before{At: d.At, Count: d.Vials})
	}
	return f
}

// ConfirmSweep records that a list was worked, by whom. A list is confirmed once; the first name stands.
func (t *Tracker) ConfirmSweep(ctx context.Context, site string, a Actor, number int, at time.Time) (SweepRow, error) {
	var row SweepRow
	now := walltime.Cut(t.Now())
	at, err := when(at, now)
	if err != nil {
		return row, err
	}
	err = t.in(ctx, site, a, access.Confirm, now, func(tx Tx) error {
		if row, err = tx.ConfirmSweep(ctx, number, a.Person.Code, at); err != nil {
			return err
		}
		if row.ConfirmedBy != a.Person.Code || !row.ConfirmedAt.Equal(at) {
			return stock.Refuse("confirmed", "", "sweep %03d was confirmed by %s at %s", number, row.ConfirmedBy,
				walltime.Say(row.ConfirmedAt, tx.Site().Location()))
		}
		if at.Before(row.Made) {
			return stock.Refuse("order", "", "sweep %03d was made %s, after the time given", number, walltime.Say(row.Made, tx.Site().Location()))
		}
		e := event(tx, stock.SweepConfirmed, a, at, now, stock.Body{Number: number, Note: row.Slot})
		if err := a.sign(tx.Site(), access.Confirm, &e); err != nil {
			return err
		}
		return tx.Append(ctx, &e)
	})
	return row, err
}

// Unconfirmed raises its own mail for every list nobody confirmed by its time.
func (t *Tracker) Unconfirmed(ctx context.Context, site string, now time.Time) error {
	var open []SweepRow
	err := t.Store.Read(ctx, site, func(v View) error {
		rows, err := v.Sweeps(ctx, 20)
		for _, s := range rows {
			if s.ConfirmedAt.IsZero() && s.MissedAt.IsZero() && s.ConfirmBy.After(s.Due) && !now.Before(s.ConfirmBy) {
				open = append(open, s)
			}
		}
		return err
	})
	if err != nil {
		return err
	}
	for _, s := range open {
		err := t.Store.In(ctx, site, func(tx Tx) error {
			first, err := tx.MissSweep(ctx, s.Number, now)
			if err != nil || !first {
				return err
			}
			f := t.sweepFacts(tx.Site(), s, now)
			facts := alerts.Unconfirmed{Site: f.Site, Number: f.Number, Slot: s.Due, ConfirmBy: s.ConfirmBy, Pull: f.Pull, Before: f.Before}
			e := event(tx, stock.SweepMissed, Rule, now, now, stock.Body{Number: s.Number, Note: s.Slot, Reason: "not confirmed in time"})
			if err := tx.Append(ctx, &e); err != nil {
				return err
			}
			return t.post(ctx, tx, facts, alerts.SweepUnconfirmed, occasion{about: "sweep/" + s.Slot, slot: "unconfirmed"})
		})
		if err != nil {
			return err
		}
	}
	return nil
}
