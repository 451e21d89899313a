package alerts

import (
	"fmt"
	"strings"
	"time"
)

// Late is what an intake of old readings brought to light: over before it arrived, so it wakes nobody.
type Late struct {
	Site
	Intake   string // file or source
	Received time.Time
	Cases    []LateCase
}

// LateCase is one excursion found.
type LateCase struct {
	PastCase
	Unit    string
	Touched int // vials
}

func (f Late) site() Site { return f.Site }

func (f Late) letter(kind Kind) (letter, error) {
	vials := 0
	for _, c := range f.Cases {
		vials += c.Touched
	}
	l := letter{Subject: subject(fmt.Sprintf("FOUND IN LATE DATA: %s", count(len(f.Cases), "excursion")), count(vials, "vial"), "received "+f.clock(f.Received))}
	l.say("DO", "In working hours: look at each case, find the vials that were there, and let a pharmacist decide. Vials issued meanwhile are in the list too. DO NOT DISCARD.")
	l.say("WHAT", fmt.Sprintf("%s, received %s, holds readings from the past. What they show was over before they arrived.", oneLine(f.Intake), f.clockZone(f.Received)))
	if vials > 0 {
		l.say("STOCK", count(vials, "vial")+" on hold by these cases: do not use, DO NOT DISCARD.")
	}
	l.add("Cases", items(f.Cases, f.URL, func(c LateCase) item {
		i := Incident{Site: f.Site}.past(c.PastCase)
		return item{Line: c.Unit + ", " + i.Line, Sub: []string{count(c.Touched, "vial") + " touched"}}
	})...)
	return l, expect(kind, LateData)
}

// Clock is a live source whose clock or zone cannot be right.
type Clock struct {
	Site
	Sensor, Unit string
	Sample       time.Time     // the newest sample's own time
	Received     time.Time     // when it came
	Off          time.Duration // sample - received, above zero = fast
	Whole        bool          // off by whole or half hours: a zone, not a drift
}

func (f Clock) site() Site { return f.Site }

func (f Clock) letter(kind Kind) (letter, error) {
	way := "slow"
	if f.Off > 0 {
		way = "fast"
	}
	l := letter{Subject: subject("CLOCK SUSPECT "+name(f.Sensor)+" "+name(f.Unit)+": "+span(f.Off)+" "+way, "since "+f.clock(f.Received))}
	cause := "Set its clock, note when, and tell the record."
	if f.Whole {
		cause = "That looks like a wrong zone: declare the zone its clock stands in, and its readings are read again."
	}
	l.say("DO", "Compare the logger's clock with a clock you trust. "+cause)
	l.say("WHAT", fmt.Sprintf("%s in %s: a sample marked %s came at %s, %s %s. Its readings are kept. Until this is settled they clear nothing.",
		f.Sensor, f.Unit, f.clockZone(f.Sample), f.clockZone(f.Received), span(f.Off), way))
	return l, expect(kind, ClockSuspect)
}

// Intake is how a file or a post was taken in: every value accounted for.
type Intake struct {
	Site
	Source                                                    string
	Received                                                  time.Time
	Read, Stored, Duplicate, Conflicting, Missing, RefusedAll int
	Why                                                       string // why the whole was refused; "" = taken in part
	NotRead                                                   string // that the rest was not read, and why; "" = all was
	FromLine                                                  int    // from which line on it was not
	Refused                                                   []RefusedLine
}

// RefusedLine is one value with its reason.
type RefusedLine struct {
	Line int
	Why  string
}

func (f Intake) site() Site { return f.Site }

