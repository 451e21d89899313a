package chain_test

import (
	"fmt"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/chain"
)

// sound is a record of n events that nobody has touched.
func sound(n int) []chain.Row {
	var h chain.Head
	rows := make([]chain.Row, n)
	for i := range rows {
		content := chain.Content(fmt.Appendf(nil, `{"seq":%d}`, i+1))
		h = h.Next(content)
		rows[i] = chain.Row{Seq: h.Seq, Own: h.Seq, Content: content, Hash: h.Hash}
	}
	return rows
}

func walk(rows []chain.Row, stored chain.Head) []chain.Fault {
	var w chain.Walker
	var faults []chain.Fault
	for i, r := range rows {
		var ahead *chain.Row
		if i+1 < len(rows) {
			ahead = &rows[i+1]
		}
		if f := w.Step(r, ahead); f != nil {
			faults = append(faults, *f)
		}
	}
	if f := w.Close(stored); f != nil {
		faults = append(faults, *f)
	}
	return faults
}

func headOf(rows []chain.Row) chain.Head {
	last := rows[len(rows)-1]
	return chain.Head{Seq: last.Seq, Hash: last.Hash}
}

// forged is another event's content, bound to the one before.
func forged(rows []chain.Row, i int) chain.Row {
	r := rows[i]
	r.Content = chain.Content([]byte("forged"))
	var before chain.Hash
	if i > 0 {
		before = rows[i-1].Hash
	}
	r.Hash = chain.Link(before, r.Content)
	return r
}

// renumber closes or opens the places after a row was taken out or put in, as whoever hides it would.
func renumber(rows []chain.Row) []chain.Row {
	for i := range rows {
		rows[i].Seq = int64(i + 1)
	}
	return rows
}

// One deed, one fault, at the event it was done to.
func TestWalkNamesTheDeed(t *testing.T) {
	t.Parallel()
	other := chain.Content([]byte("x"))
	for name, c := range map[string]struct {
		do   func(rows []chain.Row) []chain.Row
		want []string
	}{
		"nothing":                   {func(r []chain.Row) []chain.Row { return r }, nil},
		"a line changed":            {func(r []chain.Row) []chain.Row { r[4].Content = other; return r }, []string{"5 changed"}},
		"the first line changed":    {func(r []chain.Row) []chain.Row { r[0].Content = other; return r }, []string{"1 changed"}},
		"the last line changed":     {func(r []chain.Row) []chain.Row { r[9].Content = other; return r }, []string{"10 changed"}},
		"a hash changed":            {func(r []chain.Row) []chain.Row { r[4].Hash[0]++; return r }, []string{"5 changed", "6 changed"}},
		"changed and bound anew":    {func(r []chain.Row) []chain.Row { r[4] = forged(r, 4); return r }, []string{"6 changed"}},
		"one removed":               {func(r []chain.Row) []chain.Row { return slices.Delete(r, 4, 5) }, []string{"5 removed"}},
		"three removed":             {func(r []chain.Row) []chain.Row { return slices.Delete(r, 4, 7) }, []string{"5 removed"}},
		"the first removed":         {func(r []chain.Row) []chain.Row { return r[1:] }, []string{"1 removed"}},
		"the last removed":          {func(r []chain.Row) []chain.Row { return r[:9] }, []string{"10 removed"}},
		"all removed":               {func([]chain.Row) []chain.Row { return nil }, []string{"1 removed"}},
		"removed, and moved up":     {func(r []chain.Row) []chain.Row { return renumber(slices.Delete(r, 4, 5)) }, []string{"5 removed"}},
		"two and the last moved up": {func(r []chain.Row) []chain.Row { return renumber(slices.Delete(r, 7, 9)) }, []string{"8 removed"}},
		"two swapped":               {func(r []chain.Row) []chain.Row { r[4], r[5] = r[5], r[4]; return renumber(r) }, []string{"5 out of place"}},
		"two lines swapped":         {func(r []chain.Row) []chain.Row { swapLines(r, 4, 5); return r }, []string{"5 out of place"}},
		"the last two swapped":      {func(r []chain.Row) []chain.Row { r[8], r[9] = r[9], r[8]; return renumber(r) }, []string{"9 out of place"}},
		"one copied over another":   {func(r []chain.Row) []chain.Row { r[7] = r[2]; return renumber(r) }, []string{"8 out of place", "9 changed"}},
		"slipped in":                {func(r []chain.Row) []chain.Row { return renumber(slices.Insert(r, 4, forged(r, 4))) }, []string{"5 slipped in"}},
		"slipped in before all":     {func(r []chain.Row) []chain.Row { return renumber(slices.Insert(r, 0, forged(r, 0))) }, []string{"1 slipped in"}},
		"slipped in, bound to none": {func(r []chain.Row) []chain.Row {
			return renumber(slices.Insert(r, 4, chain.Row{Own: 5, Content: other}))
		}, []string{"5 slipped in"}},
		"one removed, one slipped":   {func(r []chain.Row) []chain.Row { r[2] = forged(r, 2); return slices.Delete(r, 6, 7) }, []string{"4 changed", "7 removed"}},
		"its number in its own line": {func(r []chain.Row) []chain.Row { r[9].Own = 11; return r }, []string{"10 out of place"}},
	} {
		var got []string
		for _, f := range walk(c.do(sound(10)), headOf(sound(10))) {
			require.NotEmpty(t, f.Say, name)
			got = append(got, fmt.Sprintf("%d %s", f.Seq, f.Kind))
		}
		require.Equal(t, c.want, got, name)
	}
}

func swapLines(r []chain.Row, i, k int) {
	r[i].Content, r[k].Content = r[k].Content, r[i].Content
	r[i].Own, r[k].Own = r[k].Own, r[i].Own
}

// Whatever is done to a record, short of binding all that follows anew, is noticed, at the first place it was done to or,
// where lines were bound anew, at the first one after them.
func TestWalkNoticesEverything(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		rows := sound(rapid.IntRange(2, 12).Draw(t, "n"))
		was := slices.Clone(rows)
		deeds := rapid.IntRange(1, 3).Draw(t, "deeds")
		for range deeds {
			if len(rows) == 0 {
				break
			}
			i := rapid.IntRange(0, len(rows)-1).Draw(t, "where")
			k := rapid.IntRange(0, len(rows)-1).Draw(t, "other")
			switch rapid.IntRange(0, 6).Draw(t, "deed") {
			case 0:
				rows[i].Content[3] ^= 1
			case 1:
				rows[i].Hash[3] ^= 1
			case 2:
				rows = slices.Delete(rows, i, i+1)
			case 3:
				rows = renumber(slices.Delete(rows, i, i+1))
			case 4:
				rows[i], rows[k] = rows[k], rows[i]
				rows = renumber(rows)
			case 5:
				rows = renumber(slices.Insert(rows, i, forged(rows, i)))
			case 6:
				rows[i] = forged(rows, i)
			}
		}
		faults := walk(rows, headOf(was))
		if slices.Equal(rows, was) {
			require.Empty(t, faults)
			return
		}
		require.NotEmpty(t, faults)
		first := 0
		for first < len(rows) && first < len(was) && rows[first] == was[first] {
			first++
		}
		require.LessOrEqual(t, faults[0].Seq, int64(first+1+deeds))
	})
}
