package tracker

import (
	"context"
	"fmt"
	"slices"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/thermal"
)

// apply stores one change of one excursion: its row, its case, its hold, the event, the mail. All in the transaction
// that stores the readings.
func (j *judgement) apply(ctx context.Context, w watch, ch thermal.Change, rows map[int64]ExcursionRow) error {
	if ch.Kind == thermal.Unchanged {
		return nil
	}
	if err := j.tx.Order(ctx); err != nil { // two sensors of a unit share its case
		return err
	}
	if ch.Kind == thermal.Opened {
		return j.opened(ctx, w, ch.Now)
	}
	row := rows[ch.Old.ID]
	row.Found, row.NotBorneOut = ch.Now, ch.Now.NotBorneOut // what was not borne out may be after all
	c, err := j.theCase(ctx, row.Case)
	if err != nil {
		return err
	}
	switch ch.Kind { //nolint:exhaustive // the others were dealt with above
	case thermal.Merged:
		row.MergedInto = ch.Into
		return j.merged(ctx, w, c, row)
	case thermal.NotBorneOut:
		return j.notBorneOut(ctx, w, c, row)
	case thermal.ClearedNow:
		if j.now.ClockSuspect != "" { // its readings clear nothing until its zone is declared
			return nil
		}
		return j.cleared(ctx, w, c, row)
	default:
		return j.grown(ctx, w, c, row, ch.Old)
	}
}

func (j *judgement) theCase(ctx context.Context, no int64) (Case, error) {
	cases, err := j.tx.Cases(ctx, CaseQuery{No: no})
	if err != nil {
		return Case{}, err
	}
	if len(cases) == 0 {
		return Case{}, NotFound("case", fmt.Sprint(no))
	}
	return cases[0], nil
}

// opened records a new excursion, in a case of its own or in the unit's running one.
func (j *judgement) opened(ctx context.Context, w watch, x thermal.Excursion) error {
	stale := j.stale(x)
	if j.now.ClockSuspect != "" { // what its readings say is over is not over until its zone is declared
		x.ToMicros, x.WorstToMicros, x.ClearedMicros = 0, 0, 0
	}
	row := ExcursionRow{Sensor: j.sensor.Code, Rule: w.key, Unit: w.unit.Code, Shelves: w.assignment.Shelves, Found: x}
	if w.rule.Kind == thermal.Freeze {
		row.Shelves = nil // one freezing reading holds the whole unit
	}
	c, was, err := j.caseFor(ctx, w, x, stale)
	if err != nil {
		return err
	}
	if stale {
		j.foundLate(&c)
	}
	if err := j.tx.SaveCase(ctx, &c); err != nil {
		return err
	}
	row.Case = c.No
	if err := j.tx.SaveExcursion(ctx, &row); err != nil {
		return err
	}
	c.Excursions = append(slices.Clone(c.Excursions), row)
	if err := j.hold(ctx, w, c, row, 0); err != nil {
		return err
	}
	kind := stock.CaseOpened
	if was.No != 0 {
		kind = stock.CaseGrown
	}
	seq, err := j.record(ctx, kind, c, row, w.alarm.Source)
	if err != nil {
		return err
	}
	if x.Over() {
		if _, err := j.settle(ctx, &c); err != nil {
			return err
		}
	}
	if stale {
		j.late = append(j.late, LateFind{Case: c.No})
		return nil
	}
	return j.page(ctx, w, c, was, seq)
}

// stale says that the excursion is history: over, or last heard of, long before its readings arrived. What a live source
// has not seen end is not history, however wrong its clock is.
func (j *judgement) stale(x thermal.Excursion) bool {
	last := x.ToMicros
	if !x.Over() {
		if j.live && j.alive {
			return false
		}
		last = max(last, j.now.LastAt.UnixMicro())
	}
	return j.at.Sub(time.UnixMicro(last)) > lateAfter(j.sensor)
}

// family puts cold and freeze into one case: they are the same fault, one worse than the other.
func family(kind string) string {
	if kind == "freeze" {
		return "cold"
	}
	return kind
}

// caseFor finds the unit's case the excursion belongs to, or begins one. was is the case as it stood, without a number
// for a new one.
func (j *judgement) caseFor(ctx context.Context, w watch, x thermal.Excursion, stale bool) (c, was Case, err error) {
	from := time.UnixMicro(x.FromMicros).UTC()
	to := j.at.Add(24 * time.Hour)
	if x.ToMicros > 0 {
		to = time.UnixMicro(x.ToMicros).UTC().Add(w.rule.ClearAfter)
	}
	near, err := j.tx.Cases(ctx, CaseQuery{Unit: w.unit.Code, From: from.Add(-w.rule.ClearAfter), To: to.Add(time.Microsecond)})
	if err != nil {
		return c, was, err
	}
	kind := string(x.Kind)
	i := slices.IndexFunc(near, func(n Case) bool {
		return family(n.Kind) == family(kind) && n.State != "merged" && n.State != "closed" && n.State != "not borne out"
	})
	if i < 0 {
		c = Case{Unit: w.unit.Code, Kind: kind, State: "open", From: from, RaisedAt: j.at, Late: stale}
		if !stale {
			err = j.wake(ctx, &c)
		}
		return c, was, err
	}
	c, was = near[i], near[i]
	if kind == "freeze" {
		c.Kind = kind
	}
	if from.Before(c.From) {
		c.From = from
	}
	if !x.Over() && c.State != "open" {
		c.State, c.To, c.RecoveredAt = "open", time.Time{}, time.Time{}
		c.Late = stale
		if !stale {
			err = j.wake(ctx, &c)
		}
		return c, was, err
	}
	if c.Late && !stale {
		c.Late = false
		err = j.wake(ctx, &c)
	}
	return c, was, err
}

