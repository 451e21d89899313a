package alerts

import (
	"fmt"
	"time"

	"vialward/tracker/thermal"
)

// Trend of the last readings; "" where fewer than three agree.
type Trend string

const (
	Rising  Trend = "rising"
	Falling Trend = "falling"
	Steady  Trend = "steady"
)

// Incident is one excursion of one unit as its mails tell it.
type Incident struct {
	Site
	Case  int64
	Wrong Kind // what is wrong, whatever the mail says about it: Warm, Cold, Freezing or NoTemperatures

	Unit, Room string // "R1", "Room Q-110, aseptic suite"
	Hazardous  bool   // the unit holds hazardous stock
	Sensor     string
	Never      bool   // NoTemperatures: the sensor had never been heard when the stock came, at Since
	Where      string // where in the unit the sensor is: "back wall"; "" = nothing special
	InLiquid   bool   // probe in liquid: follows the stock; in air: follows the door

	Limit   thermal.MilliC
	Unsure  thermal.MilliC  // the sensor's uncertainty, where it counts against the limit: of a freeze
	Raised  time.Time       // when the case was raised: late readings may move its beginning, and not this
	Since   time.Time       // when the line crossed the limit; for NoTemperatures the last good reading
	Last    *Temperature    // newest reading; nil = none that counts
	Extreme *thermal.MilliC // the worst so far
	Trend   Trend
	Cleared time.Time // Recovered: in range again since

	OnHold int // vials on hold by this case, present, moved and issued
	Stock  []StockLine
	// ActBy is the end of the first allowed time out among the stock touched, and only where its product names a
	// source for the allowance; nil = no such figure, and then no mail names a time.
	ActBy *Deadline

	MoveTo  []Place
	Answers bool // replies GOING and CANNOT are read
	Told    []string
	Next    string // who is told next, and when, if nobody answers; "" = nobody
	NextAt  time.Time
	Trace   []Temperature // oldest first
	History []PastCase    // of the unit, newest first
	Work    *Work         // WorkEndedOut: the work that is over
}

// Deadline is an instant with what it is the end of.
type Deadline struct {
	At   time.Time
	What string // "pantoprazole 40 mg / 10 mL (4 mg/mL), 60 minutes; source: site's stability file 12"
}

// StockLine is a batch on a shelf.
type StockLine struct {
	Product     string // full name and strength
	Batch       string
	Count       int
	Where       string // "shelf A" of the unit the mail is about, "R2, shelf A", "issued to WARD"
	BUD         time.Time
	Allowance   *int       // minutes out of range the product allows, where a source says so
	AllowanceAt *time.Time // when they are used up at the present rate of use
}

// Place is where stock could go.
type Place struct {
	Unit          string
	Now           *Temperature
	Free          int
	HazardousOnly bool
}

// PastCase is an earlier excursion of the unit.
type PastCase struct {
	Case     int64
	Wrong    Kind
	From, To time.Time // To zero = still open
	Extreme  *thermal.MilliC
}

// Work is a planned-work window.
type Work struct {
	Reason   string
	Who      string
	From, To time.Time
}

func (f Incident) site() Site { return f.Site }

// Thread of an incident: its case and when that was raised, so that a database set up anew does not continue an old
// thread.
func (f Incident) Thread() string { return fmt.Sprintf("case/%d/%d", f.Case, f.Raised.Unix()) }

func (f Incident) letter(kind Kind) (letter, error) {
	l := letter{Subject: f.subject(kind)}
	switch kind { //nolint:exhaustive // the kinds that go with an incident
	case Warm, Cold, Freezing, NoTemperatures, Worse, StillOpen, WorkEndedOut:
		l.say("DO", f.do()...)
		l.say("WHAT", append([]string{f.occasion(kind)}, f.what()...)...)
		l.say("STOCK", f.stock()...)
	case Recovered:
		l.say("DO", f.doRecovered()...)
		l.say("WHAT", f.whatRecovered(), f.peak())
		l.say("STOCK", f.stock()...)
	default:
		l.say("WHAT", f.what()...)
		l.say("STOCK", f.stock()...)
		f.below(&l)
		return l, fmt.Errorf("%w: %s of an incident", ErrKind, kind)
	}
	f.below(&l)
	return l, nil
}

