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

// apply stores one change of one excursion: its row, its case, its hold, the event, the mail. All in the transaction
// that stores the readings.
func (j *judgement) apply(ctx context.Context, w watch, ch thermal.Change, rows map[int64]ExcursionRow) error {
	if ch.Kind == thermal.Unchanged {
		return nil
	}
	if ch.Kind == thermal.Opened {
		return j.opened(ctx, w, ch.Now)
	}
	row := rows[ch.Old.ID]
	row.Found = ch.Now
	c, err := j.theCase(ctx, row.Case)
	if err != nil {
		return err
	}
	switch ch.Kind { //nolint:exhaustive // the others were dealt with above
	case thermal.Merged:
		row.MergedInto = ch.Into
		return j.merged(ctx, w, c, row)
	case thermal.NotBorneOut:
		row.NotBorneOut = true
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
	row := ExcursionRow{Sensor: j.sensor.Code, Rule: w.key, Unit: w.unit.Code, Shelves: w.assignment.Shelves, Found: x}
	if w.rule.Kind == thermal.Freeze {
		row.Shelves = nil // one freezing reading holds the whole unit
	}
	stale := j.stale(x)
	c, was, err := j.caseFor(ctx, w, x, stale)
	if err != nil {
		return err
	}
	if err := j.tx.SaveCase(ctx, &c); err != nil {
		return err
	}
	row.Case = c.No
	if err := j.tx.SaveExcursion(ctx, &row); err != nil {
		return err
	}
	c.Excursions = append(c.Excursions, row)
	if err := j.hold(ctx, w, c, row); err != nil {
		return err
	}
	kind := stock.CaseOpened
	if was != "" {
		kind = stock.CaseGrown
	}
	if err := j.record(ctx, kind, c, row, w.alarm.Source); err != nil {
		return err
	}
	if x.Over() {
		if err := j.settle(ctx, &c); err != nil {
			return err
		}
	}
	if stale {
		return j.foundLate(ctx, c)
	}
	return j.page(ctx, w, c, was)
}

// stale says that the excursion is history: over, or last heard of, long before its readings arrived.
func (j *judgement) stale(x thermal.Excursion) bool {
	last := x.ToMicros
	if last == 0 {
		last = j.now.LastAt.UnixMicro()
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

// caseFor finds the unit's case the excursion belongs to, or begins one. was is the kind the case had before, "" for a
// new one.
func (j *judgement) caseFor(ctx context.Context, w watch, x thermal.Excursion, stale bool) (c Case, was string, err error) {
	from := time.UnixMicro(x.FromMicros).UTC()
	to := j.at.Add(24 * time.Hour)
	if x.ToMicros > 0 {
		to = time.UnixMicro(x.ToMicros).UTC().Add(w.rule.ClearAfter)
	}
	near, err := j.tx.Cases(ctx, CaseQuery{Unit: w.unit.Code, From: from.Add(-w.rule.ClearAfter), To: to.Add(time.Microsecond)})
	if err != nil {
		return c, "", err
	}
	kind := string(x.Kind)
	for _, n := range near {
		if family(n.Kind) != family(kind) || n.State == "merged" || n.State == "closed" || n.State == "not borne out" {
			continue
		}
		was = n.Kind
		if kind == "freeze" {
			n.Kind = kind
		}
		if !x.Over() {
			n.State, n.To, n.RecoveredAt = "open", time.Time{}, time.Time{}
		}
		n.Late = n.Late && stale
		if from.Before(n.From) {
			n.From = from
		}
		return n, was, nil
	}
	c = Case{Unit: w.unit.Code, Kind: kind, State: "open", From: from, RaisedAt: j.at, Late: stale}
	if c.Muted, err = j.t.planned(ctx, j.tx, w.unit.Code, j.at); err != nil {
		return c, "", err
	}
	if m := j.tx.Site().RemindMinutes; m > 0 && !stale {
		c.NextReminder = j.at.Add(time.Duration(m) * time.Minute)
	}
	return c, "", nil
}

// planned says whether work on the unit mutes its page at an instant.
func (t *Tracker) planned(ctx context.Context, tx View, unit string, at time.Time) (bool, error) {
	w, err := tx.PlannedWork(ctx, unit, at, at.Add(time.Microsecond))
	return len(w) > 0, err
}

// hold places or grows the excursion's one hold row: from the last good reading before to the first good one after.
func (j *judgement) hold(ctx context.Context, w watch, c Case, x ExcursionRow) error {
	if !w.rule.Hold {
		return nil
	}
	holds, err := j.tx.Holds(ctx, c.No)
	if err != nil {
		return err
	}
	h := HoldRow{Case: c.No, Excursion: x.ID, Kind: string(x.Found.Kind), Unit: x.Unit, Shelves: x.Shelves}
	if i := slices.IndexFunc(holds, func(o HoldRow) bool { return o.Excursion == x.ID }); i >= 0 {
		h = holds[i]
	}
	from := x.Found.WorstFromMicros
	if from == 0 {
		from = x.Found.FromMicros
	}
	if f := time.UnixMicro(from).UTC(); h.From.IsZero() || f.Before(h.From) {
		h.From = f
	}
	switch to := time.UnixMicro(x.Found.WorstToMicros).UTC(); {
	case !x.Found.Over():
		h.To = time.Time{}
	case h.To.IsZero() || to.After(h.To):
		h.To = to
	}
	if x.Found.Over() && h.To.Before(h.From) {
		h.To = h.From
	}
	return j.tx.SaveHold(ctx, &h)
}

func (j *judgement) record(ctx context.Context, kind stock.Kind, c Case, x ExcursionRow, source string) error {
	from := time.UnixMicro(x.Found.FromMicros)
	e := event(j.tx, kind, Rule, j.at, j.at, stock.Body{
		Case: c.No, To: c.Unit, Sensor: x.Sensor, Reason: string(x.Found.Kind), Since: &from, Note: source, Number: int(x.ID),
	})
	return j.tx.Append(ctx, &e)
}

// grown stores that an excursion goes on, is longer or worse. It is an event only where it is late data that changed
// what was known; a running excursion grows with every reading.
func (j *judgement) grown(ctx context.Context, w watch, c Case, x ExcursionRow, old thermal.Excursion) error {
	if err := j.tx.SaveExcursion(ctx, &x); err != nil {
		return err
	}
	if err := j.hold(ctx, w, c, x); err != nil {
		return err
	}
	if old.Over() {
		if err := j.record(ctx, stock.CaseGrown, c, x, w.alarm.Source); err != nil {
			return err
		}
		if !x.Found.Over() {
			c.State, c.To, c.RecoveredAt = "open", time.Time{}, time.Time{}
			if err := j.tx.SaveCase(ctx, &c); err != nil {
				return err
			}
			return j.page(ctx, w, c, c.Kind)
		}
		j.late = append(j.late, LateFind{Case: c.No})
	}
	return nil
}

// cleared stores that one excursion is over; the case recovers with its last one. No hold is touched but in its end.
func (j *judgement) cleared(ctx context.Context, w watch, c Case, x ExcursionRow) error {
	if err := j.tx.SaveExcursion(ctx, &x); err != nil {
		return err
	}
	if err := j.hold(ctx, w, c, x); err != nil {
		return err
	}
	for i := range c.Excursions {
		if c.Excursions[i].ID == x.ID {
			c.Excursions[i] = x
		}
	}
	if err := j.settle(ctx, &c); err != nil || c.State != "recovered" || !w.alarm.PageWhenOpen {
		return err // who was not told that it went out need not be told that it is back
	}
	return j.t.tellRecovered(ctx, j.tx, c, j.at)
}

// settle lets a case recover when nothing of it is open any more. Recovery releases nothing.
func (j *judgement) settle(ctx context.Context, c *Case) error {
	var end int64
	for _, x := range c.Excursions {
		if x.MergedInto == 0 && !x.NotBorneOut && !x.Found.Over() {
			return nil
		}
		end = max(end, x.Found.ToMicros)
	}
	if c.State != "open" {
		return nil
	}
	c.State, c.RecoveredAt, c.NextReminder = "recovered", j.at, time.Time{}
	if end > 0 {
		c.To = time.UnixMicro(end).UTC()
	}
	e := event(j.tx, stock.CaseRecovered, Rule, j.at, j.at, stock.Body{Case: c.No, To: c.Unit})
	if err := j.tx.Append(ctx, &e); err != nil {
		return err
	}
	return j.tx.SaveCase(ctx, c)
}

// merged marks an excursion that proved part of an older one. Its hold stays beside the older one's, grown, hold: what
// was decided on either stands.
func (j *judgement) merged(ctx context.Context, w watch, c Case, x ExcursionRow) error {
	if err := j.tx.SaveExcursion(ctx, &x); err != nil {
		return err
	}
	if err := j.record(ctx, stock.CaseMerged, c, x, w.alarm.Source); err != nil {
		return err
	}
	older, err := j.tx.Cases(ctx, CaseQuery{Unit: c.Unit})
	if err != nil {
		return err
	}
	for _, o := range older {
		if o.No != c.No && slices.ContainsFunc(o.Excursions, func(e ExcursionRow) bool { return e.ID == x.MergedInto }) {
			alone := !slices.ContainsFunc(c.Excursions, func(e ExcursionRow) bool { return e.ID != x.ID && e.MergedInto == 0 && !e.NotBorneOut })
			if alone {
				c.State, c.MergedInto = "merged", o.No
				return j.tx.SaveCase(ctx, &c)
			}
		}
	}
	return j.settle(ctx, &c)
}

// notBorneOut marks an excursion the readings, as they are now, do not show. Case, holds and decisions stay; a hold
// that was still growing ends with what is known now, so that a pharmacist can release it.
func (j *judgement) notBorneOut(ctx context.Context, w watch, c Case, x ExcursionRow) error {
	if x.Found.ClearedMicros == 0 {
		x.Found.ClearedMicros = j.at.UnixMicro()
		x.Found.ToMicros = max(x.Found.FromMicros, j.now.LastAt.UnixMicro())
		x.Found.WorstToMicros = x.Found.ToMicros
	}
	if err := j.tx.SaveExcursion(ctx, &x); err != nil {
		return err
	}
	if err := j.hold(ctx, w, c, x); err != nil {
		return err
	}
	if err := j.record(ctx, stock.CaseNotBorneOut, c, x, w.alarm.Source); err != nil {
		return err
	}
	for i := range c.Excursions {
		if c.Excursions[i].ID == x.ID {
			c.Excursions[i] = x
		}
	}
	if !slices.ContainsFunc(c.Excursions, func(e ExcursionRow) bool { return e.MergedInto == 0 && !e.NotBorneOut }) {
		c.State, c.NextReminder = "not borne out", time.Time{}
		if c.To.IsZero() {
			c.To = time.UnixMicro(x.Found.ToMicros).UTC()
		}
		if err := j.tx.SaveCase(ctx, &c); err != nil {
			return err
		}
		return j.t.tellRecovered(ctx, j.tx, c, j.at)
	}
	return j.settle(ctx, &c)
}

func (j *judgement) foundLate(ctx context.Context, c Case) error {
	n, err := countOnHold(ctx, j.tx, c.No)
	if err != nil {
		return err
	}
	j.late = append(j.late, LateFind{Case: c.No, Touched: n})
	return nil
}

// page words the mail of a case that opened or became worse.
func (j *judgement) page(ctx context.Context, w watch, c Case, was string) error {
	kind, slot := mailKind(c.Kind), "opened"
	switch {
	case was == "" && c.State != "open": // opened and over at once, a moment ago: said as it began, recovery follows
	case was == "":
	case was != c.Kind:
		kind, slot = alerts.Worse, "freezing"
	default:
		slot = "again"
	}
	if !w.alarm.PageWhenOpen {
		return nil
	}
	muted, err := j.t.planned(ctx, j.tx, c.Unit, j.at)
	if err != nil {
		return err
	}
	if slot == "again" && c.State == "open" && len(c.Excursions) > 1 {
		// A second sensor of a unit whose case is open, or the same one flapping: one state, one mail.
		return nil
	}
	facts, err := j.t.incident(ctx, j.tx, c, j.at)
	if err != nil {
		return err
	}
	o := occasion{
		about: fmt.Sprintf("case/%d", c.No), slot: slot, n: len(c.Excursions), unit: c.Unit, severity: w.alarm.Severity,
		thread: facts.Thread(), first: was == "", muted: muted || c.Muted,
	}
	if err := j.t.post(ctx, j.tx, facts, kind, o); err != nil {
		return err
	}
	if c.State == "recovered" {
		return j.t.tellRecovered(ctx, j.tx, c, j.at)
	}
	return nil
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
