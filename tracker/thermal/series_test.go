package thermal_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/thermal"
)

func TestMerge(t *testing.T) {
	a := trace(0, 5, 10, 6, 20, 7)
	series, conflicts := thermal.Merge(a)
	require.Same(t, &a[0], &series[0], "a series is not copied")
	require.Empty(t, conflicts)

	series, conflicts = thermal.Merge(a, nil, trace(15, 1, 10, 6, 5, 2), trace(20, 9, 20, 8, 20, 9))
	require.Equal(t, trace(0, 5, 5, 2, 10, 6, 15, 1), series)
	require.Equal(t, []thermal.Conflict{{AtMicros: start + 20*minute, LowestMilliC: 7000, HighestMilliC: 9000, Values: 3}}, conflicts)
	require.Equal(t, trace(0, 5, 10, 6, 20, 7), a, "the parts stay as they are")
}

// Merge against the definition, over maps.
func TestMergeAgainstDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		reading := rapid.Custom(func(t *rapid.T) thermal.Reading {
			return thermal.Reading{AtMicros: rapid.Int64Range(1, 30).Draw(t, "at"), MilliC: thermal.MilliC(rapid.Int32Range(0, 3).Draw(t, "milli"))}
		})
		parts := rapid.SliceOfN(rapid.SliceOfN(reading, 0, 20), 0, 6).Draw(t, "parts")
		at := map[int64]map[thermal.MilliC]bool{}
		for _, p := range parts {
			for _, r := range p {
				if at[r.AtMicros] == nil {
					at[r.AtMicros] = map[thermal.MilliC]bool{}
				}
				at[r.AtMicros][r.MilliC] = true
			}
		}
		series, conflicts := thermal.Merge(parts...)
		if len(series)+len(conflicts) != len(at) {
			t.Fatalf("%d instants became %d and %d", len(at), len(series), len(conflicts))
		}
		for i, r := range series {
			if len(at[r.AtMicros]) != 1 || !at[r.AtMicros][r.MilliC] || i > 0 && series[i-1].AtMicros >= r.AtMicros {
				t.Fatalf("wrong reading %+v", r)
			}
		}
		for i, c := range conflicts {
			vs := at[c.AtMicros]
			if len(vs) != c.Values || c.Values < 2 || !vs[c.LowestMilliC] || !vs[c.HighestMilliC] || i > 0 && conflicts[i-1].AtMicros >= c.AtMicros {
				t.Fatalf("wrong conflict %+v", c)
			}
			for v := range vs {
				if v < c.LowestMilliC || v > c.HighestMilliC {
					t.Fatalf("%v is outside %+v", v, c)
				}
			}
		}
	})
}

func TestClassify(t *testing.T) {
	known := trace(0, 5, 10, 6, 20, 7, 20, 8)
	fresh, duplicates, conflicting := thermal.Classify(known, trace(30, 4, 0, 5, 10, 6.5, 20, 8, 40, 1, 40, 2, 40, 1, 30, 4))
	require.Equal(t, trace(10, 6.5, 30, 4, 40, 1, 40, 2), fresh)
	require.Equal(t, 4, duplicates)
	require.Equal(t, 3, conflicting)
}

// Sending the same again is harmless, and the classes add up whatever comes.
func TestClassifyAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		reading := rapid.Custom(func(t *rapid.T) thermal.Reading {
			return thermal.Reading{AtMicros: rapid.Int64Range(1, 12).Draw(t, "at"), MilliC: thermal.MilliC(rapid.Int32Range(0, 2).Draw(t, "milli"))}
		})
		in := rapid.SliceOfN(reading, 0, 30)
		first, _, _ := thermal.Classify(nil, in.Draw(t, "first"))
		second := in.Draw(t, "second")
		fresh, duplicates, conflicting := thermal.Classify(first, second)
		if len(fresh)+duplicates != len(second) || conflicting > len(fresh) {
			t.Fatalf("%d read: %d fresh of which %d conflicting, %d repeats", len(second), len(fresh), conflicting, duplicates)
		}
		known := slices.Concat(first, fresh)
		slices.SortFunc(known, func(a, b thermal.Reading) int { return int(a.AtMicros - b.AtMicros) })
		again, repeats, _ := thermal.Classify(known, second)
		if len(again) != 0 || repeats != len(second) {
			t.Fatalf("sent again, %d were fresh", len(again))
		}
	})
}

func TestCorrect(t *testing.T) {
	raw := trace(0, 5, 10, 5, 20, 5, 30, 5)
	certificates := []thermal.Calibration{
		{FromMicros: start + 10*minute, ToMicros: start + 30*minute, OffsetMilliC: -100},
		{FromMicros: start + 20*minute, OffsetMilliC: 250},
	}
	require.Equal(t, trace(0, 5, 10, 4.9, 20, 5.25, 30, 5.25), thermal.Correct(raw, certificates))
	require.Equal(t, trace(0, 5, 10, 5, 20, 5, 30, 5), raw)
	require.Equal(t, []thermal.Conflict{{AtMicros: start + 10*minute, LowestMilliC: -200, HighestMilliC: 900, Values: 2}},
		thermal.CorrectConflicts([]thermal.Conflict{{AtMicros: start + 10*minute, LowestMilliC: -100, HighestMilliC: 1000, Values: 2}}, certificates))
}
