package thermal

import "time"

// Window is a stretch of fixed length and its mean kinetic temperature.
type Window struct {
	FromMicros, ToMicros int64
	MKTCelsius           float64
}

// WorstWindow is the length the pharmacopoeia's general chapter asks for cold stores (USP <659>, secondary copy, R).
const WorstWindow = 24 * time.Hour

// enoughPercent is how much of a window has to be covered before its figure counts.
const enoughPercent = 90

// mark is a reading and what lies before it.
type mark struct {
	Reading
	covered int64 // micros
	kinetic sum   // of rates, over them
}

// windows finds the window with the highest mean rate among those that begin or end at a reading and are covered well
// enough; of equal ones the earliest. Windows are looked at in the order they begin, once the readings they need are
// there. Marks are kept for one length only.
type windows struct {
	length, bridged int64 // micros
	marks           []mark
	next            int // mark at which the next window begins
	left            int // last mark at or before the beginning of the window that ends now
	highest         float64
	best            Window
}

// add looks at every window that the new reading completes: those that begin at a reading and end between the last one
// and this, then the one that ends here.
func (w *windows) add(r Reading, covered int64, kinetic sum, table *kinetics) {
	if w.length <= 0 {
		return
	}
	if n := len(w.marks); n == cap(w.marks) {
		if gone := min(w.next, w.left); gone > n/2 {
			w.marks = w.marks[:copy(w.marks, w.marks[gone:])]
			w.next, w.left = w.next-gone, w.left-gone
		}
	}
	w.marks = append(w.marks, mark{r, covered, kinetic})
	now, begin := len(w.marks)-1, r.AtMicros-w.length
	for ; w.next < now && w.marks[w.next].AtMicros <= begin; w.next++ {
		if from := &w.marks[w.next]; from.AtMicros < begin { // else it is the one that ends here
			to := w.cut(now-1, from.AtMicros+w.length, table)
			w.look(from.AtMicros, from, &to)
		}
	}
	for w.left < now && w.marks[w.left+1].AtMicros <= begin {
		w.left++
	}
	from := &w.marks[w.left] // of a window that begins before the first reading: nothing lies before that
	if from.AtMicros < begin {
		cut := w.cut(w.left, begin, table)
		from = &cut
	}
	w.look(begin, from, &w.marks[now])
}

// cut is a mark between two others.
func (w *windows) cut(after int, at int64, table *kinetics) mark {
	a, b := w.marks[after], &w.marks[after+1]
	if d, part := b.AtMicros-a.AtMicros, at-a.AtMicros; d <= w.bridged {
		a.covered += part
		a.kinetic.add(float64(part) * table.part(a.MilliC, b.MilliC, float64(part)/float64(d)))
	}
	return a
}

// look compares one window. Within rounding (1e-12 of a rate is 1e-11 K) two are equal, and then the earlier one counts.
func (w *windows) look(begin int64, from, to *mark) {
	covered := to.covered - from.covered
	if covered == 0 || covered*100 < w.length*enoughPercent {
		return
	}
	if kinetic := to.kinetic.minus(from.kinetic); kinetic > w.highest*float64(covered)*(1+1e-12) {
		w.highest = kinetic / float64(covered)
		w.best.FromMicros, w.best.ToMicros = begin, begin+w.length
	}
}

// finish looks at the windows that begin at a reading and outlast the series.
func (w *windows) finish(coldest, warmest MilliC) Window {
	rest := *w // the description may go on
	for i := range rest.marks[rest.next:] {
		m := &rest.marks[rest.next+i]
		rest.look(m.AtMicros, m, &rest.marks[len(rest.marks)-1])
	}
	if rest.highest > 0 {
		rest.best.MKTCelsius = min(max(atRate(rest.highest), coldest.Celsius()), warmest.Celsius())
	}
	return rest.best
}
