package sweep

import (
	"fmt"
	"html"
	"strings"
)

// markupMax is what the list may take of its mail in bytes: some programs cut a mail's HTML off unsaid, and a mail stays
// under 30 kB with what else stands in it.
const markupMax = 24_000

// Markup is the list for a narrow screen, as a part of a mail's HTML: a heading a unit, for each line what to do and below
// it which, where and why. It wraps at any width, sets no colour and loads nothing. Lines are to be read here and ticked on
// the paper, which is Text. Where all of it would be too long it says how many lines are left out, in which units.
func Markup(l List) string {
	w := l.Words()
	var b strings.Builder
	left, in := 0, []string{}
	for _, u := range l.Units {
		var head strings.Builder
		w.markHead(&head, u)
		if b.Len()+head.Len() > markupMax {
			left += len(u.Lines)
			in = append(in, w.Name(u))
			continue
		}
		b.WriteString(head.String())
		cut := 0
		for _, x := range u.Lines {
			var line strings.Builder
			if x.Action == Stay {
				continue
			}
			if w.markLine(&line, x); b.Len()+line.Len() > markupMax {
				cut++
				continue
			}
			b.WriteString(line.String())
		}
		if cut > 0 {
			left += cut
			in = append(in, w.Name(u))
		}
		w.markCount(&b, u)
	}
	if len(l.Units) == 0 {
		mark(&b, "p", "", "This site has no storage unit.")
	}
	if left > 0 || len(in) > 0 {
		mark(&b, "p", "", fmt.Sprintf("NOT ALL OF IT: this mail has no room for %d more lines, of %s. The printed list has all of them.", left, strings.Join(in, "; ")))
	}
	mark(&b, "p", "", "Write down what you find that is not listed: do not use it. When every page is done, type "+w.Code()+".")
	return b.String()
}

func (w Words) markHead(b *strings.Builder, u Unit) {
	mark(b, "h3", "font-size:17px;margin:20px 0 4px", w.Name(u))
	head := []string{strings.Join(w.More(u), ", ")}
	for _, probe := range u.Head.Probes {
		head = append(head, strings.Join(w.Temperature(probe, u.Head), ", "))
	}
	if none := w.NoSensor(u); none != "" {
		head = append(head, none)
	}
	for _, h := range u.Head.Holds {
		head = append(head, "OPEN HOLD: "+h)
	}
	if nothing := w.NothingHere(u); nothing != "" {
		head = append(head, nothing)
	}
	mark(b, "p", "font-size:15px;margin:0 0 8px", head...)
}

// markLine has the two rows of a line: what is done with how many of what, then which they are, where they go and why.
func (w Words) markLine(b *strings.Builder, l Line) {
	bud := "BUD " + w.say(l.BeyondUse)
	if l.Past {
		bud += " (past)"
	}
	which := append([]string{"batch " + l.Batch, bud}, w.Where(l)...)
	if into := w.Into(l); into != "" {
		which = append(which, "into: "+into)
		if l.TwoPersons {
			which = append(which, "two persons")
		}
	}
	rows := append([]string{strings.Join(append([]string{vials(l.Count), l.Name}, l.Marks()...), ", "), strings.Join(which, ", ")}, w.Why(l)...)
	b.WriteString(`<p style="margin:0 0 10px;padding:0 0 0 8px;border-left:3px solid"><b>` + html.EscapeString(w.Action(l)) + "</b>, ")
	for i, r := range rows {
		if i > 0 {
			b.WriteString("<br>")
		}
		b.WriteString(html.EscapeString(r))
	}
	b.WriteString("</p>\n")
}

func (w Words) markCount(b *strings.Builder, u Unit) {
	count := []string{"COUNT, " + vials(u.Expected) + " expected in all"}
	for _, s := range u.Shelves {
		row := fmt.Sprintf("%s: %d expected", ShelfName(s.Shelf), s.Expected)
		if s.Unknown && !u.Unknown {
			row += ", not a shelf of this unit"
		}
		if staying := w.Staying(u, s.Shelf); len(staying) > 0 {
			row += "; stay: " + strings.Join(staying, ", ")
		}
		count = append(count, row)
	}
	mark(b, "p", "font-size:15px;margin:0 0 8px", count...)
}

// mark writes one element, a row of text for each of those given; empty ones are left out.
func mark(b *strings.Builder, element, style string, rows ...string) {
	b.WriteString("<" + element)
	if style != "" {
		b.WriteString(` style="` + style + `"`)
	}
	b.WriteString(">")
	first := true
	for _, r := range rows {
		if r == "" {
			continue
		}
		if !first {
			b.WriteString("<br>")
		}
		b.WriteString(html.EscapeString(r))
		first = false
	}
	b.WriteString("</" + element + ">\n")
}
