package waste

import (
	"cmp"
	"slices"
	"time"
)

// Tally is a count of lives that ended, and of those the wasted with what they had cost.
type Tally struct {
	Ended, Wasted int
	Cents         int64 // of the wasted
}

func (t *Tally) add(e Ended) {
	t.Ended++
	if e.Wasted() {
		t.Wasted++
		t.Cents += e.Cents
	}
}

// Rate is Wasted / Ended, between 0 and 1; false where nothing ended.
func (t Tally) Rate() (float64, bool) {
	if t.Ended == 0 {
		return 0, false
	}
	return float64(t.Wasted) / float64(t.Ended), true
}

// Change of a rate against an earlier one, as a part of the earlier: -0.25 is a quarter less. False where either has
// nothing that ended, or nothing was wasted before.
func Change(earlier, now Tally) (float64, bool) {
	a, okA := earlier.Rate()
	b, okB := now.Rate()
	if !okA || !okB || a == 0 {
		return 0, false
	}
	return (b - a) / a, true
}

// Group is the tally of all that share a key.
type Group struct {
	Key string
	Tally
}

// grouped tallies by a key, in the order given by less, by key where that says nothing.
func grouped(all []Ended, key func(Ended) string, order func(a, b Group) int) []Group {
	at := map[string]int{}
	var groups []Group
	for _, e := range all {
		k := key(e)
		i, ok := at[k]
		if !ok {
			i = len(groups)
			at[k] = i
			groups = append(groups, Group{Key: k})
		}
		groups[i].add(e)
	}
	slices.SortFunc(groups, func(a, b Group) int { return cmp.Or(order(a, b), cmp.Compare(a.Key, b.Key)) })
	return groups
}

// Orders of groups.
func dearestFirst(a, b Group) int {
	return cmp.Or(cmp.Compare(b.Cents, a.Cents), cmp.Compare(b.Wasted, a.Wasted))
}
func mostFirst(a, b Group) int { return cmp.Compare(b.Wasted, a.Wasted) }
func byKey(Group, Group) int   { return 0 }

func byNumber(a, b Group) int {
	return cmp.Or(cmp.Compare(len(a.Key), len(b.Key)), cmp.Compare(a.Key, b.Key))
}

// classOrder is that in which classes are read: what can be changed first.
var classOrder = []string{Avoidable, NotAvoidable, HeldForReadiness, NotClassified}

func byClass(a, b Group) int {
	return cmp.Compare(slices.Index(classOrder, a.Key), slices.Index(classOrder, b.Key))
}

// weekdays in the order of a working week.
var weekdays = []time.Weekday{time.Monday, time.Tuesday, time.Wednesday, time.Thursday, time.Friday, time.Saturday, time.Sunday}

func byWeekday(a, b Group) int {
	at := func(g Group) int {
		return slices.IndexFunc(weekdays, func(d time.Weekday) bool { return d.String() == g.Key })
	}
	return cmp.Compare(at(a), at(b))
}

// Step of a ranking: a group, and what it and those before it make of the whole.
type Step struct {
	Group
	Share float64 // 0 to 1, cumulated
}

// ranked drops groups in which nothing was wasted and cumulates the rest.
func ranked(groups []Group, weight func(Group) int64) []Step {
	var whole int64
	for _, g := range groups {
		whole += weight(g)
	}
	var steps []Step
	var sum int64
	for _, g := range groups {
		if g.Wasted == 0 {
			continue
		}
		sum += weight(g)
		s := Step{Group: g}
		if whole > 0 {
			s.Share = float64(sum) / float64(whole)
		}
		steps = append(steps, s)
	}
	return steps
}
