package tracker

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/thermal"
)

// judgement is one sensor's new readings being judged, within the transaction that stores them.
type judgement struct {
	t      *Tracker
	tx     Tx
	sensor stock.Sensor
	now    *SensorNow
	at     time.Time // receipt
	live   bool      // the source delivers as it measures
	alive  bool      // it brought something newer than was known: only that ends a silence
	late   []LateFind

	appended           bool  // all that is judged is newer than what was known
	together           bool  // one of several sensors that are told of in one mail
	all                bool  // and these are all of the site: their coming back is one mail too
	unheard            bool  // stock still stands in its place that no reading of it speaks for
	freshFrom, freshTo int64 // micros; what time the new readings, or the new reading of old ones, are of
}

// LateFind is a case of which late data brought something to light.
type LateFind struct{ Case int64 }

// lateAfter is how long after its last reading an excursion is news: later than this it wakes nobody. Twice the
// sensor's rhythm and a quarter of an hour, so that a slow gateway is not history (common practice, no source).
func lateAfter(s stock.Sensor) time.Duration { return 2*s.DeliversEvery + 15*time.Minute }

// take judges what is new. newest is the last instant of the whole delivery. An old log, or the same readings sent
// again, is no sign that the sensor lives now.
func (j *judgement) take(ctx context.Context, fresh []thermal.Reading, newest int64) error {
	before := *j.now
	j.alive = before.LastAt.IsZero() || newest > before.LastAt.UnixMicro()
	if j.alive {
		j.now.LastReceipt = j.at
	}
	// A source out of its rhythm (a first load, an export made now and then) says nothing of its clock.
	if j.live && j.at.Sub(before.LastReceipt) <= lateAfter(j.sensor) {
		if err := j.clock(ctx, newest); err != nil {
			return err
		}
	}
	if len(fresh) > 0 {
		if last := fresh[len(fresh)-1]; j.now.LastAt.IsZero() || last.AtMicros >= j.now.LastAt.UnixMicro() {
			j.now.LastAt, j.now.LastMilliC = time.UnixMicro(last.AtMicros).UTC(), last.MilliC
		}
		if err := j.refold(ctx, before, fresh); err != nil {
			return err
		}
	}
	if j.alive {
		j.now.SilentSince = time.Time{}
		if !j.unheard {
			j.now.AwaitedSince, j.now.UnheardTold = time.Time{}, time.Time{}
		}
	}
	return nil
}

// refold runs the excursion machines from the last checkpoint before the earliest new reading to the end.
func (j *judgement) refold(ctx context.Context, before SensorNow, fresh []thermal.Reading) error {
	earliest := fresh[0].AtMicros
	appended := before.LastAt.IsZero() || before.LastAt.UnixMicro() < earliest
	j.appended, j.freshFrom, j.freshTo = appended, earliest, fresh[len(fresh)-1].AtMicros
	start := j.startLate
	if appended {
		start = j.start
	}
	cp, states, err := start(ctx, earliest)
	if err != nil {
		return err
	}
	if appended && (before.LastAt.IsZero() || cp.AtMicros == before.LastAt.UnixMicro()) {
		series, conflicts := thermal.Merge(fresh) // the usual way: nothing needs to be read back
		j.now.Steady = before.Steady.On(series)
		return j.run(ctx, before, cp, states, series, conflicts)
	}
	return j.reread(ctx, before, cp, states)
}

// again judges everything from an instant on anew, up to another or, if that is zero, the end: an intake was withdrawn, a
// calibration changed.
func (j *judgement) again(ctx context.Context, from, to time.Time) error {
	if to.IsZero() {
		to = j.at
	}
	j.appended, j.freshFrom, j.freshTo = false, from.UnixMicro(), to.UnixMicro()
	cp, states, err := j.startLate(ctx, from.UnixMicro())
	if err != nil {
		return err
	}
	return j.reread(ctx, *j.now, cp, states)
}

// startLate is start for what is not simply newer: it goes back to before every recorded excursion that reaches past the
// checkpoint. One is looked for as a whole or not at all: a run from its middle would not meet what began it, and would
// say that it is not borne out.
func (j *judgement) startLate(ctx context.Context, earliest int64) (Checkpoint, map[string]thermal.State, error) {
	for {
		cp, states, err := j.start(ctx, earliest)
		if err != nil {
			return cp, nil, err
		}
		before := earliest
		for _, w := range j.watches() {
			old, err := j.tx.Excursions(ctx, j.sensor.Code, w.key, time.UnixMicro(cp.AtMicros))
			if err != nil {
				return cp, nil, err
			}
			for _, o := range old {
				if o.MergedInto == 0 && o.Found.FoundFrom(cp.AtMicros) && o.Found.FromMicros <= cp.AtMicros {
					before = min(before, o.Found.FromMicros)
				}
			}
		}
		if before == earliest {
			return cp, states, nil
		}
		earliest = before
	}
}

