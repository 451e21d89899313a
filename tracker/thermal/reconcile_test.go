package thermal_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/thermal"
)

// x is a warm excursion in minutes; to 0 = still.
func x(id int64, from, to float64) thermal.Excursion {
	e := thermal.Excursion{ID: id, Kind: thermal.Warm, FromMicros: start + int64(from*float64(minute)), ExtremeMilliC: 9000, Readings: 2}
	e.OpenedMicros = e.FromMicros + 10*minute
	e.LastMicros = e.OpenedMicros
	if to > 0 {
		e.ToMicros = start + int64(to*float64(minute))
		e.LastMicros = e.ToMicros - minute
		e.WorstToMicros, e.ClearedMicros = e.ToMicros+minute, e.ToMicros+15*minute
	}
	return e
}

func TestReconcile(t *testing.T) {
	worse := x(0, 10, 40)
	worse.ExtremeMilliC = 12_000
	for _, c := range []struct {
		name       string
		old, found []thermal.Excursion
		kinds      []thermal.ChangeKind
		from, to   float64 // of the first change
	}{
		{"new", nil, []thermal.Excursion{x(0, 10, 40)}, []thermal.ChangeKind{thermal.Opened}, 10, 40},
		{"as it was", []thermal.Excursion{x(7, 10, 40)}, []thermal.Excursion{x(0, 10, 40)}, []thermal.ChangeKind{thermal.Unchanged}, 10, 40},
		{"longer", []thermal.Excursion{x(7, 10, 40)}, []thermal.Excursion{x(0, 5, 50)}, []thermal.ChangeKind{thermal.Grown}, 5, 50},
		{"worse", []thermal.Excursion{x(7, 10, 40)}, []thermal.Excursion{worse}, []thermal.ChangeKind{thermal.Grown}, 10, 40},
		{"shorter by late data: never undone", []thermal.Excursion{x(7, 10, 40)}, []thermal.Excursion{x(0, 20, 30)}, []thermal.ChangeKind{thermal.Unchanged}, 10, 40},
		{"over now", []thermal.Excursion{x(7, 10, 0)}, []thermal.Excursion{x(0, 10, 40)}, []thermal.ChangeKind{thermal.ClearedNow}, 10, 40},
		{"not over after all", []thermal.Excursion{x(7, 10, 40)}, []thermal.Excursion{x(0, 10, 0)}, []thermal.ChangeKind{thermal.Grown}, 10, 0},
		{"still going does not swallow the next one", []thermal.Excursion{x(7, 10, 0)}, []thermal.Excursion{x(0, 10, 40), x(0, 80, 99)},
			[]thermal.ChangeKind{thermal.ClearedNow, thermal.Opened}, 10, 40},
		{"two prove to be one: the older number stays", []thermal.Excursion{x(8, 10, 40), x(7, 60, 90)}, []thermal.Excursion{x(0, 10, 90)},
			[]thermal.ChangeKind{thermal.Grown, thermal.Merged}, 10, 90},
		{"one proves to be two: it stays one", []thermal.Excursion{x(7, 10, 90)}, []thermal.Excursion{x(0, 10, 40), x(0, 60, 90)},
			[]thermal.ChangeKind{thermal.Grown}, 10, 90}, // grown: four readings instead of two
		{"nothing there any more: marked, not removed", []thermal.Excursion{x(7, 10, 40)}, nil, []thermal.ChangeKind{thermal.NotBorneOut}, 10, 40},
		{"one ends where the next begins: two", []thermal.Excursion{x(7, 10, 40)}, []thermal.Excursion{x(0, 10, 40), x(0, 40, 60)},
			[]thermal.ChangeKind{thermal.Unchanged, thermal.Opened}, 10, 40},
	} {
		changes := thermal.Reconcile(c.old, c.found)
		var kinds []thermal.ChangeKind
		for _, ch := range changes {
			kinds = append(kinds, ch.Kind)
		}
		require.Equal(t, c.kinds, kinds, c.name)
		want := x(0, c.from, c.to)
		require.Equal(t, want.FromMicros, changes[0].Now.FromMicros, c.name)
		require.Equal(t, want.ToMicros, changes[0].Now.ToMicros, c.name)
		require.Equal(t, want.ClearedMicros, changes[0].Now.ClearedMicros, c.name)
	}
	merged := thermal.Reconcile([]thermal.Excursion{x(8, 10, 40), x(7, 60, 90)}, []thermal.Excursion{x(0, 10, 90)})
	require.Equal(t, int64(7), merged[0].Now.ID)
	require.Equal(t, int64(7), merged[1].Into)
	require.Equal(t, int64(8), merged[1].Old.ID)

	marked := thermal.Reconcile([]thermal.Excursion{x(7, 10, 40)}, nil)[0].Now
	require.Equal(t, thermal.Unchanged, thermal.Reconcile([]thermal.Excursion{marked}, nil)[0].Kind)
	again := thermal.Reconcile([]thermal.Excursion{marked}, []thermal.Excursion{x(0, 10, 40)})[0]
	require.False(t, again.Now.NotBorneOut, "found again")
}

