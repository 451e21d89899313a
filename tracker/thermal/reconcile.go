package thermal

import (
	"cmp"
	"slices"
)

// ChangeKind says what late or new data made of a recorded excursion.
type ChangeKind string

const (
	Opened      ChangeKind = "opened"        // found, and nothing recorded meets it
	Grown       ChangeKind = "grown"         // longer, worse, known better, or beyond again
	Merged      ChangeKind = "merged"        // it turned out to be part of an older one
	ClearedNow  ChangeKind = "cleared"       // over now
	NotBorneOut ChangeKind = "not_borne_out" // the readings as they are now do not show it; it stays, marked
	Unchanged   ChangeKind = "unchanged"
)

// Change is what becomes of one excursion. Opened has no Old; Merged names the ID it went into.
type Change struct {
	Kind     ChangeKind
	Old, Now Excursion
	Into     int64
}

// Reconcile compares the recorded excursions of one sensor and rule with those found, and never undoes: nothing
// recorded disappears, shrinks, is split or gets milder. Old are the standing ones (not merged into another) for which
// FoundFrom is true, found are those of one run plus, while the sensor is silent, its Silence. Where several recorded
// ones prove to be one, the lowest ID stays. Applying the changes and reconciling again changes nothing.
func Reconcile(old, found []Excursion) []Change {
	all := slices.Concat(old, found)
	slices.SortStableFunc(all, func(a, b Excursion) int { return cmp.Compare(a.FromMicros, b.FromMicros) })
	var changes []Change
	for i := 0; i < len(all); { // groups that hang together; found ones alone never do, recorded ones neither
		group, end := i, all[i].extent()
		for i++; i < len(all) && all[i].FromMicros < end; i++ {
			end = max(end, all[i].extent())
		}
		changes = append(changes, settle(all[group:i])...)
	}
	return changes
}

// extent is the end of an excursion as far as it is known, exclusive: where it crosses back, so that one that ends as
// another begins does not meet it, or just behind its last reading beyond where a gap cuts it or it goes on.
func (x Excursion) extent() int64 { return max(x.ToMicros, x.LastMicros+1, x.FromMicros+1) }

// settle decides about excursions that meet each other.
func settle(group []Excursion) (changes []Change) {
	var old, found []Excursion
	for _, x := range group {
		if x.ID != 0 {
			old = append(old, x)
		} else {
			found = append(found, x)
		}
	}
	if len(old) == 0 {
		for _, x := range found {
			changes = append(changes, Change{Kind: Opened, Now: x})
		}
		return changes
	}
	if len(found) == 0 {
		for _, x := range old {
			now := x
			now.NotBorneOut = true
			kind := NotBorneOut
			if x.NotBorneOut {
				kind = Unchanged
			}
			changes = append(changes, Change{Kind: kind, Old: x, Now: now})
		}
		return changes
	}
	slices.SortStableFunc(old, func(a, b Excursion) int { return cmp.Compare(a.ID, b.ID) })
	first, now := old[0], old[0]
	for _, x := range old[1:] {
		now = now.hull(x)
	}
	now = now.reach(found)
	kind := Grown
	switch {
	case now == first:
		kind = Unchanged
	case now.Over() && !first.Over():
		kind = ClearedNow
	}
	changes = append(changes, Change{Kind: kind, Old: first, Now: now})
	for _, x := range old[1:] {
		changes = append(changes, Change{Kind: Merged, Old: x, Now: x, Into: first.ID})
	}
	return changes
}

// hull widens x by another recorded one.
func (x Excursion) hull(y Excursion) Excursion {
	x.FromMicros = min(x.FromMicros, y.FromMicros)
	x.WorstFromMicros = earliest(upTo(x.FromMicros, x.WorstFromMicros), upTo(x.FromMicros, y.WorstFromMicros))
	x.OpenedMicros = earliest(x.OpenedMicros, y.OpenedMicros)
	x.ToMicros = max(x.ToMicros, y.ToMicros)
	x.WorstToMicros = max(x.WorstToMicros, y.WorstToMicros)
	x.ClearedMicros = max(x.ClearedMicros, y.ClearedMicros)
	x.LastMicros = max(x.LastMicros, y.LastMicros)
	x.ExtremeMilliC = Limit{Kind: x.Kind}.worse(x.ExtremeMilliC, y.ExtremeMilliC)
	x.Readings = max(x.Readings, y.Readings)
	x.FreezeReadings = max(x.FreezeReadings, y.FreezeReadings)
	x.BeyondMicros = max(x.BeyondMicros, y.BeyondMicros)
	return x
}

// reach widens a recorded excursion by what was found over it, which also says whether it goes on.
func (x Excursion) reach(found []Excursion) Excursion {
	whole, last := found[0], found[len(found)-1]
	for _, f := range found[1:] {
		wider := whole.hull(f)
		wider.Readings = whole.Readings + f.Readings
		wider.FreezeReadings = whole.FreezeReadings + f.FreezeReadings
		wider.BeyondMicros = whole.BeyondMicros + f.BeyondMicros
		whole = wider
	}
	x = x.hull(whole)
	if last.ToMicros == 0 {
		x.ToMicros, x.WorstToMicros = 0, 0
	}
	if !last.Over() {
		x.ClearedMicros = 0
	}
	x.NotBorneOut = false
	return x
}

// earliest of two instants of which 0 is none.
func earliest(a, b int64) int64 {
	if a == 0 || b == 0 {
		return max(a, b)
	}
	return min(a, b)
}

// upTo drops an instant that is not before the limit: the last good reading before a later part says nothing here.
func upTo(limit, at int64) int64 {
	if at > limit {
		return 0
	}
	return at
}