// start is the last checkpoint before an instant; without one, the empty states before its UTC day: every earlier day that
// has a reading has a checkpoint, and this one may have readings before the instant.
func (j *judgement) start(ctx context.Context, earliest int64) (Checkpoint, map[string]thermal.State, error) {
	states := map[string]thermal.State{}
	cp, ok, err := j.tx.Checkpoint(ctx, j.sensor.Code, earliest)
	if err != nil {
		return cp, nil, err
	}
	if !ok {
		return Checkpoint{AtMicros: utcDay(earliest)*dayMicros - 1}, states, nil
	}
	if err := json.Unmarshal(cp.States, &states); err != nil {
		return cp, nil, fmt.Errorf("checkpoint of sensor %s is damaged: %w", j.sensor.Code, err)
	}
	return cp, states, nil
}

func (j *judgement) reread(ctx context.Context, before SensorNow, cp Checkpoint, states map[string]thermal.State) error {
	series, conflicts, err := j.tx.Readings(ctx, j.sensor.Code, time.UnixMicro(cp.AtMicros+1), j.at.Add(24*time.Hour))
	if err != nil {
		return err
	}
	if err := j.steadyAgain(ctx, before.Steady); err != nil {
		return err
	}
	return j.run(ctx, before, cp, states, series, conflicts)
}

func (j *judgement) run(ctx context.Context, before SensorNow, cp Checkpoint, states map[string]thermal.State, series []thermal.Reading, conflicts []thermal.Conflict) error {
	saved, found, err := j.fold(cp.AtMicros, states, series, conflicts)
	if err != nil {
		return err
	}
	if err := j.tx.SaveCheckpoints(ctx, j.sensor.Code, keptThrough(cp, saved), saved); err != nil {
		return err
	}
	return j.reconcile(ctx, before, cp.AtMicros, found)
}

// keptThrough is up to where old checkpoints stay. Within a UTC day the newest replaces the others, so a sensor keeps one
// a day, whatever its rhythm; the one we started from stays when what was folded lies on later days.
func keptThrough(cp Checkpoint, saved []Checkpoint) int64 {
	if cp.States == nil || len(saved) == 0 || utcDay(saved[0].AtMicros) > utcDay(cp.AtMicros) {
		return cp.AtMicros
	}
	return utcDay(cp.AtMicros)*dayMicros - 1
}

const dayMicros = int64(24 * time.Hour / time.Microsecond)

func utcDay(micros int64) int64 {
	d := micros / dayMicros
	if micros < d*dayMicros {
		d--
	}
	return d
}

// finding is what one rule found from a checkpoint on.
type finding struct {
	watch
	state thermal.State // after all that was folded
	found []thermal.Excursion
}

// fold steps every rule through the series, a UTC day at a time, and keeps the states at the end of each day. from is
// what the states have seen already; an assignment that ended by then has been looked at to its end.
func (j *judgement) fold(from int64, states map[string]thermal.State, series []thermal.Reading, conflicts []thermal.Conflict) ([]Checkpoint, []finding, error) {
	corrected := thermal.Correct(series, j.calibrations())
	conflicts = thermal.CorrectConflicts(conflicts, j.calibrations())
	var found []finding
	for _, w := range j.watches() {
		if w.endedBy(from) {
			delete(states, w.key)
			continue
		}
		found = append(found, finding{watch: w})
	}
	var saved []Checkpoint
	for len(corrected) > 0 || len(conflicts) > 0 {
		day := utcDay(firstOf(corrected, conflicts))
		end := (day + 1) * dayMicros
		n, _ := slices.BinarySearchFunc(corrected, end, func(r thermal.Reading, at int64) int { return compare(r.AtMicros, at) })
		m, _ := slices.BinarySearchFunc(conflicts, end, func(c thermal.Conflict, at int64) int { return compare(c.AtMicros, at) })
		at := lastOf(corrected[:n], conflicts[:m])
		uncertain := uncertainty(j.sensor, day*dayMicros, end)
		for i := range found {
			w := &found[i]
			if w.rule.Kind == thermal.Freeze {
				w.rule.UncertaintyMilliC = uncertain
			}
			rs, cs := within(w.assignment, corrected[:n], conflicts[:m])
			var xs []thermal.Excursion
			states[w.key], xs = w.rule.Step(states[w.key], rs, cs)
			w.found = mergeFound(w.found, xs)
		}
		b, err := json.Marshal(states)
		if err != nil {
			return nil, nil, err
		}
		saved = append(saved, Checkpoint{AtMicros: at, States: b})
		corrected, conflicts = corrected[n:], conflicts[m:]
	}
	for i := range found {
		found[i].state = states[found[i].key]
		found[i].found = found[i].cut(found[i].state, found[i].found, j.at)
	}
	return saved, found, nil
}

// mergeFound takes a later Step's answer over: an excursion that goes on is answered by each, From is its identity.
func mergeFound(have, more []thermal.Excursion) []thermal.Excursion {
	for _, x := range more {
		i := slices.IndexFunc(have, func(h thermal.Excursion) bool { return h.FromMicros == x.FromMicros })
		if i >= 0 {
			have[i] = x
		} else {
			have = append(have, x)
		}
	}
	return have
}

func compare(a, b int64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	default:
		return 0
	}
}

