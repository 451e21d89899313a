package thermal

import (
	"errors"
	"fmt"
	"time"
)

// ErrRule is wrapped by everything that is wrong with a rule.
var ErrRule = errors.New("alarm rule cannot be used")

// Rule says when temperatures of one sensor are an excursion. Rules are data: whose figures they are stands in Source.
type Rule struct {
	Kind        Kind   `json:"kind"`
	LimitMilliC MilliC `json:"limit_milli_celsius"` // warm, cold: in range; freeze: not
	// UncertaintyMilliC of the sensor widens a freeze only: a reading at or below limit + uncertainty holds.
	UncertaintyMilliC MilliC `json:"uncertainty_milli_celsius"`
	// Delay is how long it has to be beyond before it opens. A freeze and a missing reading have none.
	Delay time.Duration `json:"delay_ns"`
	// Window 0: the delay is one stretch, and a gap restarts it. Else minutes beyond add up within it.
	Window time.Duration `json:"window_ns"`
	// ClearAfter is how long it has to be in range, without a gap, before it is over.
	ClearAfter time.Duration `json:"clear_after_ns"`
	// MaxGap is the longest wait between readings that a straight line bridges.
	MaxGap   time.Duration `json:"max_gap_ns"`
	Severity string        `json:"severity"`
	Source   string        `json:"source"`
	Hold     bool          `json:"hold"`
}

// Check answers all that is wrong with a rule, each part a sentence.
func (r Rule) Check() error {
	var wrong []error
	say := func(bad bool, why string) {
		if bad {
			wrong = append(wrong, fmt.Errorf("%w (%s): %s", ErrRule, r.Kind, why))
		}
	}
	switch r.Kind {
	case Warm, Cold, Freeze, NoData:
	default:
		say(true, "its kind is none of warm, cold, freeze, no_data")
	}
	say(r.Source == "", "it names no source; say whose figure it is")
	say(r.MaxGap <= 0, "its longest bridged wait is not above 0; use the sensor's interval, doubled or more")
	say(r.Delay < 0 || r.ClearAfter < 0 || r.Window < 0, "a time in it is below 0")
	say(r.Window > 0 && r.Delay > r.Window, "its minutes can never add up: the delay is longer than the window")
	say(r.UncertaintyMilliC < 0, "the sensor's uncertainty is below 0")
	say(r.LimitMilliC < -widest || r.LimitMilliC > widest, "its limit is beyond -200 to 200 °C")
	say((r.Kind == Freeze || r.Kind == NoData) && (r.Delay != 0 || r.Window != 0), "a freeze and missing data are judged at once; leave delay and window out")
	return errors.Join(wrong...)
}

// limit the fold compares with.
func (r Rule) limit() Limit {
	if r.Kind == Freeze {
		return Limit{Freeze, r.LimitMilliC + r.UncertaintyMilliC}
	}
	return Limit{r.Kind, r.LimitMilliC}
}

// delay is at once for a freeze: the cold side is never averaged and never waited for.
func (r Rule) delay() (micros int64) {
	if r.Kind == Freeze {
		return 0
	}
	return r.Delay.Microseconds()
}

func (r Rule) window() (micros int64) {
	if r.Kind == Freeze {
		return 0
	}
	return r.Window.Microseconds()
}

// Excursion is one sensor's breach of one rule. All instants are in micros; 0 = not yet, or unknown.
type Excursion struct {
	ID   int64 `json:"id,omitempty"` // in the record; 0 = just found
	Kind Kind  `json:"kind"`
	// From and To are where the straight line crosses the limit, From cut down, To up to whole micros. Where a gap or
	// the first reading cuts it, they are its first and last reading beyond.
	FromMicros int64 `json:"from_micros"`
	ToMicros   int64 `json:"to_micros,omitempty"`
	// WorstFrom is the last good reading before, WorstTo the first good one after: what nobody can speak for.
	WorstFromMicros int64 `json:"worst_from_micros,omitempty"`
	WorstToMicros   int64 `json:"worst_to_micros,omitempty"`
	// Opened and Cleared are the readings at which the rule was found broken, and over.
	OpenedMicros  int64  `json:"opened_micros"`
	ClearedMicros int64  `json:"cleared_micros,omitempty"`
	LastMicros    int64  `json:"last_micros"`           // last reading beyond: as far as one that goes on is known
	ExtremeMilliC MilliC `json:"extreme_milli_celsius"` // nothing for no_data
	Readings      int    `json:"readings"`              // beyond the limit
	// FreezeReadings are those at or below the bare limit, without the sensor's uncertainty: discard is proposed on two.
	FreezeReadings int   `json:"freeze_readings,omitempty"`
	BeyondMicros   int64 `json:"beyond_micros"` // bridged time beyond the limit
	NotBorneOut    bool  `json:"not_borne_out,omitempty"`
	// Unheard: stock stood there from From on, and its sensor had not one reading on record. Of missing data only.
	Unheard bool `json:"unheard,omitempty"`
}

// Over says whether the excursion has been cleared.
func (x Excursion) Over() bool { return x.ClearedMicros != 0 }

// FoundFrom says whether a run on from a state that has folded everything through an instant meets this excursion
// again; those it does not were over by then and are left alone.
func (x Excursion) FoundFrom(throughMicros int64) bool {
	return x.ClearedMicros == 0 || x.ClearedMicros > throughMicros
}
