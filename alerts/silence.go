package alerts

import (
	"fmt"
	"time"
)

// Silence is every logger of a site gone quiet at once: one mail, since it is one fault.
type Silence struct {
	Site
	Since  time.Time // newest reading of any logger
	Units  []SilentUnit
	OnHold int
	Next   string
	NextAt time.Time
}

// SilentUnit is one unit without temperatures.
type SilentUnit struct {
	Unit, Room string
	Last       *Temperature
	Vials      int
}

func (f Silence) site() Site { return f.Site }

func (f Silence) letter(kind Kind) (letter, error) {
	l := letter{Subject: subject("ALL LOGGERS SILENT since "+f.clock(f.Since), "power or network?")}
	l.say("DO",
		"Is there power? Ring somebody who is there, or go. Without power: keep every door shut, write down each display's temperature and the time, and find cold storage before opening.",
		"With power: look at network, receiver and this machine; read every unit's own display and write it down. DO NOT DISCARD anything.")
	l.say("WHAT", fmt.Sprintf("No logger of %s has sent anything since %s (%s): %s. Until they send again nothing is known of any of them.",
		oneLine(f.Name), f.clockZone(f.Since), span(f.Now.Sub(f.Since)), count(len(f.Units), "unit")))
	if f.OnHold > 0 {
		l.say("STOCK", count(f.OnHold, "vial")+" on hold: do not use, DO NOT DISCARD. They are on hold because nobody knows, not because something is known.")
	}
	l.add("Units", items(f.Units, f.URL, func(u SilentUnit) item {
		last := "no reading on record"
		if u.Last != nil {
			last = f.degrees(u.Last.MilliC, nearest) + " at " + f.clockZone(u.Last.At)
		}
		return item{Line: u.Unit + ", " + u.Room, Sub: []string{last + ", " + count(u.Vials, "vial")}}
	})...)
	if f.Next != "" {
		l.add("Who knows", item{Line: "Next, if nobody answers: " + f.Next + " at " + f.clockZone(f.NextAt) + "."})
	}
	return l, expect(kind, AllSilent)
}

// Thread of a silence of the whole site: it began with its newest reading.
func (f Silence) Thread() string { return silenceThread(f.Since) }

func silenceThread(since time.Time) string { return fmt.Sprintf("silence/%d", since.Unix()) }

// BackWithin is how long after the first logger came back the others are waited for, so that one mail says it of all
// (common practice, no source).
const BackWithin = 30 * time.Minute

// TellBack says whether the end of a silence of the whole site is to be told: all loggers are back, or the first has been
// for long enough. silent is how many are not back yet.
func TellBack(silent int, first, now time.Time) bool {
	return silent == 0 || !now.Before(first.Add(BackWithin))
}

// Back is the end of a silence of the whole site: one mail, as its beginning was.
type Back struct {
	Site
	Since         time.Time // newest reading before the silence
	From          time.Time // when the first logger came back
	Heard, Silent int       // loggers
	Units         []BackUnit
	OnHold        int // vials held by the cases of the silence, each once
}

// BackUnit is one unit after it.
type BackUnit struct {
	Unit, Room string
	Last       *Temperature
	Silent     []string // loggers of it that are not back
	OnHold     int      // vials held by the case of its silence
	Case       int64    // of its silence; 0 = none
	Out        string   // what is wrong with it now, told of in a mail of its own: "case 9, warm"
}

func (f Back) site() Site { return f.Site }

// Thread is that of the mail that said that all are silent.
func (f Back) Thread() string { return silenceThread(f.Since) }

func (f Back) letter(kind Kind) (letter, error) {
	l := letter{Subject: f.subject()}
	l.say("DO", f.do()...)
	l.say("WHAT", f.what())
	if f.OnHold > 0 {
		l.say("STOCK", count(f.OnHold, "vial")+" on hold: do not use, DO NOT DISCARD. They are on hold because nobody knows, not because something is known.")
	}
	l.add("Units", items(f.Units, f.URL, f.line)...)
	return l, expect(kind, AllBack)
}

func (f Back) subject() string {
	back := "all loggers back " + f.clock(f.From)
	if f.Silent > 0 {
		back = fmt.Sprintf("%d of %d loggers back %s", f.Heard, f.Heard+f.Silent, f.clock(f.From))
	}
	out := ""
	for _, u := range f.Units {
		if u.Out != "" {
			out = name(u.Unit) + " out of range"
			break
		}
	}
	if f.OnHold == 0 {
		return subject(upperFirst(back), out, "nothing on hold for it")
	}
	return subject(fmt.Sprintf("%d STILL ON HOLD, %s", f.OnHold, back), out)
}

func (f Back) do() []string {
	var out []string
	var silent []string
	for _, u := range f.Units {
		if u.Out != "" {
			out = append(out, fmt.Sprintf("First %s: it came back out of range (%s). The mail of its own says what to do there.", u.Unit, u.Out))
		}
		for _, s := range u.Silent {
			silent = append(silent, s+" in "+u.Unit)
		}
	}
	if len(silent) > 0 {
		out = append(out, "Not back: "+list(silent)+". Read the display there and write it down; look at battery, cable and network.")
	}
	if f.OnHold > 0 {
		out = append(out, fmt.Sprintf("That loggers send again releases nothing: %s stay on hold until a pharmacist has decided. Leave them marked, at 2-8 °C. DO NOT DISCARD.",
			count(f.OnHold, "vial")))
	} else {
		out = append(out, "Nothing is on hold for the silence.")
	}
	return append(out, "In working hours: look for the cause, power, network or receiver, and write it to the cases. What the loggers kept of that time, take in.")
}

func (f Back) what() string {
	return fmt.Sprintf("The loggers of %s send again: the first came back %s, after %s of silence (since %s). %d of %d are back.",
		oneLine(f.Name), f.clockZone(f.From), span(f.From.Sub(f.Since)), f.clockZone(f.Since), f.Heard, f.Heard+f.Silent)
}

func (f Back) line(u BackUnit) item {
	last := "no reading on record"
	if u.Last != nil {
		last = f.degrees(u.Last.MilliC, nearest) + " at " + f.clockZone(u.Last.At)
	}
	held := "nothing on hold for the silence"
	if u.Case > 0 {
		held = fmt.Sprintf("%s on hold, case %d", count(u.OnHold, "vial"), u.Case)
	}
	return item{Line: u.Unit + ", " + u.Room, Sub: []string{last, held}}
}
