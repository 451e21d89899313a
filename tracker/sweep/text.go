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
	w := l.Words()
	var b strings.Builder
	for i, u := range l.Units {
		if i > 0 {
			b.WriteString("\f")
		}
		w.top(&b, i+1, len(l.Units))
		w.unit(&b, u)
		w.foot(&b)
	}
	if len(l.Units) == 0 {
		w.top(&b, 1, 1)
		b.WriteString("This site has no storage unit.\n")
		w.foot(&b)
	}
	return b.String()
}

// top of each page says the whole of it again: pages get parted from each other.
func (w Words) top(b *strings.Builder, page, of int) {
	next := "none set up"
	if !w.NextStaffed.IsZero() {
		next = w.say(w.NextStaffed)
	}
	flow(b, "", "  ", fmt.Sprintf("SWEEP %03d", w.Number), w.say(w.DueAt), fmt.Sprintf("page %d of %d", page, of), fmt.Sprintf("%s (%s)", w.SiteName, w.Site))
	flow(b, "", "  ", "next staffed sweep "+next, "data read "+w.say(w.DataReadAt)+", server's clock")
	flow(b, "", "  ", "STALE AFTER "+w.say(w.StaleAfter)+": then print a new one")
	held := ""
	if n := Counts(w.List).Held(); n > 0 {
		held = fmt.Sprintf("DO NOT USE: %d", n)
	}
	flow(b, "whole list: ", "  ", w.Whole(), held)
	b.WriteString(strings.Repeat("-", columns) + "\n")
}

func (w Words) unit(b *strings.Builder, u Unit) {
	w.head(b, u)
	b.WriteString("\n")
	if Counts(List{Units: []Unit{u}}).By[OnHold] == 0 {
		b.WriteString("    DO NOT USE - ON HOLD: none\n")
	}
	unsaid := w.NothingHere(u)
	nothing := func() {
		if unsaid != "" {
			b.WriteString("    " + unsaid + "\n")
			unsaid = ""
		}
	}
	for _, l := range u.Lines {
		if l.Action == UseFirst {
			nothing()
		}
		if l.Action != Stay {
			w.line(b, l)
		}
	}
	nothing()
	b.WriteString("\n")
	w.count(b, u)
}

// head is the unit, its temperatures, which somebody has to have seen, and every hold that is open on it.
func (w Words) head(b *strings.Builder, u Unit) {
	flow(b, "", "  ", append([]string{w.Name(u)}, w.More(u)...)...)
	for _, probe := range u.Head.Probes {
		flow(b, "  ", "    ", append(w.Temperature(probe, u.Head), seenBy)...)
	}
	if none := w.NoSensor(u); none != "" {
		flow(b, "  ", "    ", none, ByHand, seenBy)
	}
	for _, h := range u.Head.Holds {
		flow(b, "  OPEN HOLD: ", "    ", h)
	}
}

const seenBy = "seen by ______"

// count is every shelf with what should stand there, and the batches no line above has named: whatever is neither
// above nor here is not on record.
func (w Words) count(b *strings.Builder, u Unit) {
	flow(b, "    ", "    ", "COUNT", vials(u.Expected)+" expected in all")
	for _, s := range u.Shelves {
		stay, known := "", ""
		if staying := w.Staying(u, s.Shelf); len(staying) > 0 {
			stay = "stay: " + strings.Join(staying, ", ")
		}
		if s.Unknown && !u.Unknown {
			known = "not a shelf of this unit"
		}
		flow(b, "[ ] ", "      ", ShelfName(s.Shelf), fmt.Sprintf("%d expected", s.Expected), "counted ____", known, stay)
	}
}

// foot has room for what the record does not know, which the shelf alone can show, and for who looked.
func (w Words) foot(b *strings.Builder) {
	b.WriteString("\n    FOUND, NOT LISTED (do not use; write the code)\n")
	for range w.BlankLines {
		b.WriteString("    ______________________________   shelf ______   ____________________________________________\n")
	}
	b.WriteString("\nSwept by       ______________________________   at ____:____\n")
	b.WriteString("Second person  ______________________________   at ____:____\n")
	flow(b, "", "  ", "When every page is done, type "+w.Code())
	if w.RecordHead != "" {
		flow(b, "", "", "record "+w.RecordHead)
	}
	flow(b, "", "", Caution)
}
