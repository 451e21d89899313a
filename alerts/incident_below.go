package alerts

import (
	"fmt"
	"strings"
)

// below adds what helps after the first ten seconds: stock line by line, readings, who knows, the unit's history.
func (f Incident) below(l *letter) {
	l.add("Stock on hold, by shelf", items(f.Stock, f.link(), f.line)...)
	l.add("Readings", f.trace()...)
	l.add("Who knows", f.who()...)
	l.add("This unit before", items(f.History, f.link(), f.past)...)
}

// link to the case, where the site's pages can be reached.
func (f Incident) link() string {
	if f.URL == "" || f.Case == 0 {
		return ""
	}
	return fmt.Sprintf("%s/cases/%d", f.URL, f.Case)
}

func (f Incident) line(s StockLine) item {
	words := "no allowed time out on record"
	if s.Allowance != nil {
		words = fmt.Sprintf("allowed time out %d minutes", *s.Allowance)
		switch {
		case f.Wrong == Freezing || f.Wrong == Cold:
			words += ", for warmth only"
		case f.deadline() == nil:
		case s.AllowanceAt != nil && s.AllowanceAt.After(f.Now):
			words += ", ends " + f.clockZone(*s.AllowanceAt)
		case s.AllowanceAt != nil:
			words += ", ended " + f.clockZone(*s.AllowanceAt)
		}
	}
	bud := "BUD " + f.when(s.BUD)
	if !s.BUD.After(f.Now) {
		bud += " (past)"
	}
	return item{
		Line: fmt.Sprintf("%d x %s", s.Count, s.Product),
		Sub:  []string{fmt.Sprintf("batch %s, %s, %s", s.Batch, s.Where, bud), words},
	}
}

// trace prints the last dozen readings, newest last.
func (f Incident) trace() []item {
	const dozen = 12
	t := f.Trace[max(0, len(f.Trace)-dozen):]
	out := make([]item, len(t))
	for i, r := range t {
		out[i] = item{Line: f.clockZone(r.At) + "  " + f.degrees(r.MilliC, nearest)}
	}
	return out
}

func (f Incident) who() []item {
	var out []item
	if len(f.Told) > 0 {
		out = append(out, item{Line: "Told: " + list(f.Told) + "."})
	}
	if f.Next != "" {
		out = append(out, item{Line: "Next, if nobody answers: " + f.Next + " at " + f.clockZone(f.NextAt) + "."})
	}
	if u := f.link(); u != "" {
		out = append(out, item{Line: "The case: " + u})
	}
	return out
}

func (f Incident) past(p PastCase) item {
	s := fmt.Sprintf("case %d: %s, %s", p.Case, strings.ReplaceAll(string(p.Wrong), "_", " "), f.clockZone(p.From))
	if p.To.IsZero() {
		s += ", still open"
	} else {
		s += ", " + span(p.To.Sub(p.From))
	}
	if p.Extreme != nil {
		d := down
		if p.Wrong == Warm {
			d = up
		}
		s += ", " + f.degrees(*p.Extreme, d)
	}
	return item{Line: s}
}