// direction away from the limit.
func (f Incident) away() direction {
	if f.Wrong == Warm {
		return up
	}
	return down
}

// value is the temperature a subject shows: the worst for a freeze, which does not heal, else the newest.
func (f Incident) value() string {
	switch {
	case f.Wrong == NoTemperatures:
		return ""
	case f.Wrong == Freezing && f.Extreme != nil:
		return " " + f.short(*f.Extreme, f.away())
	case f.Last != nil:
		return " " + f.short(f.Last.MilliC, f.away())
	case f.Extreme != nil:
		return " " + f.short(*f.Extreme, f.away())
	default:
		return ""
	}
}

// deadline is the end of the first allowed time out, where it means anything: an allowance is for warmth. It says
// nothing about cold, a freeze or time nobody measured, and it stops when the unit is back in range.
func (f Incident) deadline() *Deadline {
	if f.Wrong != Warm || !f.Cleared.IsZero() {
		return nil
	}
	return f.ActBy
}

// until is the time a subject shows: the end of a sourced allowance, else since when.
func (f Incident) until() (glue, words string) {
	d := f.deadline()
	switch {
	case d == nil:
		return " ", "since " + f.clock(f.Since)
	case d.At.After(f.Now):
		return ", ", "act by " + f.clock(d.At)
	default:
		return ", ", "time out ended " + f.clock(d.At)
	}
}

func (f Incident) subject(kind Kind) string {
	word := map[Kind]string{Warm: "WARM", Cold: "COLD", Freezing: "FREEZING", NoTemperatures: "NO TEMPERATURES"}[f.Wrong]
	vials := count(f.OnHold, "vial")
	glue, until := f.until()
	unit := name(f.Unit)
	switch kind { //nolint:exhaustive // the others share a form
	case Worse:
		word = "WORSE"
		if f.Wrong == Freezing {
			word = "NOW FREEZING"
		}
	case StillOpen:
		word = "STILL " + word
	case WorkEndedOut:
		word = "WORK OVER,"
	case Recovered:
		back := unit + " back in range"
		switch {
		case f.Never:
			back = unit + " first heard"
		case f.Wrong == NoTemperatures:
			back = unit + " sends again"
		}
		if !f.Cleared.IsZero() {
			back += " " + f.clock(f.Cleared)
		}
		if f.OnHold == 0 {
			return subject(back, "nothing on hold")
		}
		return subject(fmt.Sprintf("%d STILL ON HOLD, %s", f.OnHold, back))
	}
	head := word + " " + unit + f.value() + glue + until
	if f.Wrong == Freezing {
		return subject(head, vials, oneLine(f.Where))
	}
	return subject(head, vials)
}

// occasion says why this mail comes, where it is not the first.
func (f Incident) occasion(kind Kind) string {
	switch kind { //nolint:exhaustive // only these come again
	case Worse:
		return "This has become worse since the last mail."
	case StillOpen:
		return "Still open " + span(f.Now.Sub(f.Since)) + " after it began."
	case WorkEndedOut:
		and := "and the unit is out of range."
		if f.Wrong == NoTemperatures {
			and = "and there are no temperatures of the unit."
		}
		if f.Work == nil {
			return "Planned work is over " + and
		}
		return fmt.Sprintf("Planned work (%s, %s) ended %s %s", f.Work.Reason, f.Work.Who, f.clockZone(f.Work.To), and)
	default:
		return ""
	}
}

// place is the unit, and where in it.
func (f Incident) place() string {
	if f.Where == "" {
		return f.at()
	}
	return f.at() + ", " + f.Where
}

