package tracker

import (
	"context"
	"errors"
	"fmt"
	"time"

	"vialward/alerts"
	"vialward/tracker/walltime"
)

// Tick does all that is due at a site by now. The schedule wakes it at least once a minute; what is due is decided from
// the record, and done once, also by several daemons and after downtime. One part that fails does not keep the others.
func (t *Tracker) Tick(ctx context.Context, site string) error {
	now := walltime.Cut(t.Now())
	var errs []error
	for _, part := range []struct {
		what string
		do   func(context.Context, string, time.Time) error
	}{
		{"sweep lists", t.Sweeps},
		{"unconfirmed lists", t.Unconfirmed},
		{"silent sensors", t.Silence},
		{"reminders", t.Reminders},
		{"planned work", t.WorkEnded},
		{"ended assignments", t.AssignmentsEnded},
		{"late finds", t.LateFinds},
		{"mail queue", t.QueueHealth},
	} {
		if err := part.do(ctx, site, now); err != nil {
			errs = append(errs, fmt.Errorf("%s of site %s: %w", part.what, site, err))
		}
	}
	return errors.Join(errs...)
}

// Reminders say open cases again, at the site's rhythm, while they stay open and a rule that may page keeps them so.
func (t *Tracker) Reminders(ctx context.Context, site string, now time.Time) error {
	return t.eachOpenCase(ctx, site, now, func(tx Tx, c Case) error {
		every := time.Duration(tx.Site().RemindMinutes) * time.Minute
		if every <= 0 || c.NextReminder.IsZero() || now.Before(c.NextReminder) {
			return nil
		}
		if c.unheardOnly() || c.Together { // one mail speaks for several, and one that they are back
			return nil
		}
		if c.Kind == "no_data" { // while all are silent too
			quiet, err := siteQuiet(ctx, tx, now)
			if err != nil || quiet {
				return err
			}
		}
		n := int(now.Sub(c.RaisedAt) / every)
		c.NextReminder = c.RaisedAt.Add(time.Duration(n+1) * every)
		if !c.pages(tx.Site()) {
			return tx.SaveCase(ctx, &c)
		}
		muted, err := t.planned(ctx, tx, c.Unit, now)
		if err != nil {
			return err
		}
		muted = muted || c.Muted
		first := !c.InThread
		c.Told, c.InThread = c.Told || !muted, c.InThread || !muted // its rule may page since the site's file changed
		if err := tx.SaveCase(ctx, &c); err != nil {
			return err
		}
		facts, err := t.incident(ctx, tx, c, now)
		if err != nil {
			return err
		}
		return t.post(ctx, tx, facts, alerts.StillOpen, occasion{
			about: fmt.Sprintf("case/%d", c.No), slot: "reminder", n: n, unit: c.Unit, thread: facts.Thread(), first: first, muted: muted,
		})
	})
}

// WorkEnded pages what planned work had muted, once the work is over and the unit is still out of range.
func (t *Tracker) WorkEnded(ctx context.Context, site string, now time.Time) error {
	return t.eachOpenCase(ctx, site, now, func(tx Tx, c Case) error {
		if !c.Muted {
			return nil
		}
		if muted, err := t.planned(ctx, tx, c.Unit, now); err != nil || muted {
			return err
		}
		works, err := tx.PlannedWork(ctx, c.Unit, c.From.Add(-24*time.Hour), now)
		if err != nil || len(works) == 0 {
			return err
		}
		if !c.pages(tx.Site()) {
			c.Muted = false
			return tx.SaveCase(ctx, &c)
		}
		last := works[len(works)-1]
		first := !c.InThread
		c.Muted, c.Told, c.InThread = false, true, true
		if m := tx.Site().RemindMinutes; m > 0 {
			c.NextReminder = now.Add(time.Duration(m) * time.Minute)
		}
		if err := tx.SaveCase(ctx, &c); err != nil {
			return err
		}
		facts, err := t.incident(ctx, tx, c, now)
		if err != nil {
			return err
		}
		facts.Work = &alerts.Work{Reason: last.Reason, Who: last.By, From: last.From, To: last.To}
		return t.post(ctx, tx, facts, alerts.WorkEndedOut, occasion{
			about: fmt.Sprintf("case/%d", c.No), slot: "work ended", n: int(last.To.Unix()), unit: c.Unit, thread: facts.Thread(), first: first,
		})
	})
}

// eachOpenCase runs f on every open case in a transaction of its own that has read the case again.
func (t *Tracker) eachOpenCase(ctx context.Context, site string, now time.Time, f func(Tx, Case) error) error {
	var open []Case
	if err := t.Store.Read(ctx, site, func(v View) (err error) {
		open, err = v.Cases(ctx, CaseQuery{OpenOnly: true})
		return err
	}); err != nil {
		return err
	}
	for _, c := range open {
		if c.Late || !c.Muted && (c.NextReminder.IsZero() || now.Before(c.NextReminder)) {
			continue
		}
		err := t.Store.In(ctx, site, func(tx Tx) error {
			if err := tx.Order(ctx); err != nil {
				return err
			}
			again, err := tx.Cases(ctx, CaseQuery{No: c.No, OpenOnly: true})
			if err != nil || len(again) == 0 {
				return err
			}
			return f(tx, again[0])
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// stuckAfter is how long a mail may wait before people are told so by the pages and, once it gets out, by mail.
const stuckAfter = 30 * time.Minute

// QueueHealth says once an hour of trouble that mail does not get out. The mail itself waits in the same queue; pages and
// metrics say it at once.
func (t *Tracker) QueueHealth(ctx context.Context, site string, now time.Time) error {
	var waiting, failed []alerts.Row
	err := t.Store.Read(ctx, site, func(v View) error {
		rows, err := v.Unsent(ctx, now.Add(-stuckAfter), now.Add(-24*time.Hour), 500)
		for _, r := range rows {
			switch {
			case r.Kind == alerts.QueueStuck:
			case r.State == alerts.Failed:
				failed = append(failed, r)
			default:
				waiting = append(waiting, r)
			}
		}
		return err
	})
	if err != nil || len(waiting)+len(failed) == 0 {
		return err
	}
	return t.Store.In(ctx, site, func(tx Tx) error {
		facts := alerts.Queue{Site: t.mailSite(tx.Site(), now), Waiting: len(waiting), Failed: len(failed)}
		about := "queue"
		for _, r := range append(waiting, failed...) {
			facts.Mails = append(facts.Mails, alerts.Stuck{Subject: r.Subject, To: r.To, Why: r.LastError, Created: r.Created, Failed: r.State == alerts.Failed})
			if r.State != alerts.Failed && (facts.Oldest.IsZero() || r.Created.Before(facts.Oldest)) {
				facts.Oldest = r.Created
			}
			if r.LastError != "" {
				facts.LastError = r.LastError
			}
			if r.State == alerts.Failed {
				about = fmt.Sprintf("queue/%d", r.ID)
			}
		}
		first, err := tx.Once(ctx, about, facts.Oldest.Format(time.RFC3339), now)
		if err != nil || !first {
			return err
		}
		return t.post(ctx, tx, facts, alerts.QueueStuck, occasion{about: about, slot: facts.Oldest.Format(time.RFC3339)})
	})
}
