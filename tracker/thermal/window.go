package thermal

// edge is one end of a window moving over a series: what lies before it, covered time and rate summed up.
type edge struct {
	series  []Reading
	table   *kinetics
	bridged int64 // micros
	next    int   // first reading after the edge, or at it before reach counts it
	covered int64
	kinetic sum
}

// reach moves on to the last reading at or before an instant.
func (e *edge) reach(at int64) {
	for e.next < len(e.series) && e.series[e.next].AtMicros <= at {
		if e.next > 0 {
			a, b := e.series[e.next-1], e.series[e.next]
			if d := b.AtMicros - a.AtMicros; d <= e.bridged {
				e.covered += d
				e.kinetic.add(float64(d) * e.table.between(a.MilliC, b.MilliC))
			}
		}
		e.next++
	}
}

// rest is what lies between the last reading reached and an instant before the next one.
func (e *edge) rest(at int64) (covered int64, kinetic float64) {
	if e.next == 0 || e.next == len(e.series) {
		return 0, 0
	}
	a, b := e.series[e.next-1], e.series[e.next]
	d := b.AtMicros - a.AtMicros
	if d > e.bridged || at == a.AtMicros {
		return 0, 0
	}
	covered = at - a.AtMicros
	return covered, float64(covered) * e.table.part(a.MilliC, b.MilliC, float64(covered)/float64(d))
}

// worst finds the window with the highest mean rate among those that begin or end at a reading and are covered well
// enough. Two passes with two edges each: linear, nothing stored.
func worst(series []Reading, table *kinetics, bridged, window int64) Window {
	var best Window
	var highest float64
	for _, ends := range []bool{false, true} {
		left := edge{series: series, table: table, bridged: bridged}
		right := left
		for _, r := range series {
			from, to := r.AtMicros, r.AtMicros+window
			if ends {
				from, to = r.AtMicros-window, r.AtMicros
			}
			left.reach(from)
			right.reach(to)
			c0, k0 := left.rest(from)
			c1, k1 := right.rest(to)
			covered := right.covered + c1 - left.covered - c0
			if covered == 0 || covered*100 < window*enoughPercent {
				continue
			}
			mean := (right.kinetic.minus(left.kinetic) + k1 - k0) / float64(covered)
			// Within rounding (1e-12 of a rate is 1e-11 K) windows are equal, and then the earlier one counts.
			if mean > highest*(1+1e-12) || mean > highest*(1-1e-12) && from < best.FromMicros {
				best, highest = Window{FromMicros: from, ToMicros: to}, max(mean, highest)
			}
		}
	}
	if highest > 0 {
		best.MKTCelsius = min(max(atRate(highest), (table.lo+1).Celsius()), table.hi().Celsius())
	}
	return best
}
