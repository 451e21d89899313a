package render

import (
	"fmt"
	"html"
	"slices"
	"strings"
	"time"

	"vialward/tracker/thermal"
	"vialward/tracker/walltime"
)

// placedMark is an excursion with the row in which its words stand; -1 = there was no room, the page's list has them.
type placedMark struct {
	Mark
	row  int
	x, w px
}

// wordRows is how many rows of words may stand above the plot.
const wordRows = 3

// placeMarks finds each excursion's words a row above it, left to right.
func (c *canvas) placeMarks() {
	marks := slices.Clone(c.Marks)
	slices.SortStableFunc(marks, func(a, b Mark) int { return a.From.Compare(b.From) })
	var ends [wordRows]px
	for _, m := range marks {
		if !m.From.Before(c.To) || !m.To.IsZero() && m.To.Before(c.From) {
			continue
		}
		width := px(len([]rune(m.Say)))*charWidth + 60
		p := placedMark{Mark: m, row: -1, w: width, x: min(c.xAt(m.From), max(c.right-width, c.left))}
		for i, end := range ends {
			if p.x >= end {
				p.row, ends[i] = i, p.x+width
				c.rows = max(c.rows, i+1)
				break
			}
		}
		c.placed = append(c.placed, p)
	}
}

// marks draws excursions as hatched stretches with a bracket and words above.
func (c *canvas) marks() {
	for _, m := range c.placed {
		a, b := c.xAt(m.From), c.right
		if !m.To.IsZero() {
			b = c.xAt(m.To)
		}
		b = max(b, a+20)
		c.add(`<rect class="excursion" fill="url(#%s-hatch)" x="%v" y="%v" width="%v" height="%v"/>`, html.EscapeString(c.ID), a, c.top, b-a, c.bottom-c.top)
		c.add(`<path class="bracket" fill="none" d="M%v %v %v %v %v %v %v %v"/>`, a, c.top+60, a, c.top, b, c.top, b, c.top+60)
		if m.row < 0 {
			continue
		}
		y := c.top - 50 - px(m.row)*wordHeight
		if m.row > 0 {
			c.add(`<line class="lead" x1="%v" y1="%v" x2="%v" y2="%v"/>`, a, y, a, c.top)
		}
		c.text("excursion-word", "start", m.x+20, y, m.Say)
	}
}

// describe says in sentences what the picture shows.
func (c *canvas) describe() string {
	say := func(t time.Time) string { return walltime.Say(t, c.Zone) }
	var b strings.Builder
	fmt.Fprintf(&b, "From %s to %s. In range from %s to %s.", say(c.From), say(c.To), c.degrees(c.Low), c.degrees(c.High))
	for _, s := range c.Series {
		inside := s.inside(c.From, c.To)
		if len(inside) == 0 {
			fmt.Fprintf(&b, " %s: NO DATA.", s.Name)
			continue
		}
		lo, hi := inside[0], inside[0]
		for _, r := range inside {
			if r.MilliC < lo.MilliC {
				lo = r
			}
			if r.MilliC > hi.MilliC {
				hi = r
			}
		}
		fmt.Fprintf(&b, " %s: lowest %s at %s, highest %s at %s, last %s.", s.Name, c.degrees(lo.MilliC), say(at(lo)),
			c.degrees(hi.MilliC), say(at(hi)), c.degrees(inside[len(inside)-1].MilliC))
		for i, g := range s.Gaps(c.From, c.To) {
			if i == 5 {
				b.WriteString(" And more times without data.")
				break
			}
			fmt.Fprintf(&b, " NO DATA from %s to %s.", say(g.From), say(g.To))
		}
		if n := len(s.Conflicts); n > 0 {
			fmt.Fprintf(&b, " %d instants have more than one value and are believed in none.", n)
		}
	}
	for _, m := range c.placed {
		until := " and goes on."
		if !m.To.IsZero() {
			until = " to " + say(m.To) + "."
		}
		fmt.Fprintf(&b, " %s from %s%s", strings.ToUpper(m.Say[:1])+m.Say[1:], say(m.From), until)
	}
	return b.String()
}

func at(r thermal.Reading) time.Time { return time.UnixMicro(r.AtMicros).UTC() }

// span prints a wait: "45 min", "32 h 10 min", "3 d 4 h". Cut, never rounded up.
func span(d time.Duration) string {
	m := int64(d / time.Minute)
	switch {
	case m < 120:
		return fmt.Sprintf("%d min", m)
	case m < 72*60:
		return strings.TrimSuffix(fmt.Sprintf("%d h %d min", m/60, m%60), " 0 min")
	default:
		return strings.TrimSuffix(fmt.Sprintf("%d d %d h", m/1440, m%1440/60), " 0 h")
	}
}
