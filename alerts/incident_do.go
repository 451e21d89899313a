package alerts

import (
	"fmt"
	"strings"
)

// What to do first is worded here, one function a fault. The steps are common practice, no source; "do not discard",
// "keep cold", "label and hold", "ask" follow the CDC vaccine storage toolkit (read in a secondary copy).

func (f Incident) do() []string {
	var steps []string
	switch f.Wrong {
	case Warm:
		steps = f.doWarm()
	case Freezing:
		steps = f.doFreezing()
	case NoTemperatures:
		steps = f.doSilent()
	default:
		steps = f.doCold()
	}
	return append([]string{f.call()}, steps...)
}

// call asks the reader to go. A time stands in it only where a sourced allowance gives one.
func (f Incident) call() string {
	var s string
	switch d := f.deadline(); {
	case d == nil:
		s = "Can you be at " + f.at() + " as soon as possible?"
	case d.At.After(f.Now):
		s = "Can you be at " + f.at() + " by " + f.clockZone(d.At) + "?"
	default:
		s = "Can you be at " + f.at() + " now? The first allowed time out ended " + f.clockZone(d.At) + "."
	}
	if f.Answers {
		return s + " Reply GOING or CANNOT."
	}
	return s + " If not, ring somebody who can: answers to this mail are not read."
}

func (f Incident) doWarm() []string {
	return []string{
		"There: shut the door, check plug, switch and display. " +
			"If it is not falling after 10 minutes, move everything " + f.to() + ". No freezer packs against the vials.",
		f.marking(),
	}
}

func (f Incident) doCold() []string {
	return []string{
		"There: check the setting and that nothing blocks the air, look for ice. " +
			"If it is not rising after 10 minutes, move everything " + f.to() + ".",
		f.marking(),
	}
}

func (f Incident) doFreezing() []string {
	return []string{
		"There: do not shake the vials, do not thaw or warm them. Bag what is in " + f.Unit + ", mark it DO NOT USE and keep it at 2-8 °C: move it " +
			f.to() + ". A vial that looks clear may still have been frozen.",
		f.marking(),
	}
}

func (f Incident) doSilent() []string {
	return []string{
		"There: read the unit's own display or another thermometer and write down the temperature and the time, and lowest and highest if shown; do not reset them. " +
			"Then check the logger: battery, cable, network.",
		"If the display is out of range, move everything " + f.to() + ". If it is in range, leave the stock where it is; it stays on hold.",
		f.marking(),
	}
}

func (f Incident) doRecovered() []string {
	if f.OnHold == 0 {
		return []string{"Nothing is on hold. Look for the cause in working hours, and write it to the case."}
	}
	what := "Back in range"
	if f.Wrong == NoTemperatures {
		what = "That temperatures come"
	}
	return []string{
		fmt.Sprintf("%s releases nothing: %s stay on hold until a pharmacist has decided. Leave them marked, at 2-8 °C. DO NOT DISCARD.", what,
			count(f.OnHold, "vial")),
		"Write to the case what you found and did, and what was moved where and when.",
	}
}

// marking ends every list of steps.
func (Incident) marking() string {
	return "Record what you move, where to and when. Put a sign DO NOT USE on the door or the bag. DO NOT DISCARD anything."
}

// to says where stock can go: places with room, hazardous stock only to hazardous-only places and nothing else there.
func (f Incident) to() string {
	var words []string
	for _, p := range f.MoveTo {
		if p.HazardousOnly != f.Hazardous || p.Free < 1 {
			continue
		}
		temp := "temperature not known"
		if p.Now != nil {
			temp = f.degrees(p.Now.MilliC, nearest) + " at " + f.clock(p.Now.At)
		}
		kind := "not for hazardous stock"
		if p.HazardousOnly {
			kind = "hazardous stock only"
		}
		words = append(words, fmt.Sprintf("%s (%s, room for %d; %s)", p.Unit, temp, p.Free, kind))
	}
	if len(words) == 0 {
		return "to a unit you know to be at 2-8 °C, fit for this stock: none with room is on record, ask the pharmacist"
	}
	return "to " + strings.Join(words, " or ")
}

// stock is what is at stake and what must not be done with it, its own words for each fault.
func (f Incident) stock() []string {
	if f.OnHold == 0 {
		return []string{"No vials on record are touched. If you find some: do not use, DO NOT DISCARD, write down their codes."}
	}
	hold := count(f.OnHold, "vial") + " on hold: do not use, DO NOT DISCARD."
	switch {
	case !f.Cleared.IsZero() && f.Wrong != NoTemperatures:
		return []string{hold, "Each vial's time out is counted up to then; what that allows is for a pharmacist to decide."}
	case f.Wrong == Warm:
		return []string{hold, f.allowance()}
	case f.Wrong == Cold:
		return []string{hold, "An allowed time out is for warmth and does not count against cold. A pharmacist decides."}
	case f.Wrong == Freezing:
		return []string{hold, "No allowed time out counts against a freeze. A pharmacist decides, shelf by shelf; keep the shelves apart."}
	default:
		return []string{hold, "They are on hold because nobody knows, not because something is known. A second thermometer's lowest and highest can be evidence: keep its record."}
	}
}

// allowance names the first end of an allowed time out, or says that there is none on record.
func (f Incident) allowance() string {
	without := 0
	for _, s := range f.Stock {
		if s.Allowance == nil {
			without += s.Count
		}
	}
	var words []string
	if d := f.deadline(); d != nil {
		verb := "ends"
		if !d.At.After(f.Now) {
			verb = "ended"
		}
		words = append(words, fmt.Sprintf("First allowed time out %s %s (%s).", verb, f.clockZone(d.At), d.What))
	}
	switch {
	case without > 0:
		words = append(words, fmt.Sprintf("For %s no allowed time out is on record: no time is given, the pharmacist is asked.", count(without, "vial")))
	case len(words) == 0:
		words = append(words, "No end of an allowed time out can be given; the pharmacist is asked.")
	}
	return strings.Join(words, " ")
}
