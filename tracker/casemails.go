package tracker

import (
	"context"
	"fmt"
	"slices"
	"time"

	"vialward/alerts"
	"vialward/tracker/stock"
)

// page words the mail of a case that opened, opened again or became worse; was is the case as it stood before, seq the
// place of the event that changed it. One state, one mail: a second sensor of a unit that is out anyway, or one that
// flaps before it has cleared, says nothing new. Planned work mutes it until the work is over (WorkEnded).
func (j *judgement) page(ctx context.Context, w watch, c, was Case, seq int64) error {
	if !w.alarm.PageWhenOpen {
		return nil
	}
	if j.together { // said with all the others, in one mail
		c.Together = c.Together || j.all && !was.Told
		c.Told = true
		return j.tx.SaveCase(ctx, &c)
	}
	kind, slot, n := mailKind(c.Kind), "opened", 0
	if was.No != 0 {
		n = int(seq)
	}
	switch {
	case was.No == 0 || was.Late || was.State == "open" && !was.Told:
	case was.Kind != c.Kind:
		kind, slot = alerts.Worse, "freezing"
	case was.State == "open" && !was.unheardOnly():
		return nil
	default:
		slot = "again"
	}
	muted, err := j.t.planned(ctx, j.tx, c.Unit, j.at)
	if err != nil {
		return err
	}
	first := !c.InThread
	c.Together = false // said by itself from here on
	c.Muted, c.Told, c.InThread = muted, c.Told || !muted, c.InThread || !muted
	if err := j.tx.SaveCase(ctx, &c); err != nil || muted {
		return err
	}
	facts, err := j.t.incident(ctx, j.tx, c, j.at)
	if err != nil {
		return err
	}
	if err := j.t.post(ctx, j.tx, facts, kind, occasion{
		about: fmt.Sprintf("case/%d", c.No), slot: slot, n: n, unit: c.Unit, severity: w.alarm.Severity, thread: facts.Thread(), first: first,
	}); err != nil {
		return err
	}
	if c.State == "recovered" { // opened and over a moment ago: said as it began, and that it is back
		return j.t.tellRecovered(ctx, j.tx, &c, seq, j.at)
	}
	return nil
}

// pages says whether a rule that keeps the case open may page, as the site's file has it now.
func (c Case) pages(s *stock.Site) bool {
	unit, _, _ := s.UnitAt(c.Unit)
	rules := s.RulesOf(unit)
	for _, x := range c.Excursions {
		if !x.stands() {
			continue
		}
		i := slices.IndexFunc(rules, func(r stock.AlarmRule) bool { return r.Kind == string(x.Found.Kind) })
		if i < 0 || rules[i].PageWhenOpen {
			return true
		}
	}
	return false
}

// unheardOnly says that all that is open of a case is stock in the place of sensors never heard: one mail a day speaks for
// all of them at a site, so the case is not said again. Another sensor's silence there is news.
func (c Case) unheardOnly() bool {
	there := false
	for _, x := range c.Excursions {
		if x.stands() {
			if !x.Found.Unheard {
				return false
			}
			there = true
		}
	}
	return there
}

func mailKind(kind string) alerts.Kind {
	switch kind {
	case "warm":
		return alerts.Warm
	case "cold":
		return alerts.Cold
	case "freeze":
		return alerts.Freezing
	default:
		return alerts.NoTemperatures
	}
}

// tellRecovered says that a unit is back in range and how many vials are still on hold, to everybody who was told it had
// gone out; who was not told that need not be told this. seq is the place of the event that says so.
func (t *Tracker) tellRecovered(ctx context.Context, tx Tx, c *Case, seq int64, now time.Time) error {
	if !c.Told || c.Together { // all loggers were silent: their coming back is one mail
		return nil
	}
	c.Told = false
	first := !c.InThread
	c.InThread = true
	if err := tx.SaveCase(ctx, c); err != nil {
		return err
	}
	facts, err := t.incident(ctx, tx, *c, now)
	if err != nil {
		return err
	}
	return t.post(ctx, tx, facts, alerts.Recovered, occasion{
		about: fmt.Sprintf("case/%d", c.No), slot: "recovered", n: int(seq), unit: c.Unit, thread: facts.Thread(), first: first,
	})
}

// tellLate sends the one mail of what brought excursions of the past to light: a delivery, a calibration, a withdrawal.
func (t *Tracker) tellLate(ctx context.Context, tx Tx, about, what string, received time.Time, finds []LateFind) error {
	if len(finds) == 0 {
		return nil
	}
	if err := tx.Order(ctx); err != nil { // they may have been found in a transaction before this one
		return err
	}
	facts := alerts.Late{Site: t.mailSite(tx.Site(), received), Intake: what, Received: received}
	seen := map[int64]bool{}
	for _, f := range finds {
		if seen[f.Case] {
			continue
		}
		seen[f.Case] = true
		cases, err := tx.Cases(ctx, CaseQuery{No: f.Case})
		if err != nil {
			return err
		}
		for _, c := range cases {
			line, err := lateLine(ctx, tx, c)
			if err != nil {
				return err
			}
			facts.Cases = append(facts.Cases, line)
			c.LateUntold = time.Time{}
			if err := tx.SaveCase(ctx, &c); err != nil {
				return err
			}
		}
	}
	return t.post(ctx, tx, facts, alerts.LateData, occasion{about: about, slot: "late"})
}

func lateLine(ctx context.Context, v View, c Case) (alerts.LateCase, error) {
	x := alerts.LateCase{PastCase: alerts.PastCase{Case: c.No, Wrong: mailKind(c.Kind), From: c.From, To: c.To}, Unit: c.Unit}
	if w, ok := worstOf(c); ok && w.Found.Kind != "no_data" {
		extreme := w.Found.ExtremeMilliC
		x.Extreme = &extreme
	}
	var err error
	x.Touched, err = countOnHold(ctx, v, c.No)
	return x, err
}

// untoldAfter is how long a delivery may take before what its first parts brought to light is told without its end.
const untoldAfter = 30 * time.Minute

// LateFinds tells of what a delivery brought to light that was cut off before its own mail: the next one would find
// nothing new in the same readings.
func (t *Tracker) LateFinds(ctx context.Context, site string, now time.Time) error {
	var waiting []Case
	if err := t.Store.Read(ctx, site, func(v View) (err error) {
		waiting, err = v.Cases(ctx, CaseQuery{UntoldBefore: now.Add(-untoldAfter)})
		return err
	}); err != nil || len(waiting) == 0 {
		return err
	}
	return t.Store.In(ctx, site, func(tx Tx) error {
		if err := tx.Order(ctx); err != nil {
			return err
		}
		again, err := tx.Cases(ctx, CaseQuery{UntoldBefore: now.Add(-untoldAfter)})
		if err != nil || len(again) == 0 {
			return err
		}
		finds := make([]LateFind, len(again))
		for i, c := range again {
			finds[i].Case = c.No
		}
		about := fmt.Sprintf("late/%d/%d", again[0].No, again[0].LateUntold.Unix())
		return t.tellLate(ctx, tx, about, "a delivery that was cut off", again[0].LateUntold, finds)
	})
}