// apply does with changes what a record does; what was merged into another stands no longer.
func apply(changes []thermal.Change, next *int64) (standing []thermal.Excursion) {
	for _, c := range changes {
		switch c.Kind {
		case thermal.Merged:
		case thermal.Opened:
			*next++
			c.Now.ID = *next
			standing = append(standing, c.Now)
		default:
			standing = append(standing, c.Now)
		}
	}
	return standing
}

// Late data never undoes: over any order of intakes nothing recorded disappears or shrinks, every excursion found is
// covered by a standing one, and reconciling twice changes nothing.
func TestReconcileNeverUndoes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := kept{rule: rules.Draw(t, "rule")}
		var standing []thermal.Excursion
		var next int64
		rest := rapid.Permutation(raw.Draw(t, "raw")).Draw(t, "order")
		for len(rest) > 0 {
			n := rapid.IntRange(1, len(rest)).Draw(t, "chunk")
			k.take(rest[:n])
			rest = rest[n:]
			changes := thermal.Reconcile(standing, k.found)
			named := map[int64]int{}
			for _, c := range changes {
				if c.Old.ID == 0 {
					continue
				}
				named[c.Old.ID]++
				o, w := c.Old, c.Now
				if c.Kind != thermal.Merged && (w.ID != o.ID || w.FromMicros > o.FromMicros || w.ToMicros != 0 && w.ToMicros < o.ToMicros ||
					w.Readings < o.Readings || w.FreezeReadings < o.FreezeReadings) {
					t.Fatalf("%s undid\n%+v\n%+v", c.Kind, o, w)
				}
			}
			for _, o := range standing {
				if named[o.ID] != 1 {
					t.Fatalf("%d changes for %+v", named[o.ID], o)
				}
			}
			standing = apply(changes, &next)
			for _, f := range k.found {
				if !covered(f, standing) {
					t.Fatalf("not covered: %+v", f)
				}
			}
			for _, c := range thermal.Reconcile(standing, k.found) {
				if c.Kind != thermal.Unchanged {
					t.Fatalf("applied twice, %s: %+v to %+v", c.Kind, c.Old, c.Now)
				}
			}
		}
	})
}

func covered(f thermal.Excursion, standing []thermal.Excursion) bool {
	for _, s := range standing {
		if s.FromMicros <= f.FromMicros && (s.ToMicros == 0 || f.ToMicros != 0 && f.ToMicros <= s.ToMicros) && (f.Over() || !s.Over()) {
			return true
		}
	}
	return false
}

// In order, what stands is exactly what is found, so a live sensor's record reads like its trace.
func TestReconcileInOrderIsTheTrace(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := kept{rule: rules.Draw(t, "rule")}
		series, _ := thermal.Merge(raw.Draw(t, "raw"))
		var standing []thermal.Excursion
		var next int64
		for len(series) > 0 {
			n := rapid.IntRange(1, len(series)).Draw(t, "chunk")
			k.take(series[:n])
			series = series[n:]
			standing = apply(thermal.Reconcile(standing, k.found), &next)
		}
		for i := range standing {
			standing[i].ID = 0
		}
		if say(standing) != say(k.found) {
			t.Fatalf("standing\n%s\nfound\n%s", say(standing), say(k.found))
		}
	})
}