func (f Intake) letter(kind Kind) (letter, error) {
	l := letter{}
	sum := fmt.Sprintf("%d values read = %d stored + %d known already + %d conflicting + %d missing + %d refused.",
		f.Read, f.Stored, f.Duplicate, f.Conflicting, f.Missing, f.RefusedAll)
	switch {
	case f.Why != "":
		l.Subject = subject("FILE REFUSED "+f.clock(f.Received)+": "+cut(oneLine(f.Source), 30), "nothing taken in")
		l.say("DO", "Correct what is named below and send the file again; sending it twice does no harm.")
		l.say("WHAT", fmt.Sprintf("%s, received %s, was refused whole: %s. Nothing of it was taken in, so its hours count as no temperatures.",
			oneLine(f.Source), f.clockZone(f.Received), f.Why))
	case f.NotRead != "":
		l.Subject = subject("FILE READ IN PART "+f.clock(f.Received)+": "+cut(oneLine(f.Source), 22), fmt.Sprintf("to line %d", f.FromLine-1))
		l.say("DO", "Correct the file from the line named below and send it again; sending it twice does no harm.")
		l.say("WHAT", fmt.Sprintf("%s, received %s, is taken in up to line %d; %s. What was not read counts as no temperatures.",
			oneLine(f.Source), f.clockZone(f.Received), f.FromLine-1, strings.TrimSuffix(f.NotRead, ".")))
		l.say("READ", sum)
	default:
		l.Subject = subject(fmt.Sprintf("%s REFUSED %s", plural(f.RefusedAll, "VALUE", "VALUES"), f.clock(f.Received)), cut(oneLine(f.Source), 24))
		l.say("DO", "Look at the lines below. What could be read is taken in; what was refused counts as no temperatures.")
		l.say("WHAT", fmt.Sprintf("%s, received %s: %s", oneLine(f.Source), f.clockZone(f.Received), sum))
	}
	l.add("Refused", items(f.Refused, f.URL, func(r RefusedLine) item {
		return item{Line: fmt.Sprintf("line %d: %s", r.Line, cut(oneLine(r.Why), 200))}
	})...)
	return l, expect(kind, IntakeReport)
}

// Area is a preparation area that may do less than usual, or nothing.
type Area struct {
	Site
	Area, Room string
	From       time.Time
	Category   string // "" = no preparation
	Reason     string
	Batches    []string // prepared there since From, to be looked at
}

func (f Area) site() Site { return f.Site }

func (f Area) letter(kind Kind) (letter, error) {
	word, may := "DOWN", "No preparation there"
	if f.Category != "" {
		word, may = "CATEGORY "+f.Category+" ONLY", "Category "+f.Category+" at most"
	}
	l := letter{Subject: subject("AREA "+name(f.Area)+" "+word+" since "+f.clock(f.From), oneLine(f.Reason))}
	l.say("DO", may+" until somebody records that it is fit again. Beyond-use dates of what is prepared there follow from that by themselves; look at today's plan.")
	l.say("WHAT", fmt.Sprintf("%s (%s), since %s: %s.", f.Area, f.Room, f.clockZone(f.From), f.Reason))
	l.add("Prepared there since then", items(f.Batches, f.URL, func(b string) item { return item{Line: b} })...)
	return l, expect(kind, AreaDown)
}

// Recall is a component or batch called back.
type Recall struct {
	Site
	Recall   int64
	What     string // "diluent, lot 4471": named in the subject unless the site hides products
	Reason   string
	Opened   time.Time
	OnHand   int
	Issued   int
	Batches  []StockLine
	IssuedTo []string
}

func (f Recall) site() Site { return f.Site }

func (f Recall) letter(kind Kind) (letter, error) {
	head := fmt.Sprintf("RECALL %d %s: %d on hold", f.Recall, f.clock(f.Opened), f.OnHand)
	tails := []string{fmt.Sprintf("%d issued", f.Issued)}
	if !f.HideProducts {
		tails = append(tails, f.What)
	}
	l := letter{Subject: subject(head, tails...)}
	l.say("DO", "Take what is on hold out of use and mark it. For what was issued: ring each place below now, ask for it back or whether it was given, and record the answer.")
	l.say("WHAT", fmt.Sprintf("Recall %d, opened %s: %s. %s", f.Recall, f.clockZone(f.Opened), f.What, f.Reason))
	l.say("STOCK", fmt.Sprintf("%s on hold: do not use, DO NOT DISCARD before it is counted. %s already issued.",
		count(f.OnHand, "vial"), upperFirst(count(f.Issued, "vial"))))
	l.add("On hand", items(f.Batches, f.URL, func(s StockLine) item {
		return item{Line: fmt.Sprintf("%d x %s", s.Count, s.Product), Sub: []string{fmt.Sprintf("batch %s, %s, BUD %s", s.Batch, s.Where, f.when(s.BUD))}}
	})...)
	l.add("Issued to", items(f.IssuedTo, f.URL, func(s string) item { return item{Line: s} })...)
	return l, expect(kind, RecallOpened)
}
