package thermal

import (
	"slices"
	"time"
)

// Watch is a sensor's readings over a time, and the longest wait between two that a straight line bridges.
type Watch struct {
	Series []Reading // merged, in order of time; also the neighbours outside the time looked at
	MaxGap time.Duration
	From   time.Time // the sensor speaks for the place from here
	To     time.Time // to here
}

// Watched is how much of from <= t < to was watched by at least one of the sensors: the time between neighbouring readings
// no further apart than the sensor's gap. The rest is time nobody can speak for.
func Watched(sensors []Watch, from, to time.Time) time.Duration {
	type span struct{ from, to int64 }
	var spans []span
	for _, w := range sensors {
		low, high := max(from.UnixMicro(), w.From.UnixMicro()), min(to.UnixMicro(), w.To.UnixMicro())
		for i := 1; i < len(w.Series); i++ {
			a, b := w.Series[i-1].AtMicros, w.Series[i].AtMicros
			if b-a > w.MaxGap.Microseconds() {
				continue
			}
			a, b = max(a, low), min(b, high)
			switch last := len(spans) - 1; {
			case a >= b:
			case last >= 0 && spans[last].from <= a && spans[last].to >= a:
				spans[last].to = max(spans[last].to, b)
			default:
				spans = append(spans, span{a, b})
			}
		}
	}
	slices.SortFunc(spans, func(a, b span) int { return int(min(1, max(-1, a.from-b.from))) })
	var sum, end int64
	for i, s := range spans {
		if i == 0 || s.from > end {
			sum, end = sum+s.to-s.from, s.to
			continue
		}
		if s.to > end {
			sum, end = sum+s.to-end, s.to
		}
	}
	return time.Duration(sum) * time.Microsecond
}
