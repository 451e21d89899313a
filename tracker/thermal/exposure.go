package thermal

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"
)

// ErrStays is wrapped by everything that is wrong with where a vial is said to have been.
var ErrStays = errors.New("stays cannot be followed")

// longestFollowed is far beyond any vial's life and within what a Duration can count.
const longestFollowed = 100 * 365 * 24 * time.Hour

// ExposureRules is what a product allows, and how its temperatures are read.
type ExposureRules struct {
	MaxGap       time.Duration // longest wait between readings that a straight line bridges
	Stability    Stability
	AllowedOut   *time.Duration // above 8 °C in all; nil = the source gives none, and there is no default (AJHP 2007;64:1711, R)
	FreezeMilliC MilliC         // a raw reading at or below it counts as freezing
}

// Exposures follows vials of one product.
type Exposures struct {
	rules   ExposureRules
	bridged int64 // micros
	law     law
	limits  [limits]Limit
}

// NewExposures makes rules ready; an error wraps ErrStability and lists everything wrong.
func NewExposures(rules ExposureRules) (*Exposures, error) {
	if err := rules.Stability.Check(); err != nil {
		return nil, err
	}
	x := &Exposures{rules: rules, bridged: rules.MaxGap.Microseconds(), law: rules.Stability.law()}
	x.limits = [limits]Limit{{Warm, 8000}, {Warm, 15_000}, {Warm, 25_000}, {Cold, 2000}, {Warm, x.law.calm}, {Warm, x.law.top}}
	return x, nil
}

// Stay is where a vial was from one instant up to another.
type Stay struct {
	FromMicros, ToMicros int64
	Trace                *Trace   // of the sensor that speaks for the place, made by the same Exposures; nil = assumed
	Others               []*Trace // of sensors that speak for the same place: of each figure the worst counts
	AssumedMilliC        MilliC   // the worst a place without a sensor can have
}

// Exposure is what a vial met from its first stay to an instant. Where time is unknown the other figures are those of
// the known part: no less than that.
type Exposure struct {
	Followed, Unknown         time.Duration
	Above8, Above15, Above25  time.Duration
	Below2                    time.Duration
	Debited                   time.Duration // of Above8, what counts against the allowance: see TraceRules.Debit
	FreezeReadings            int
	Measured                  bool // else nothing is known of any temperature
	MinCelsius, MaxCelsius    float64
	Modelled                  bool          // there is stability data
	StabilityUsed             float64       // 1 = all of it
	BeyondModel               time.Duration // warmer than the stability data speaks for; not in StabilityUsed
	Limited                   bool          // there is a chemical limit
	ChemicalLimitMicros       int64         // cut down to the minute, never later than the beyond-use date; nothing about sterility
	BeyondUseMicros, AtMicros int64
	Proposals                 []Proposal
}

// Of follows a vial through its stays, in any order, up to an instant at which it has a beyond-use date. Time that no
// stay covers is unknown. An error wraps ErrStays; it numbers stays from 0.
func (x *Exposures) Of(stays []Stay, atMicros, beyondUseMicros int64) (Exposure, error) {
	order, err := follow(stays, atMicros)
	if err != nil {
		return Exposure{}, err
	}
	from := stays[order[0]].FromMicros
	e := Exposure{AtMicros: atMicros, BeyondUseMicros: beyondUseMicros, Followed: time.Duration(atMicros-from) * time.Microsecond}
	var all sums
	var seen span
	shared := sharedPlaces{}
	for i, o := range order {
		s := stays[o]
		if s.FromMicros > atMicros {
			break
		}
		// The instant at itself counts, in the last stay that has begun by then: one reading is never two stays'.
		to := min(s.ToMicros, atMicros)
		past := to
		if s.ToMicros >= atMicros && (i+1 == len(order) || stays[order[i+1]].FromMicros > atMicros) {
			past++
		}
		if s.Trace == nil {
			if s.FromMicros < to {
				all.add(x.assumed(s.AssumedMilliC, to-s.FromMicros))
				seen.take(float64(s.AssumedMilliC))
			}
			continue
		}
		for _, t := range append([]*Trace{s.Trace}, s.Others...) {
			seen.join(t.span(s.FromMicros, to, past))
			e.FreezeReadings += t.freezes(s.FromMicros, past)
		}
		if len(s.Others) == 0 {
			all.add(s.Trace.between(s.FromMicros, to))
		} else {
			shared.add(s, to)
		}
	}
	for _, place := range shared {
		all.add(x.worst(place))
	}
	e.Unknown = e.Followed - time.Duration(all.known)*time.Microsecond
	b := all.beyond
	e.Above8, e.Above15, e.Above25, e.Below2 = b[above8], b[above15], b[above25], b[below2]
	e.Debited = all.debited
	if e.Measured = seen.any; seen.any {
		e.MinCelsius, e.MaxCelsius = seen.lowest/1000, seen.highest/1000
	}
	x.use(&e, all)
	e.Proposals = x.rules.propose(e)
	return e, nil
}

