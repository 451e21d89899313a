package thermal

// Phase of a rule on a sensor. "Cleared" is not one: what was cleared is in range again.
type Phase string

const (
	InRange   Phase = ""
	Suspected Phase = "suspected" // beyond the limit, not yet for the delay
	Open      Phase = "open"
)

// State is what has to be known of all readings up to one instant to go on from there. The zero State has seen none.
// It holds instants only, no clocks, so it is the same whenever and wherever it was computed.
type State struct {
	Phase         Phase  `json:"phase,omitempty"`
	ThroughMicros int64  `json:"through_micros,omitempty"` // last instant folded, set-aside ones included
	Seen          bool   `json:"seen,omitempty"`           // there is a last reading
	FirstMicros   int64  `json:"first_micros,omitempty"`   // the first one ever
	LastMicros    int64  `json:"last_micros,omitempty"`
	LastMilliC    MilliC `json:"last_milli_celsius,omitempty"`
	// LastGoodMicros is the last reading in range; 0 = none yet.
	LastGoodMicros int64 `json:"last_good_micros,omitempty"`
	// Pending are stretches beyond the limit that have not (yet) opened anything; the last may still be running.
	Pending []stretch `json:"pending,omitempty"`
	// Current is the open excursion, GoodSince since when it has been in range without a gap; 0 = it is beyond.
	Current         *Excursion `json:"current,omitempty"`
	GoodSinceMicros int64      `json:"good_since_micros,omitempty"`
}

// stretch is one time beyond the limit while nothing is open.
type stretch struct {
	FromMicros      int64  `json:"from_micros"`
	ToMicros        int64  `json:"to_micros"` // so far
	WorstFromMicros int64  `json:"worst_from_micros,omitempty"`
	ExtremeMilliC   MilliC `json:"extreme_milli_celsius"`
	Readings        int    `json:"readings"`
	FreezeReadings  int    `json:"freeze_readings,omitempty"`
}

// own makes a copy that can be changed without changing s: states are kept at checkpoints.
func (s State) own() State {
	if s.Pending != nil {
		s.Pending = append([]stretch(nil), s.Pending...)
	}
	if s.Current != nil {
		c := *s.Current
		s.Current = &c
	}
	return s
}

// Silence is the no-data excursion of a sensor that has stopped reporting, as of now: from its last reading, open.
// ok is false where there never was a reading. Step cannot find it, as only the next reading tells it; a caller that
// finds a sensor silent adds it to what Step found.
func (s State) Silence(nowMicros int64) (x Excursion, ok bool) {
	return Excursion{Kind: NoData, FromMicros: s.LastMicros, WorstFromMicros: s.LastMicros, OpenedMicros: nowMicros,
		LastMicros: s.LastMicros}, s.Seen
}
