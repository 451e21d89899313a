package tracker

import (
	"fmt"

	"vialward/tracker/stock"
	"vialward/tracker/thermal"
)

// watch is one rule of one unit the sensor was assigned to.
type watch struct {
	key        string
	rule       thermal.Rule
	alarm      stock.AlarmRule
	unit       stock.Unit
	assignment stock.Assignment
}

// watches lists all rules that ever applied to the sensor, an assignment each.
func (j *judgement) watches() []watch {
	var out []watch
	for _, a := range j.sensor.Assignments {
		unit, _, ok := j.tx.Site().UnitAt(a.Unit)
		if !ok {
			continue
		}
		for _, r := range j.tx.Site().RulesOf(unit) {
			out = append(out, watch{ruleKey(a, r), ruleOf(j.sensor, r), r, unit, a})
		}
	}
	return out
}

// ruleKey names a rule's state and its excursions. A changed limit or delay keeps the name: the machine goes on from
// where it is, under the new figures, and what is open can still be cleared.
func ruleKey(a stock.Assignment, r stock.AlarmRule) string {
	return fmt.Sprintf("%s %s %d", a.Unit, r.Kind, a.From.Unix())
}

// ruleOf puts the site's rule and the sensor's own figures together.
func ruleOf(s stock.Sensor, r stock.AlarmRule) thermal.Rule {
	t := thermal.Rule{
		Kind: thermal.Kind(r.Kind), LimitMilliC: thermal.MilliC(r.LimitMilliC), Delay: r.Delay, Window: r.Window, ClearAfter: r.ClearAfter,
		MaxGap: s.MaxGap, Severity: r.Severity, Source: r.Source, Hold: r.Hold,
	}
	if t.Kind == thermal.Freeze || t.Kind == thermal.NoData {
		t.Delay, t.Window = 0, 0
	}
	return t
}

// uncertainty of a sensor between two instants: the largest any certificate of that time states, or the last one before
// it. One that has lapsed does not make the sensor exact.
func uncertainty(s stock.Sensor, fromMicros, toMicros int64) thermal.MilliC {
	var most, last thermal.MilliC
	var lastFrom int64
	within := false
	for _, c := range s.Calibrations {
		u, from := thermal.MilliC(c.UncertaintyMilliC), c.From.UnixMicro()
		if from < toMicros && (c.To.IsZero() || c.To.UnixMicro() > fromMicros) {
			most, within = max(most, u), true
		}
		if from <= fromMicros && from >= lastFrom {
			last, lastFrom = u, from
		}
	}
	if !within {
		return last
	}
	return most
}
