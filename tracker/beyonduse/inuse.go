package beyonduse

import (
	"fmt"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Containers of components as stock.Component.Opened names them.
const (
	SingleDose = "single dose"
	MultiDose  = "multi dose"
	Bulk       = "bulk" // pharmacy bulk package
	Ampoule    = "ampoule"
	Compounded = "compounded" // a compounded single-dose vial
)

// InUseLimit says how long an opened component may be used. Without hours and days it is used at once: opened within
// the preparation that uses it, never kept.
type InUseLimit struct {
	Container   string
	InISO5      Need // opened in ISO 5 air
	Hours, Days int
	Source      string
}

// ShippedInUse are the limits of USP <797> as quoted in secondary copies; a site may put stricter ones in their place.
func ShippedInUse() []InUseLimit {
	return []InUseLimit{
		{SingleDose, Yes, 12, 0, "USP <797>: single-dose vial opened in ISO 5, 12 h (R, quoted; one state 6 h)"},
		{SingleDose, No, 0, 0, "USP <797>: single-dose vial opened outside ISO 5, at once (R)"},
		{Ampoule, Either, 0, 0, "USP <797>: opened ampoule, at once (R)"},
		{Compounded, Either, 12, 0, "USP <797>: compounded single-dose vial that is entered, 12 h or its beyond-use date (R, quoted)"},
		{MultiDose, Either, 0, 28, "USP <797>: multi-dose container, 28 days (R)"},
		{Bulk, Either, 4, 0, "pharmacy bulk package as labelled; two generic labels: 4 h from first entry (R)"},
	}
}

// InUse checks that an opened component was still usable at the step that used it: its in-use time and what is printed
// on it had not ended. It is a check of the preparation begun at startedAt, not a limit on what was made. A component
// that was not open before is fine. The error is a sentence.
func InUse(x stock.Component, startedAt time.Time, zone *time.Location, limits []InUseLimit) error {
	if x.Opened == "" {
		return nil
	}
	if x.OpenedAt.IsZero() || x.UsedAt.IsZero() || x.UsedAt.Before(x.OpenedAt) {
		return fmt.Errorf("%s, lot %s, is an opened component: record when it was opened and when it was used, in this order", x.Name, x.Lot)
	}
	for _, l := range limits {
		if l.Container != x.Opened || !l.InISO5.admits(x.InISO5) {
			continue
		}
		if l.Hours == 0 && l.Days == 0 {
			if x.OpenedAt.Before(startedAt) {
				return fmt.Errorf("%s, lot %s, was opened %s, before this preparation, and may not be kept once open (%s): take an unopened one",
					x.Name, x.Lot, walltime.Say(x.OpenedAt, zone), l.Source)
			}
			return stillGood(x, time.Time{}, "", zone)
		}
		end := Cell{Hours: l.Hours, Days: l.Days}.after(x.OpenedAt, zone)
		return stillGood(x, walltime.CutMinute(end), l.Source, zone)
	}
	return fmt.Errorf("%s, lot %s: there is no in-use limit for an opened %q container: take an unopened one, or one of a kind that has a limit", x.Name, x.Lot, x.Opened)
}

// stillGood compares the use with the earliest of the in-use end (zero: none) and the ends printed on the component.
func stillGood(x stock.Component, end time.Time, source string, zone *time.Location) error {
	c := collect{zone: zone}
	if !end.IsZero() {
		c.add(x.Opened, end, source, true)
	}
	c.component(x)
	a, err := c.answer()
	if err != nil {
		return err
	}
	if x.UsedAt.Before(a.BeyondUse) {
		return nil
	}
	for _, k := range a.Candidates {
		if k.BeyondUse.Equal(a.BeyondUse) {
			source = k.Source
		}
	}
	return fmt.Errorf("%s, lot %s, opened %s, ended %s (%s) and was used %s: take another", x.Name, x.Lot,
		walltime.Say(x.OpenedAt, zone), walltime.Say(a.BeyondUse, zone), source, walltime.Say(x.UsedAt, zone))
}