// follow sorts stays, as indexes, and refuses those no vial can have had.
func follow(stays []Stay, atMicros int64) (order []int, err error) {
	var wrong []error
	say := func(format string, args ...any) {
		wrong = append(wrong, fmt.Errorf("%w: %s", ErrStays, fmt.Sprintf(format, args...)))
	}
	if len(stays) == 0 {
		say("there are none; say where the vial was, each place from and to")
		return nil, errors.Join(wrong...)
	}
	for i, s := range stays {
		order = append(order, i)
		if s.ToMicros <= s.FromMicros {
			say(`stays[%d] ends at or before its beginning; put "to" after "from"`, i)
		}
	}
	if len(wrong) > 0 {
		return nil, errors.Join(wrong...)
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(stays[a].FromMicros, stays[b].FromMicros) })
	for i := 1; i < len(order); i++ {
		if a, b := order[i-1], order[i]; stays[b].FromMicros < stays[a].ToMicros {
			say("stays[%d] begins before stays[%d] ends: a vial is in one place at a time, end the one where the other begins", b, a)
		}
	}
	switch first := stays[order[0]].FromMicros; {
	case atMicros < first:
		say(`"at" is before the first stay begins; nothing is known of the vial then`)
	case atMicros-first > longestFollowed.Microseconds():
		say("from the first stay to \"at\" it is more than a hundred years; look at the dates")
	}
	return order, errors.Join(wrong...)
}

// assumed sums up a stay at one temperature.
func (x *Exposures) assumed(m MilliC, micros int64) (s sums) {
	s.known = micros
	for k, l := range x.limits {
		if l.beyond(m) {
			s.beyond[k] = time.Duration(micros) * time.Microsecond
		}
	}
	s.debited = s.beyond[above8]
	s.warm.add(x.law.warm(float64(m), float64(m)) * hours(micros))
	return s
}

// use sets what was used of the stability, and the chemical limit where every minute is known and spoken for and
// nothing froze. Time at the coldest point's rate is counted in whole nanoseconds and the remainder rounded to the
// microsecond, so that a limit on a full minute is not cut to the one before.
func (x *Exposures) use(e *Exposure, all sums) {
	if e.Modelled = x.law.known; !e.Modelled {
		return
	}
	keeps, warm := x.law.keeps, all.warm.total()
	slow := time.Duration(all.known)*time.Microsecond - all.beyond[aboveCalm]
	e.StabilityUsed = float64(slow)/float64(keeps) + warm
	e.BeyondModel = all.beyond[aboveTop]
	if e.Unknown > 0 || e.BeyondModel > 0 || e.FreezeReadings > 0 {
		return
	}
	e.Limited = true
	left := math.Max(0, (float64(keeps-slow)-warm*float64(keeps))/float64(time.Microsecond))
	limit := min(e.AtMicros+int64(math.Round(left)), e.BeyondUseMicros)
	e.ChemicalLimitMicros = limit - mod(limit, time.Minute.Microseconds())
}

// mod is never negative: instants before 1970 are cut down too.
func mod(a, b int64) int64 { return ((a % b) + b) % b }
