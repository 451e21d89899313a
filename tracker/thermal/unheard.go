package thermal

// Unheard answers what is left of an excursion of stock whose sensor had not one reading on record when it was opened,
// now that the readings up to s are there. There are three answers: it goes on, since nothing was measured after it
// began; it ended at the first reading there ever was; or (there is false) it is for Step's own gaps to say, since
// something was measured before it began, or so soon after that a straight line bridges the wait.
//
// Step cannot find it: what began it is stock put in place, not a reading.
func (r Rule) Unheard(s State, x Excursion) (now Excursion, there bool) {
	now = Excursion{Kind: NoData, Unheard: true, FromMicros: x.FromMicros, WorstFromMicros: x.FromMicros, OpenedMicros: x.OpenedMicros}
	switch {
	case !s.Seen || s.LastMicros <= x.FromMicros:
		return now, true
	case s.FirstMicros <= x.FromMicros || s.FirstMicros-x.FromMicros <= r.MaxGap.Microseconds():
		return Excursion{}, false
	}
	return now.Ended(s.FirstMicros), true
}

// Ended is an excursion of missing data that ends at an instant.
func (x Excursion) Ended(atMicros int64) Excursion {
	x.ToMicros, x.WorstToMicros, x.ClearedMicros, x.LastMicros = atMicros, atMicros, atMicros, x.FromMicros
	return x
}
