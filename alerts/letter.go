package alerts

import "html/template"

// letter is a mail before it is laid out: one wording, two layouts (text and HTML).
type letter struct {
	Subject  string
	Leads    []lead    // what a reader must know in ten seconds
	Sections []section // what helps afterwards
	Foot     []string  // who and what made this mail
	Caution  string
}

// lead is one labelled paragraph or several: DO, WHAT, STOCK.
type lead struct {
	Label string
	Lines []string
}

// section has a title and lines, each with lines of its own below it; or a text that stands as it is.
type section struct {
	Title string
	Items []item
	Pre   string        // preformatted, for the text part (and HTML's where Rich is empty)
	Rich  template.HTML // ready-made HTML from our own lists
}

type item struct {
	Line string
	Sub  []string
}

// add puts a section in unless it is empty.
func (l *letter) add(title string, items ...item) {
	if len(items) > 0 {
		l.Sections = append(l.Sections, section{Title: title, Items: items})
	}
}

// say puts a labelled paragraph in; empty lines are left out.
func (l *letter) say(label string, lines ...string) {
	kept := make([]string, 0, len(lines))
	for _, s := range lines {
		if s != "" {
			kept = append(kept, s)
		}
	}
	if len(kept) > 0 {
		l.Leads = append(l.Leads, lead{label, kept})
	}
}

// longest is how many items of one section a mail carries: a mail is read on a phone and stays under 30 kB.
const longest = 60

// items turns a slice into items and says how many were left out and where they are.
func items[T any](all []T, url string, f func(T) item) []item {
	out := make([]item, 0, min(len(all), longest+1))
	for i, x := range all {
		if i == longest {
			more := item{Line: "and " + count(len(all)-longest, "more line")}
			if url != "" {
				more.Sub = []string{"all of them: " + url}
			}
			return append(out, more)
		}
		out = append(out, f(x))
	}
	return out
}
