package alerts

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// UnheardAgain is how often people are told of loggers that have never been heard, all of a site in one mail, until they
// are heard or not in use any more.
const UnheardAgain = 24 * time.Hour

// TellUnheard says whether the mail about loggers never heard is due: one of them has not been told of yet, or it is a
// day since. told has an instant for each, zero for never.
func TellUnheard(told []time.Time, now time.Time) bool {
	return slices.ContainsFunc(told, func(t time.Time) bool { return t.IsZero() || now.Sub(t) >= UnheardAgain })
}

// UnheardGrace is the least time that stock stands in the place of a logger never heard before it is put on hold: a site
// file is loaded first, then stock is taken over, then loggers are connected (common practice, no source).
const UnheardGrace = 2 * time.Hour

// HoldUnheard is when stock that no temperature is on record for is put on hold, from the first vial's placing on: after
// the grace, or after the unit's own delay for missing data or the logger's rhythm where that is longer.
func HoldUnheard(placed time.Time, delay, rhythm time.Duration) time.Time {
	return placed.Add(max(UnheardGrace, delay, rhythm))
}

// Unheard is loggers in use without one reading on record.
type Unheard struct {
	Site
	Loggers        []UnheardLogger
	OnHold, NotYet int // vials no temperature is on record for, each once: on hold for it, and not
}

// UnheardLogger is one of them and the stock in the place it is to speak for.
type UnheardLogger struct {
	Sensor, Unit, Room string
	Where              string    // "shelves A to C"; "" = all of the unit
	Assigned           time.Time // to this place since
	Vials              int       // there now
	Unproven           int       // of those, for which no other logger speaks
	UnprovenAt         string    // on which shelves; "" = all of the unit
	Since              time.Time // since when stock stood there without a temperature on record
	Before             bool      // another logger spoke for the place until Since
	Hold               bool      // the unit's rule for missing data holds it,
	HoldAt             time.Time // then, if nothing is heard
	Case               int64     // that is open of it; 0 = none yet
}

func (f Unheard) site() Site { return f.Site }

func (f Unheard) letter(kind Kind) (letter, error) {
	l := letter{Subject: f.subject()}
	l.say("DO", f.do()...)
	l.say("WHAT", f.what()...)
	l.say("STOCK", f.stock()...)
	l.add("Loggers", items(f.Loggers, f.URL, f.line)...)
	return l, expect(kind, NeverHeard)
}

func (f Unheard) subject() string {
	what := count(len(f.Loggers), "logger")
	var since time.Time
	for _, x := range f.Loggers {
		if since.IsZero() || x.Assigned.Before(since) {
			since = x.Assigned
		}
	}
	if len(f.Loggers) == 1 {
		what = name(f.Loggers[0].Sensor) + " in " + name(f.Loggers[0].Unit)
	}
	switch {
	case f.OnHold > 0:
		what += ", " + count(f.OnHold, "vial") + " on hold"
	case f.NotYet > 0:
		what += ", " + count(f.NotYet, "vial") + " unproven"
	}
	return subject("NEVER HEARD: "+what, "since "+f.clock(since))
}

func (f Unheard) do() []string {
	read := ""
	var units []string
	for _, x := range f.Loggers {
		if x.Unproven > 0 && !slices.Contains(units, x.Unit) {
			units = append(units, x.Unit)
		}
	}
	if len(units) > 0 {
		read = "Read the display of " + list(units) + ", or another thermometer there: write down temperature, lowest and highest, and the time. " +
			"Do not reset them: there is no other evidence. DO NOT DISCARD anything."
	}
	return []string{
		read,
		"In working hours: look at each logger. Is it switched on and in its place, does it reach the receiver, does it send under the code below? " +
			"If it is not to be used, end its assignment in the site file.",
	}
}

func (f Unheard) what() []string {
	var out []string
	if len(f.Loggers) == 1 {
		x := f.Loggers[0]
		out = append(out, fmt.Sprintf("Not one reading of %s is on record. It is to speak for %s, since %s.", x.Sensor, x.place(x.Where), f.when(x.Assigned)))
	} else {
		out = append(out, fmt.Sprintf("Not one reading of %s is on record, though they are in use.", count(len(f.Loggers), "logger")))
	}
	for _, x := range f.Loggers {
		out = append(out, f.unproven(x))
	}
	return append(out, "You are told once a day until they are heard or their assignment ends.")
}

// unproven says plainly that nothing is known of stock: not one temperature, ever, or since another logger left.
func (f Unheard) unproven(x UnheardLogger) string {
	switch {
	case x.Unproven == 0:
		return ""
	case x.Before:
		return fmt.Sprintf("No temperature is on record for %s, since %s, when another logger's time there ended: nothing proves how its %s kept since.",
			x.place(x.UnprovenAt), f.clockZone(x.Since), x.were())
	default:
		return fmt.Sprintf("No temperature has ever been recorded for %s: nothing proves how its %s kept. The first stood there %s.",
			x.place(x.UnprovenAt), x.were(), f.clockZone(x.Since))
	}
}

func (x UnheardLogger) were() string { return plural(x.Unproven, "vial was", "vials were") }

func (x UnheardLogger) place(where string) string {
	return Incident{Unit: x.Unit, Room: x.Room, Where: where}.place()
}

func (f Unheard) stock() []string {
	if f.OnHold+f.NotYet == 0 {
		return []string{"Nothing is on hold for it: the places are empty, or other loggers speak for them."}
	}
	var out []string
	if f.OnHold > 0 {
		out = append(out, count(f.OnHold, "vial")+" on hold: do not use, DO NOT DISCARD. They are on hold because nobody knows, not because something is known.")
	}
	var soon []string
	never := 0
	for _, x := range f.Loggers {
		switch {
		case x.Unproven == 0:
		case !x.Hold:
			never += x.Unproven
		case x.Case == 0:
			soon = append(soon, fmt.Sprintf("%s in %s at %s", count(x.Unproven, "vial"), x.Unit, f.clockZone(x.HoldAt)))
		}
	}
	if len(soon) > 0 {
		out = append(out, "Put on hold if nothing is heard by then: "+strings.Join(soon, ", ")+".")
	}
	if never > 0 {
		out = append(out, fmt.Sprintf("No rule of the unit holds %s: ask a pharmacist before any is used.", count(never, "vial")))
	}
	return out
}

func (f Unheard) line(x UnheardLogger) item {
	there := count(x.Vials, "vial") + " there"
	switch {
	case x.Vials == 0:
	case x.Unproven == 0:
		there += ", for which another logger speaks"
	case x.Unproven < x.Vials:
		there += fmt.Sprintf(", another logger speaks for %d of them", x.Vials-x.Unproven)
	}
	if x.Case > 0 {
		there += fmt.Sprintf("; case %d", x.Case)
	}
	return item{Line: x.Sensor + ", for " + x.place(x.Where), Sub: []string{"in use since " + f.when(x.Assigned), there}}
}
