package sweep

import (
	"maps"
	"slices"

	"vialward/tracker/stock"
)

// countShelves lists every shelf of a unit with what should stand on it, an empty one too: that is where an unlisted
// vial shows. Shelves only the record knows come last.
func countShelves(shelves []stock.Shelf, vials []*stock.Vial) []Counted {
	expected := map[string]int{}
	for _, v := range vials {
		expected[v.Shelf]++
	}
	counted := make([]Counted, 0, len(shelves))
	for _, s := range shelves {
		counted = append(counted, Counted{Shelf: s.Code, Expected: expected[s.Code]})
		delete(expected, s.Code)
	}
	for _, code := range slices.Sorted(maps.Keys(expected)) {
		counted = append(counted, Counted{Shelf: code, Unknown: true, Expected: expected[code]})
	}
	return counted
}

// shelfCounts of one line, in walking order.
func shelfCounts(vials []*stock.Vial, walk map[string]int, split bool) []ShelfCount {
	serials := map[string][]int{}
	for _, v := range vials {
		serials[v.Shelf] = append(serials[v.Shelf], v.Serial)
	}
	counts := make([]ShelfCount, 0, len(serials))
	for shelf, s := range serials {
		c := ShelfCount{Shelf: shelf, Count: len(s)}
		if split {
			slices.Sort(s)
			c.Serials = s
		}
		counts = append(counts, c)
	}
	slices.SortFunc(counts, func(a, b ShelfCount) int { return walk[a.Shelf] - walk[b.Shelf] })
	return counts
}
