package waste

// Replayed is what a run of days would have come to with batches of some size, handing out oldest first.
type Replayed struct {
	Made, HandedOut int
	LeftOver        int // ended on the shelf
	Short           int
	Remaining       int // on hand after the last day
	CostMicro       int64
}

// Replay goes through days on each of which so many vials were wanted. size says how many are prepared for a day, below 0
// = no batch, knowing what is on hand by the last day on which it serves (0 = that day); a batch serves lifeDays from its
// own day on.
func Replay(wanted, onHand []int, lifeDays int, c Costs, size func(day int, onHand []int) int) (r Replayed) {
	shelf := make([]int, max(len(onHand), lifeDays))
	copy(shelf, onHand)
	for day, n := range wanted {
		if made := size(day, shelf); made > 0 {
			shelf[lifeDays-1] += made
			r.Made += made
		}
		for k := 0; k < len(shelf) && n > 0; k++ {
			out := min(shelf[k], n)
			shelf[k], n, r.HandedOut = shelf[k]-out, n-out, r.HandedOut+out
		}
		r.Short += n
		r.LeftOver += shelf[0]
		copy(shelf, shelf[1:])
		shelf[len(shelf)-1] = 0
	}
	for _, n := range shelf {
		r.Remaining += n
	}
	r.CostMicro = int64(r.LeftOver)*c.LeftOverMicro + int64(r.Short)*c.ShortMicro
	return r
}
