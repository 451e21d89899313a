package alerts

import (
	"fmt"
	"html/template"
	"time"
)

// Sweep is one list as its mail tells it. Text and HTML are the list itself, made by the sweep's own rendering.
type Sweep struct {
	Site
	Number   int64
	Slot     time.Time // when the list was due
	DataRead time.Time
	Next     time.Time // the next staffed sweep
	Pull     int
	Before   []Before // use or pull before: what ends until Next, earliest first
	OnHold   int
	Expected int // vials that should be in the refrigerators
	Text     string
	HTML     template.HTML

	RecordHead string // newest place in the record's chain when the list was made, "8123:" and its hash
}

// Before counts the vials that end at one instant.
type Before struct {
	At    time.Time
	Count int
}

func (f Sweep) site() Site { return f.Site }

// Kind a list is sent as.
func (f Sweep) Kind() Kind {
	if f.Pull == 0 && len(f.Before) == 0 {
		return NothingToPull
	}
	return SweepList
}

// day is the list's own day, always named: "12 Nov". The weekday would push the counts off the lock screen.
func (f Sweep) day() string { return f.Slot.In(f.zone()).Format("2 Jan") }

func (f Sweep) subject() string {
	head := fmt.Sprintf("SWEEP %03d, %s: pull %d", f.Number, f.day(), f.Pull)
	if f.Kind() == NothingToPull {
		return subject(fmt.Sprintf("SWEEP %03d, %s: nothing to pull", f.Number, f.day()), fmt.Sprintf("%d expected", f.Expected), f.held())
	}
	tails := make([]string, 0, 2)
	if len(f.Before) > 0 {
		tails = append(tails, fmt.Sprintf("%d by %s", f.Before[0].Count, f.ends(f.Before[0].At)))
	}
	return subject(head, append(tails, f.held())...)
}

func (f Sweep) held() string {
	if f.OnHold == 0 {
		return ""
	}
	return fmt.Sprintf("%d on hold", f.OnHold)
}

// ends prints a BUD against the list's own day, not the day the mail happens to be worded.
func (f Sweep) ends(t time.Time) string {
	s := f.Site
	s.Now = f.Slot
	return s.clock(t)
}

func (f Sweep) letter(kind Kind) (letter, error) {
	l := letter{Subject: f.subject()}
	if f.Kind() == NothingToPull {
		l.say("DO", fmt.Sprintf("Nothing to pull: %s expected. Look at every shelf all the same, count, and confirm the list.", count(f.Expected, "vial")))
	} else {
		var before string
		for _, b := range f.Before {
			before += fmt.Sprintf(" Use or pull before %s: %d.", f.ends(b.At), b.Count)
		}
		l.say("DO", fmt.Sprintf("Pull now: %d.%s Then confirm the list; write down what you find that is not on it.", f.Pull, before))
	}
	l.say("WHAT", fmt.Sprintf("Sweep %03d of %s. Data read %s; next staffed sweep %s.", f.Number, f.when(f.Slot), f.clockZone(f.DataRead), f.clockZone(f.Next)))
	if f.OnHold > 0 {
		l.say("STOCK", count(f.OnHold, "vial")+" on hold: do not use, DO NOT DISCARD, leave where they are.")
	}
	if f.Text != "" || f.HTML != "" {
		l.Sections = append(l.Sections, section{Title: fmt.Sprintf("List %03d", f.Number), Pre: f.Text, Rich: f.HTML})
	}
	if f.RecordHead != "" {
		l.Foot = append(l.Foot, "Keep this mail. The record stood at "+f.RecordHead+
			" when the list was made; by that line anybody can tell whether something recorded until then was rewritten since: vialward record verify --head and the line.")
	}
	return l, expect(kind, f.Kind())
}

// Unconfirmed is a list nobody signed by its time.
type Unconfirmed struct {
	Site
	Number    int64
	Slot      time.Time
	ConfirmBy time.Time
	Pull      int
	Before    []Before
}

func (f Unconfirmed) site() Site { return f.Site }

func (f Unconfirmed) letter(kind Kind) (letter, error) {
	past := 0 // what was to be used or pulled before a time that has come stands there expired
	for _, b := range f.Before {
		if !b.At.After(f.Now) {
			past += b.Count
		}
	}
	l := letter{Subject: subject(fmt.Sprintf("SWEEP %03d NOT CONFIRMED by %s", f.Number, f.clock(f.ConfirmBy)), fmt.Sprintf("%d to pull", f.Pull+past))}
	l.say("DO", "Find out whether it was done. If it was: confirm it with the time it was done. If not: do it now. Expired vials are refused at issue, but they stand on the shelf.")
	l.say("WHAT", fmt.Sprintf("Sweep %03d of %s was to be confirmed by %s: %d to pull, %d that end before the next, %d of them by now.",
		f.Number, f.when(f.Slot), f.clockZone(f.ConfirmBy), f.Pull, total(f.Before), past))
	return l, expect(kind, SweepUnconfirmed)
}

// MissedLists are slots that had no list in their time: one mail, however many there were.
type MissedLists struct {
	Site
	Missed []time.Time // when they were due, earliest first
	Why    string      // "" = not known
	Number int64       // of the list made now, which stands for all of them
	Slot   time.Time   // when that one was due
}

func (f MissedLists) site() Site { return f.Site }

func (f MissedLists) letter(kind Kind) (letter, error) {
	if len(f.Missed) == 0 {
		return letter{Subject: subject("NO SWEEP LIST")}, expect(kind, ScheduleMissed)
	}
	first, last := f.Missed[0], f.Missed[len(f.Missed)-1]
	n := plural(len(f.Missed), "sweep list", "sweep lists")
	l := letter{Subject: subject("NOT MADE: "+n+", "+f.clock(first)+" to "+f.clock(last), fmt.Sprintf("work %03d", f.Number))}
	what := fmt.Sprintf("%s were due from %s to %s, and none of them was made.", upperFirst(n), f.when(first), f.when(last))
	if len(f.Missed) == 1 {
		l.Subject = subject("NOT MADE: sweep list "+f.clock(first), fmt.Sprintf("work %03d", f.Number))
		what = fmt.Sprintf("The sweep list due %s was not made.", f.when(first))
	}
	l.say("DO",
		fmt.Sprintf("Work list %03d of %s now: it is sent beside this mail, and holds all that the others would have named.", f.Number, f.clockZone(f.Slot)),
		"Nobody was told meanwhile what had to be pulled: expired vials are refused at issue, but they stood on the shelves. Ask whether any was taken by hand.",
		"Look at the program's log: find out why it did not run.")
	why := "Why is not known."
	if f.Why != "" {
		why = "Why: " + f.Why + "."
	}
	l.say("WHAT", what+" "+why)
	if len(f.Missed) > 1 {
		l.add("Not made", items(f.Missed, f.URL, func(t time.Time) item { return item{Line: f.when(t)} })...)
	}
	return l, expect(kind, ScheduleMissed)
}

func total(b []Before) int {
	n := 0
	for _, x := range b {
		n += x.Count
	}
	return n
}
