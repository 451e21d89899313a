package thermal

import (
	"slices"
	"sort"
)

// dayMicros is one day of UTC: checkpoints fall on its bounds, so they depend on the readings alone.
const dayMicros = 24 * 3600 * 1_000_000

// Checkpoint is the state of a rule after every reading before an instant; kept ones are at the start of a UTC day.
type Checkpoint struct {
	AtMicros int64
	State    State
}

// Run is Step over a long series, keeping a checkpoint at the start of every UTC day, after the one it began with, that
// holds a reading or a conflict. Each excursion is answered once, as it stands at the end, oldest first.
//
// Late data: take the last checkpoint at or before the earliest instant that changed, run all that is stored from it
// on, replace the checkpoints after it, and reconcile what was found with the recorded excursions for which
// FoundFrom(State.ThroughMicros) is true. A live caller may begin at any instant it has the state of.
func (r Rule) Run(from Checkpoint, series []Reading, conflicts []Conflict) (State, []Excursion, []Checkpoint) {
	s := from.State
	var found []Excursion
	var checkpoints []Checkpoint
	for len(series) > 0 || len(conflicts) > 0 {
		start := dayOf(series, conflicts)
		if start > from.AtMicros && s.ThroughMicros < start {
			checkpoints = append(checkpoints, Checkpoint{start, s.own()})
		}
		end := start + dayMicros
		n := sort.Search(len(series), func(i int) bool { return series[i].AtMicros >= end })
		c := sort.Search(len(conflicts), func(i int) bool { return conflicts[i].AtMicros >= end })
		var now []Excursion
		s, now = r.Step(s, series[:n], conflicts[:c])
		series, conflicts = series[n:], conflicts[c:]
		if len(found) > 0 && len(now) > 0 && found[len(found)-1].FromMicros == now[0].FromMicros {
			found = found[:len(found)-1] // it went on
		}
		found = append(found, now...)
	}
	return s, found, checkpoints
}

// dayOf is the start of the UTC day of the next instant.
func dayOf(series []Reading, conflicts []Conflict) int64 {
	var at int64
	switch {
	case len(series) == 0:
		at = conflicts[0].AtMicros
	case len(conflicts) == 0:
		at = series[0].AtMicros
	default:
		at = min(series[0].AtMicros, conflicts[0].AtMicros)
	}
	return at - at%dayMicros
}

// Checkpoints of one sensor and rule, oldest first.
type Checkpoints []Checkpoint

// At is the last checkpoint at or before an instant; before the first one, the zero State at instant 0.
func (c Checkpoints) At(micros int64) Checkpoint {
	n := sort.Search(len(c), func(i int) bool { return c[i].AtMicros > micros })
	if n == 0 {
		return Checkpoint{}
	}
	return c[n-1]
}

// Replace drops those after an instant and adds those of a run that started there.
func (c Checkpoints) Replace(afterMicros int64, fresh []Checkpoint) Checkpoints {
	n := sort.Search(len(c), func(i int) bool { return c[i].AtMicros > afterMicros })
	return slices.Concat(c[:n], fresh)
}
