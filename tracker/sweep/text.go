package sweep

import (
	"fmt"
	"strconv"
	"strings"
)

// Code is what is typed when all pages of a list are done: "SWEEP-QUILL-061".
func (l List) Code() string { return fmt.Sprintf("SWEEP-%s-%03d", l.Site, l.Number) }

// ParseCode reads what Code prints, as people type it: the site's code and the list's running number.
func ParseCode(s string) (site string, number int, ok bool) {
	s, ok = strings.CutPrefix(strings.ToUpper(strings.TrimSpace(s)), "SWEEP-")
	i := strings.LastIndexByte(s, '-')
	if !ok || i < 1 {
		return "", 0, false
	}
	number, err := strconv.Atoi(s[i+1:])
	return s[:i], number, err == nil && number > 0
}

// Text is the list as printed: one unit a page, pages parted by form feeds, at most 100 columns, two rows or three for
// each line. Whatever is long wraps.
func Text(l List) string {
	p := newPrinter(l)
	var b strings.Builder
	for i, u := range l.Units {
		if i > 0 {
			b.WriteString("\f")
		}
		p.top(&b, i+1, len(l.Units))
		p.unit(&b, u)
		p.foot(&b)
	}
	if len(l.Units) == 0 {
		p.top(&b, 1, 1)
		b.WriteString("This site has no storage unit.\n")
		p.foot(&b)
	}
	return b.String()
}

// top of each page says the whole of it again: pages get parted from each other.
func (p printer) top(b *strings.Builder, page, of int) {
	next := "none set up"
	if !p.NextStaffed.IsZero() {
		next = p.say(p.NextStaffed)
	}
	flow(b, "", "  ", fmt.Sprintf("SWEEP %03d", p.Number), p.say(p.DueAt), fmt.Sprintf("page %d of %d", page, of), fmt.Sprintf("%s (%s)", p.SiteName, p.Site))
	flow(b, "", "  ", "next staffed sweep "+next, "data read "+p.say(p.DataReadAt)+", server's clock")
	flow(b, "", "  ", "STALE AFTER "+p.say(p.StaleAfter)+": then print a new one")
	t := Counts(p.List)
	whole := "NOTHING TO PULL, " + vials(t.Expected) + " expected"
	if !t.Idle() {
		whole = t.words(p.List) + ", " + vials(t.Expected) + " expected"
	}
	held := ""
	if t.Held() > 0 {
		held = fmt.Sprintf("DO NOT USE: %d", t.Held())
	}
	flow(b, "whole list: ", "  ", whole, held)
	b.WriteString(strings.Repeat("-", columns) + "\n")
}

func (p printer) unit(b *strings.Builder, u Unit) {
	p.head(b, u)
	b.WriteString("\n")
	t := Counts(List{Units: []Unit{u}})
	if t.By[OnHold] == 0 {
		b.WriteString("    DO NOT USE - ON HOLD: none\n")
	}
	said := !t.Idle()
	nothing := func() {
		if !said {
			b.WriteString("    NOTHING TO PULL HERE, " + vials(u.Expected) + " expected\n")
			said = true
		}
	}
	for _, l := range u.Lines {
		if l.Action == UseFirst {
			nothing()
		}
		if l.Action != Stay {
			p.line(b, l)
		}
	}
	nothing()
	b.WriteString("\n")
	p.count(b, u)
}

// head is the unit, its temperatures, which somebody has to have seen, and every hold that is open on it.
func (p printer) head(b *strings.Builder, u Unit) {
	switch {
	case u.Code == "":
		flow(b, "", "  ", "NO STORAGE UNIT", "the record says in stock, and names no place: find them")
	case u.Unknown:
		flow(b, "", "  ", u.Code, "NOT A STORAGE UNIT OF THIS SITE: the record says these vials are there; find them")
	default:
		room := "room " + u.Room
		if u.RoomName != "" && u.RoomName != u.Room {
			room += ", " + u.RoomName
		}
		hazardous, places := "", ""
		if u.HazardousOnly {
			hazardous = "HAZARDOUS DRUGS ONLY"
		}
		if u.Capacity > 0 {
			places = fmt.Sprintf("%d of %d places taken", u.Expected, u.Capacity)
		}
		name := u.Code
		if u.Name != "" && u.Name != u.Code {
			name += ", " + u.Name
		}
		flow(b, "", "  ", name, room, hazardous, places)
	}
	for _, probe := range u.Head.Probes {
		p.probe(b, probe, u.Head)
	}
	if len(u.Head.Probes) == 0 && !u.Unknown {
		flow(b, "  ", "    ", "temperature: NO DATA", byHand, "seen by ______")
	}
	for _, h := range u.Head.Holds {
		flow(b, "  OPEN HOLD: ", "    ", h)
	}
}

const byHand = "read it off the unit: ______"

func (p printer) probe(b *strings.Builder, probe Probe, h Head) {
	name := probe.Sensor
	if len(probe.Shelves) > 0 {
		name += " (shelf " + strings.Join(probe.Shelves, ", ") + ")"
	}
	now, read := "NO DATA", byHand
	switch {
	case probe.MilliC != nil:
		now, read = "now "+p.degrees(*probe.MilliC)+" at "+p.clock(probe.At), ""
	case !probe.At.IsZero():
		now = "NO DATA since " + p.clock(probe.At)
	}
	extremes := "no lowest and highest on record"
	if probe.Lowest != nil && probe.Highest != nil {
		extremes = "lowest " + p.degrees(*probe.Lowest) + ", highest " + p.degrees(*probe.Highest)
	}
	if !h.Since.IsZero() {
		extremes += " since " + p.clock(h.Since)
	}
	clock := ""
	if probe.Clock != "" {
		clock = "CLOCK SUSPECT: " + probe.Clock
	}
	flow(b, "  ", "    ", name, now, read, extremes, "seen by ______", clock)
}

// count is every shelf with what should stand there, and the batches no line above has named: whatever is neither
// above nor here is not on record.
func (p printer) count(b *strings.Builder, u Unit) {
	flow(b, "    ", "    ", "COUNT", vials(u.Expected)+" expected in all")
	for _, s := range u.Shelves {
		var staying []string
		for _, l := range u.Lines {
			for _, c := range l.Shelves {
				if l.Action == Stay && c.Shelf == s.Shelf {
					staying = append(staying, fmt.Sprintf("%s (%d)", clean(l.Batch), c.Count))
				}
			}
		}
		stay, known := "", ""
		if len(staying) > 0 {
			stay = "stay: " + strings.Join(staying, ", ")
		}
		if s.Unknown && !u.Unknown {
			known = "not a shelf of this unit"
		}
		flow(b, "[ ] ", "      ", shelf(s.Shelf), fmt.Sprintf("%d expected", s.Expected), "counted ____", known, stay)
	}
}

func shelf(code string) string {
	if code == "" {
		return "no shelf named"
	}
	return "shelf " + code
}

// foot has room for what the record does not know, which the shelf alone can show, and for who looked.
func (p printer) foot(b *strings.Builder) {
	b.WriteString("\n    FOUND, NOT LISTED (do not use; write the code)\n")
	for range p.BlankLines {
		b.WriteString("    ______________________________   shelf ______   ____________________________________________\n")
	}
	b.WriteString("\nSwept by       ______________________________   at ____:____\n")
	b.WriteString("Second person  ______________________________   at ____:____\n")
	flow(b, "", "  ", "When every page is done, type "+p.Code())
	if p.RecordHead != "" {
		flow(b, "", "", "record "+p.RecordHead)
	}
	flow(b, "", "", Caution)
}
