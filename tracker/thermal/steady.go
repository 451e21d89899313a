package thermal

import "time"

// Steady is how long a sensor's newest value has stood: since which reading, and how many in a row have shown it. The
// zero Steady has seen none.
type Steady struct {
	SinceMicros int64
	MilliC      MilliC
	Readings    int
}

// On goes on with readings, each later than all before it.
func (s Steady) On(readings []Reading) Steady {
	for _, r := range readings {
		if s.Readings == 0 || r.MilliC != s.MilliC {
			s = Steady{SinceMicros: r.AtMicros, MilliC: r.MilliC}
		}
		s.Readings++
	}
	return s
}

// Stuck says whether every reading a sensor makes in so long a time has shown this one value. A probe in liquid holds one
// for hours in a quiet refrigerator, the coarser its steps the longer: after how long it is worth a look is the site's
// figure; 0 = never. Readings that are missing prove nothing, so they make it longer.
func (s Steady) Stuck(after, interval time.Duration) bool {
	return after > 0 && interval > 0 && s.Readings > 1 && int64(s.Readings-1) >= int64(after/interval)
}