// wake sets a case up that is happening now: muted while its unit is worked on, reminded of at the site's rhythm.
func (j *judgement) wake(ctx context.Context, c *Case) (err error) {
	if m := j.tx.Site().RemindMinutes; m > 0 {
		c.NextReminder = j.at.Add(time.Duration(m) * time.Minute)
	}
	c.Muted, err = j.t.planned(ctx, j.tx, c.Unit, j.at)
	return err
}

// planned says whether work on the unit mutes its page at an instant.
func (t *Tracker) planned(ctx context.Context, tx View, unit string, at time.Time) (bool, error) {
	w, err := tx.PlannedWork(ctx, unit, at, at.Add(time.Microsecond))
	return len(w) > 0, err
}

// record adds what became of an excursion to the record and answers the event's place there.
func (j *judgement) record(ctx context.Context, kind stock.Kind, c Case, x ExcursionRow, source string) (int64, error) {
	from := time.UnixMicro(x.Found.FromMicros)
	e := event(j.tx, kind, Rule, j.at, j.at, stock.Body{
		Case: c.No, To: c.Unit, Sensor: x.Sensor, Reason: string(x.Found.Kind), Since: &from, Note: source, Number: int(x.ID),
	})
	err := j.tx.Append(ctx, &e)
	return e.Seq, err
}

// put replaces the case's own copy of an excursion, and widens the case to it.
func (c *Case) put(x ExcursionRow) (wider bool) {
	if i := slices.IndexFunc(c.Excursions, func(o ExcursionRow) bool { return o.ID == x.ID }); i >= 0 {
		c.Excursions = slices.Clone(c.Excursions)
		c.Excursions[i] = x
	}
	if from := time.UnixMicro(x.Found.FromMicros).UTC(); from.Before(c.From) {
		c.From, wider = from, true
	}
	if to := time.UnixMicro(x.Found.ToMicros).UTC(); x.Found.Over() && !c.To.IsZero() && to.After(c.To) {
		c.To, wider = to, true
	}
	return wider
}

// grown stores that an excursion goes on, is longer or worse. It is an event where late data changed what was known; a
// running excursion grows with every reading.
func (j *judgement) grown(ctx context.Context, w watch, c Case, x ExcursionRow, old thermal.Excursion) error {
	if err := j.tx.SaveExcursion(ctx, &x); err != nil {
		return err
	}
	was := c
	changed := c.put(x)
	stale := j.stale(x.Found)
	reopened := c.State != "open" && !x.Found.Over()
	awake := !x.Found.Over() && !stale && (reopened || was.Late)
	var seq int64
	if old.Over() || awake || !j.appended {
		var err error
		if seq, err = j.record(ctx, stock.CaseGrown, c, x, w.alarm.Source); err != nil {
			return err
		}
	}
	if err := j.hold(ctx, w, c, x, j.undecided(seq)); err != nil {
		return err
	}
	switch {
	case reopened:
		c.State, c.To, c.RecoveredAt, c.Late = "open", time.Time{}, time.Time{}, stale
	case c.State == "not borne out":
		c.State, changed = "recovered", true
	}
	if awake {
		c.Late = false
		if err := j.wake(ctx, &c); err != nil {
			return err
		}
	}
	late := !awake && old.Over()
	if late {
		j.foundLate(&c)
	}
	if changed || reopened || awake || late {
		if err := j.tx.SaveCase(ctx, &c); err != nil {
			return err
		}
	}
	switch {
	case awake:
		return j.page(ctx, w, c, was, seq)
	case late:
		j.late = append(j.late, LateFind{Case: c.No})
	}
	return nil
}

// foundLate marks that a case has to be told of by the next mail about late data; it is unmarked in that mail's commit.
func (j *judgement) foundLate(c *Case) { c.LateUntold = j.at }