func (f Incident) at() string {
	if f.Room == "" {
		return f.Unit
	}
	return f.Unit + " (" + f.Room + ")"
}

// what is the measured fact: limit, since when in both forms, newest reading and its age, the probe.
func (f Incident) what() []string {
	var s string
	switch {
	case f.Never:
		s = fmt.Sprintf("No temperature is on record for %s, where stock has stood since %s (%s): %s, which is to speak for it, has never been heard. Nothing proves how this stock was kept.",
			f.place(), f.clockZone(f.Since), span(f.Now.Sub(f.Since)), f.Sensor)
	case f.Wrong == NoTemperatures:
		s = fmt.Sprintf("%s: no temperatures since %s (%s). What happened in that time is not known, and no data is not good data.",
			f.at(), f.clockZone(f.Since), span(f.Now.Sub(f.Since)))
	case f.Wrong == Warm:
		s = fmt.Sprintf("%s: above %s since %s (%s).", f.at(), f.degrees(f.Limit, nearest), f.clockZone(f.Since), span(f.Now.Sub(f.Since)))
	case f.Wrong == Freezing:
		limit := f.degrees(f.Limit, nearest)
		if f.Unsure > 0 {
			limit += fmt.Sprintf(" (%s, with the sensor's uncertainty)", f.degrees(f.Limit+f.Unsure, nearest))
		}
		s = fmt.Sprintf("%s: at or below the freeze limit %s since %s (%s). One such reading is enough: an average says nothing about freezing.",
			f.at(), limit, f.clockZone(f.Since), span(f.Now.Sub(f.Since)))
	default:
		s = fmt.Sprintf("%s: below %s since %s (%s).", f.at(), f.degrees(f.Limit, nearest), f.clockZone(f.Since), span(f.Now.Sub(f.Since)))
	}
	lines := []string{s, f.reading(), f.peak()}
	if f.Case > 0 {
		lines = append(lines, fmt.Sprintf("Case %d.", f.Case))
	}
	return lines
}

func (f Incident) reading() string {
	probe := "probe in air: it follows the door sooner than the vials do"
	if f.InLiquid {
		probe = "probe in liquid"
	}
	if f.Where != "" {
		probe = f.Where + ", " + probe
	}
	if f.Sensor != "" {
		probe = f.Sensor + ", " + probe
	}
	if f.Last == nil {
		return "No reading that counts (" + probe + ")."
	}
	s := fmt.Sprintf("Last reading %s at %s, %s ago", f.degrees(f.Last.MilliC, f.away()), f.clockZone(f.Last.At), span(f.Now.Sub(f.Last.At)))
	if f.Trend != "" && f.Wrong != NoTemperatures {
		s += ", " + string(f.Trend)
	}
	return s + " (" + probe + ")."
}

func (f Incident) peak() string {
	if f.Extreme == nil {
		return ""
	}
	word := "Lowest"
	if f.Wrong == Warm {
		word = "Highest"
	}
	return word + " so far " + f.degrees(*f.Extreme, f.away()) + "."
}

func (f Incident) whatRecovered() string {
	if f.Never && !f.Cleared.IsZero() {
		return fmt.Sprintf("%s was first heard %s. No temperature is on record for %s from %s until then (%s): nothing proves how the stock there was kept.",
			f.Sensor, f.clockZone(f.Cleared), f.place(), f.clockZone(f.Since), span(f.Cleared.Sub(f.Since)))
	}
	word := "back in range"
	if f.Wrong == NoTemperatures {
		word = "sending temperatures again"
	}
	if f.Cleared.IsZero() {
		return f.at() + " is " + word + "."
	}
	return fmt.Sprintf("%s is %s since %s, after %s (began %s).", f.at(), word, f.clockZone(f.Cleared),
		span(f.Cleared.Sub(f.Since)), f.clockZone(f.Since))
}
