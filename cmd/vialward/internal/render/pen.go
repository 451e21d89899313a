package render

import (
	"fmt"
	"html"
	"strings"
)

// pen writes SVG.
type pen struct{ b strings.Builder }

func (p *pen) add(format string, args ...any) { fmt.Fprintf(&p.b, format+"\n", args...) }

// text writes words at a place; anchor is start, middle or end.
func (p *pen) text(class, anchor string, x, y px, words string) {
	p.add(`<text class="%s" text-anchor="%s" x="%v" y="%v">%s</text>`, class, anchor, x, y, html.EscapeString(words))
}

// head opens a picture that a screen reader reads by its title and description.
func (p *pen) head(id, title, description string, width, height int) {
	id = html.EscapeString(id)
	p.add(`<svg class="trace" role="img" aria-labelledby="%s-title %s-desc" viewBox="0 0 %d %d" xmlns="http://www.w3.org/2000/svg">`, id, id, width, height)
	p.add(`<title id="%s-title">%s</title>`, id, html.EscapeString(title))
	p.add(`<desc id="%s-desc">%s</desc>`, id, html.EscapeString(description))
}

func (p *pen) close() string { return p.b.String() + "</svg>\n" }