func firstOf(rs []thermal.Reading, cs []thermal.Conflict) int64 {
	switch {
	case len(rs) == 0:
		return cs[0].AtMicros
	case len(cs) == 0:
		return rs[0].AtMicros
	default:
		return min(rs[0].AtMicros, cs[0].AtMicros)
	}
}

func lastOf(rs []thermal.Reading, cs []thermal.Conflict) int64 {
	var at int64
	if len(rs) > 0 {
		at = rs[len(rs)-1].AtMicros
	}
	if len(cs) > 0 {
		at = max(at, cs[len(cs)-1].AtMicros)
	}
	return at
}

// within cuts a series to the time of an assignment.
func within(a stock.Assignment, rs []thermal.Reading, cs []thermal.Conflict) ([]thermal.Reading, []thermal.Conflict) {
	from := a.From.UnixMicro()
	i, _ := slices.BinarySearchFunc(rs, from, func(r thermal.Reading, at int64) int { return compare(r.AtMicros, at) })
	k, _ := slices.BinarySearchFunc(cs, from, func(c thermal.Conflict, at int64) int { return compare(c.AtMicros, at) })
	rs, cs = rs[i:], cs[k:]
	if !a.To.IsZero() {
		to := a.To.UnixMicro()
		i, _ = slices.BinarySearchFunc(rs, to, func(r thermal.Reading, at int64) int { return compare(r.AtMicros, at) })
		k, _ = slices.BinarySearchFunc(cs, to, func(c thermal.Conflict, at int64) int { return compare(c.AtMicros, at) })
		rs, cs = rs[:i], cs[:k]
	}
	return rs, cs
}

func (j *judgement) calibrations() []thermal.Calibration { return Calibrations(j.sensor) }

// reconcile compares what was found with what the record has, rule by rule, and stores the difference. A freeze comes
// first: where one reading begins it and completes its cold as well, people get the one mail that tells them what to do.
func (j *judgement) reconcile(ctx context.Context, before SensorNow, from int64, all []finding) error {
	slices.SortStableFunc(all, func(a, b finding) int {
		return compare(freezeFirst(a), freezeFirst(b))
	})
	for _, f := range all {
		if j.appended && len(f.found) == 0 && before.SilentSince.IsZero() && before.AwaitedSince.IsZero() {
			continue // nothing new, and nothing of before can have changed
		}
		old, err := j.tx.Excursions(ctx, j.sensor.Code, f.key, time.UnixMicro(from))
		if err != nil {
			return err
		}
		rows := map[int64]ExcursionRow{}
		var known []thermal.Excursion
		for _, o := range old {
			if o.MergedInto == 0 && o.Found.FoundFrom(from) {
				rows[o.ID] = o
				known = append(known, o.Found)
			}
		}
		f.found = append(f.found, j.goesOn(before, f, known)...)
		for _, change := range thermal.Reconcile(known, f.found) {
			if j.appended && change.Kind == thermal.NotBorneOut && change.Old.FromMicros < before.LastAt.UnixMicro() {
				continue // what is only newer says nothing of what lies before it
			}
			if err := j.apply(ctx, f.watch, change, rows); err != nil {
				return err
			}
		}
	}
	return nil
}

// goesOn is what of missing data no reading begins or ends: a silence that lasts, though late data fills other holes, and
// stock in the place of a sensor that had never been heard.
func (j *judgement) goesOn(before SensorNow, f finding, known []thermal.Excursion) []thermal.Excursion {
	if f.rule.Kind != thermal.NoData {
		return nil
	}
	var out []thermal.Excursion
	unheard, silent := false, !before.LastAt.IsZero() && silentFor(f.alarm.Delay, j.sensor, before, f.assignment, j.at)
	for _, x := range known {
		if !x.Unheard {
			silent = silent || !x.Over() && !x.NotBorneOut // also where all it ever said was withdrawn
			continue
		}
		now, there := f.rule.Unheard(f.state, x)
		if !there {
			continue
		}
		if f.endedBy(j.at.UnixMicro()) && !now.Over() {
			now = now.Ended(f.assignment.To.UnixMicro())
		}
		unheard = unheard || !now.Over()
		out = append(out, now)
	}
	if silent && !unheard && !before.SilentSince.IsZero() && !j.alive && j.inUse(f.assignment) {
		out = append(out, silence(before, f.assignment))
	}
	j.unheard = j.unheard || unheard
	return out
}

func freezeFirst(f finding) int64 {
	if f.rule.Kind == thermal.Freeze {
		return 0
	}
	return 1
}

// inUse says whether the sensor is assigned there at the time of receipt.
func (j *judgement) inUse(a stock.Assignment) bool {
	now, ok := j.sensor.At(j.at)
	return ok && now.Unit == a.Unit && now.From.Equal(a.From)
}

// silence is the excursion of a sensor that has said nothing since its last reading, or since it came to a unit: of
// unknown size, and open.
func silence(n SensorNow, a stock.Assignment) thermal.Excursion {
	last := max(n.LastAt.UnixMicro(), a.From.UnixMicro())
	return thermal.Excursion{Kind: thermal.NoData, FromMicros: last, WorstFromMicros: last, OpenedMicros: n.SilentSince.UnixMicro()}
}
