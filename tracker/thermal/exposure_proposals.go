package thermal

import (
	"fmt"
	"time"
)

// Action is what is proposed to the person who decides. Nothing is released, lengthened or discarded by it.
type Action string

const (
	HoldIt          Action = "hold"
	DiscardIt       Action = "discard"
	ShortenIt       Action = "shorten"
	WithinAllowance Action = "within_allowance"
	AskFirst        Action = "ask"
	NoNumber        Action = "no_number"
)

// Proposal is an action and why, a sentence.
type Proposal struct {
	Action Action `json:"action"`
	Why    string `json:"why"`
}

// propose lists everything that stands; several may. The two readings a discard takes, against one to hold, keep a
// single wrong value from costing stock (common practice, no source).
func (r ExposureRules) propose(e Exposure) (all []Proposal) {
	add := func(a Action, format string, args ...any) {
		all = append(all, Proposal{a, fmt.Sprintf(format, args...)})
	}
	switch {
	case e.FreezeReadings >= 2:
		add(DiscardIt, "%d readings were at or below the freeze limit of %v °C: it may have been frozen", e.FreezeReadings, r.FreezeMilliC)
	case e.FreezeReadings == 1:
		add(HoldIt, "one reading was at or below the freeze limit of %v °C: find out whether it froze", r.FreezeMilliC)
	}
	// Crossings are good to a nanosecond each, so their sum is compared in whole microseconds.
	out := e.Debited.Round(time.Microsecond)
	switch {
	case e.Debited <= 0:
	case r.AllowedOut == nil:
		add(AskFirst, "it was above 8 °C for %s and no allowance is given: ask the pharmacist, who asks the maker or finds a source", say(e.Debited))
	case out > *r.AllowedOut:
		add(DiscardIt, "it was above 8 °C for %s, %s more than the %s allowed", say(out), say(out-*r.AllowedOut), say(*r.AllowedOut))
	case e.Unknown == 0 && e.FreezeReadings == 0:
		add(WithinAllowance, "it was above 8 °C for %s of the %s allowed, and every minute is known", say(out), say(*r.AllowedOut))
	}
	// A date on a full minute is compared as it stands; one with seconds is cut like every limit.
	if e.Limited && e.ChemicalLimitMicros < e.BeyondUseMicros-mod(e.BeyondUseMicros, time.Minute.Microseconds()) {
		add(ShortenIt, "by its stability data the chemical limit comes before the beyond-use date: %.3g %% of it is used", 100*e.StabilityUsed)
	}
	if !e.Limited {
		add(NoNumber, "no chemical limit can be given: %s", r.noLimit(e))
	}
	return all
}

// noLimit says why there is none.
func (r ExposureRules) noLimit(e Exposure) (why string) {
	and := func(there bool, what string) {
		if there && why != "" {
			why += "; "
		}
		if there {
			why += what
		}
	}
	and(!e.Modelled, "there is no stability data")
	and(e.Unknown > 0, "the temperature is unknown for "+say(e.Unknown))
	and(e.BeyondModel > 0, "it was warmer than the stability data speaks for, for "+say(e.BeyondModel))
	and(e.FreezeReadings > 0, "no stability data speaks for what may have been frozen")
	return why
}

// say prints a time for a sentence.
func say(d time.Duration) string {
	if d < time.Minute {
		return fmt.Sprintf("%.3g seconds", d.Seconds())
	}
	return fmt.Sprintf("%.1f minutes", d.Minutes())
}
