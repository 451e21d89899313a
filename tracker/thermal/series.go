package thermal

import "slices"

// Conflict is an instant for which a sensor gave different temperatures. None of them is believed; all are kept.
type Conflict struct {
	AtMicros      int64
	LowestMilliC  MilliC
	HighestMilliC MilliC
	Values        int // different ones, at least 2
}

// Merge makes one series, sorted and without repeats, of any number of parts in any order. Identical readings are one;
// instants with different values are set aside. What was read is len(series), plus the Values of the conflicts, plus
// the repeats. A single part that is already such a series is answered as it is, not copied.
func Merge(parts ...[]Reading) (series []Reading, conflicts []Conflict) {
	parts = slices.DeleteFunc(slices.Clone(parts), func(p []Reading) bool { return len(p) == 0 })
	switch {
	case len(parts) == 0:
		return nil, nil
	case len(parts) == 1 && increasing(parts[0]):
		return parts[0], nil
	}
	all := slices.Concat(parts...)
	sortByInstant(all)
	return unrepeated(all)
}

// increasing says whether every instant is after the one before.
func increasing(rs []Reading) bool {
	for i := 1; i < len(rs); i++ {
		if rs[i].AtMicros <= rs[i-1].AtMicros {
			return false
		}
	}
	return true
}

// sortByInstant sorts in place by instant, then value. Logs come as a few sorted stretches, so it merges the stretches
// that are there: linear in a sorted log, n log(stretches) otherwise.
func sortByInstant(rs []Reading) {
	var ends []int // of the sorted stretches
	for i := 1; i < len(rs); i++ {
		if before(rs[i], rs[i-1]) {
			ends = append(ends, i)
		}
	}
	if len(ends) == 0 {
		return
	}
	ends = append(ends, len(rs))
	from, to := rs, make([]Reading, len(rs))
	for len(ends) > 1 {
		merged, start := ends[:0], 0
		for i := 0; i < len(ends); i += 2 {
			middle, end := ends[i], ends[min(i+1, len(ends)-1)]
			mergeTwo(to[start:end], from[start:middle], from[middle:end])
			merged, start = append(merged, end), end
		}
		ends, from, to = merged, to, from
	}
	copy(rs, from) // nothing moves when the last round ended in rs
}

func before(a, b Reading) bool {
	return a.AtMicros < b.AtMicros || a.AtMicros == b.AtMicros && a.MilliC < b.MilliC
}

func mergeTwo(to, a, b []Reading) {
	for i := range to {
		if len(b) == 0 || len(a) > 0 && !before(b[0], a[0]) {
			to[i], a = a[0], a[1:]
		} else {
			to[i], b = b[0], b[1:]
		}
	}
}

// unrepeated splits sorted readings, in place, into the series and the conflicting instants.
func unrepeated(rs []Reading) (series []Reading, conflicts []Conflict) {
	series = rs[:0]
	for i := 0; i < len(rs); {
		first, last, values := rs[i], rs[i], 1
		for i++; i < len(rs) && rs[i].AtMicros == first.AtMicros; i++ {
			if rs[i].MilliC != last.MilliC {
				last = rs[i]
				values++
			}
		}
		if values == 1 {
			series = append(series, first)
		} else {
			conflicts = append(conflicts, Conflict{first.AtMicros, first.MilliC, last.MilliC, values})
		}
	}
	return series, conflicts
}

// Classify compares what came in with what is stored of one sensor in that interval; known is sorted by instant and
// may hold several values for one. Fresh is what has to be stored, sorted, conflicting values included: both stay.
// The three classes add up to len(incoming): stored = len(fresh) - conflicting, duplicates, conflicting.
func Classify(known, incoming []Reading) (fresh []Reading, duplicates, conflicting int) {
	if !slices.IsSortedFunc(incoming, compare) {
		incoming = slices.Clone(incoming)
		sortByInstant(incoming)
	}
	for i := 0; i < len(incoming); {
		at, start := incoming[i].AtMicros, len(fresh)
		for len(known) > 0 && known[0].AtMicros < at {
			known = known[1:]
		}
		there := 0
		for there < len(known) && known[there].AtMicros == at {
			there++
		}
		for ; i < len(incoming) && incoming[i].AtMicros == at; i++ {
			if slices.Contains(known[:there], incoming[i]) || len(fresh) > start && fresh[len(fresh)-1] == incoming[i] {
				duplicates++
			} else {
				fresh = append(fresh, incoming[i])
			}
		}
		if added := len(fresh) - start; there > 0 || added > 1 {
			conflicting += added
		}
	}
	return fresh, duplicates, conflicting
}

func compare(a, b Reading) int {
	switch {
	case before(a, b):
		return -1
	case a == b:
		return 0
	}
	return 1
}

// Calibration is what a certificate says of a sensor from one instant to another: corrected = raw + offset.
type Calibration struct {
	FromMicros, ToMicros int64 // From <= t < To; To 0 = until the next
	OffsetMilliC         MilliC
}

// offsetAt is the offset of the certificate that counts at an instant: of several, the one that began last.
func offsetAt(certificates []Calibration, at int64) MilliC {
	var best Calibration
	found := false
	for _, c := range certificates {
		if c.FromMicros <= at && (c.ToMicros == 0 || at < c.ToMicros) && (!found || c.FromMicros >= best.FromMicros) {
			best, found = c, true
		}
	}
	return best.OffsetMilliC
}

// Correct answers a corrected copy of a series; the raw readings stay as they are.
func Correct(series []Reading, certificates []Calibration) []Reading {
	corrected := slices.Clone(series)
	for i, r := range corrected {
		corrected[i].MilliC += offsetAt(certificates, r.AtMicros)
	}
	return corrected
}

// CorrectConflicts does the same for values set aside.
func CorrectConflicts(conflicts []Conflict, certificates []Calibration) []Conflict {
	corrected := slices.Clone(conflicts)
	for i, c := range corrected {
		o := offsetAt(certificates, c.AtMicros)
		corrected[i].LowestMilliC += o
		corrected[i].HighestMilliC += o
	}
	return corrected
}