// cleared stores that one excursion is over; the case recovers with its last one. No hold is touched but in its end.
func (j *judgement) cleared(ctx context.Context, w watch, c Case, x ExcursionRow) error {
	if err := j.tx.SaveExcursion(ctx, &x); err != nil {
		return err
	}
	var seq int64
	if !j.appended { // the same readings that end it may have changed what it was
		var err error
		if seq, err = j.record(ctx, stock.CaseGrown, c, x, w.alarm.Source); err != nil {
			return err
		}
	}
	if err := j.hold(ctx, w, c, x, j.undecided(seq)); err != nil {
		return err
	}
	c.put(x)
	return j.settleAndTell(ctx, &c)
}

// settle lets a case recover when nothing of it is open any more, and answers the place of that event, 0 for none.
// Recovery releases nothing.
func (j *judgement) settle(ctx context.Context, c *Case) (int64, error) {
	var end int64
	for _, x := range c.Excursions {
		if x.MergedInto == 0 && !x.NotBorneOut && !x.Found.Over() {
			return 0, nil
		}
		end = max(end, x.Found.ToMicros)
	}
	was := *c
	if to := time.UnixMicro(end).UTC(); end > 0 && to.After(c.To) {
		c.To = to
	}
	if c.State != "open" {
		if c.To.Equal(was.To) {
			return 0, nil
		}
		return 0, j.tx.SaveCase(ctx, c)
	}
	c.State, c.RecoveredAt, c.NextReminder = "recovered", j.at, time.Time{}
	e := event(j.tx, stock.CaseRecovered, Rule, j.at, j.at, stock.Body{Case: c.No, To: c.Unit})
	if err := j.tx.Append(ctx, &e); err != nil {
		return 0, err
	}
	return e.Seq, j.tx.SaveCase(ctx, c)
}

func (j *judgement) settleAndTell(ctx context.Context, c *Case) error {
	seq, err := j.settle(ctx, c)
	if err != nil || seq == 0 {
		return err
	}
	return j.t.tellRecovered(ctx, j.tx, c, seq, j.at)
}

// merged marks an excursion that proved part of an older one. Its hold stays beside the older one's, which has grown over
// it: what was decided on either stands. A hold that was still growing ends here; the older one goes on.
func (j *judgement) merged(ctx context.Context, w watch, c Case, x ExcursionRow) error {
	j.endNow(&x)
	if err := j.tx.SaveExcursion(ctx, &x); err != nil {
		return err
	}
	if _, err := j.record(ctx, stock.CaseMerged, c, x, w.alarm.Source); err != nil {
		return err
	}
	if err := j.hold(ctx, w, c, x, 0); err != nil {
		return err
	}
	c.put(x)
	if slices.ContainsFunc(c.Excursions, func(e ExcursionRow) bool { return e.MergedInto == 0 && !e.NotBorneOut }) {
		return j.settleAndTell(ctx, &c)
	}
	older, err := j.tx.Cases(ctx, CaseQuery{Unit: c.Unit})
	if err != nil {
		return err
	}
	for _, o := range older {
		if o.No != c.No && slices.ContainsFunc(o.Excursions, func(e ExcursionRow) bool { return e.ID == x.MergedInto }) {
			c.State, c.MergedInto, c.NextReminder = "merged", o.No, time.Time{}
			if c.To.IsZero() {
				c.To = time.UnixMicro(x.Found.ToMicros).UTC()
			}
			return j.tx.SaveCase(ctx, &c)
		}
	}
	return j.settleAndTell(ctx, &c)
}

// endNow gives an excursion that is not looked for any more an end: the last that is known of its sensor.
func (j *judgement) endNow(x *ExcursionRow) {
	if x.Found.Over() {
		return
	}
	x.Found.ClearedMicros = j.at.UnixMicro()
	x.Found.ToMicros = max(x.Found.FromMicros, x.Found.ToMicros, j.now.LastAt.UnixMicro())
	x.Found.WorstToMicros = x.Found.ToMicros
}

// notBorneOut marks an excursion the readings, as they are now, do not show. Case, holds and decisions stay; a hold
// that was still growing ends with what is known now, so that a pharmacist can release it.
func (j *judgement) notBorneOut(ctx context.Context, w watch, c Case, x ExcursionRow) error {
	j.endNow(&x)
	if err := j.tx.SaveExcursion(ctx, &x); err != nil {
		return err
	}
	if err := j.hold(ctx, w, c, x, 0); err != nil {
		return err
	}
	seq, err := j.record(ctx, stock.CaseNotBorneOut, c, x, w.alarm.Source)
	if err != nil {
		return err
	}
	c.put(x)
	if slices.ContainsFunc(c.Excursions, func(e ExcursionRow) bool { return e.MergedInto == 0 && !e.NotBorneOut }) {
		return j.settleAndTell(ctx, &c)
	}
	c.State, c.NextReminder = "not borne out", time.Time{}
	if c.To.IsZero() {
		c.To = time.UnixMicro(x.Found.ToMicros).UTC()
	}
	if err := j.tx.SaveCase(ctx, &c); err != nil {
		return err
	}
	return j.t.tellRecovered(ctx, j.tx, &c, seq, j.at)
}
