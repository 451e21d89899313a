package render

import (
	"fmt"
	"html"
	"slices"
	"strings"
	"time"

	"vialward/tracker/thermal"
)

// Options of a trace. Colours come from the page's style sheet by class; what has to be told apart without colour is:
// lines by their dashes and the name at their end, times without data by hatching, excursions by words.
type Options struct {
	ID     string // unique on its page; the ids inside begin with it
	Title  string // whose temperatures
	From   time.Time
	To     time.Time
	Zone   *time.Location
	Series []Series
	Marks  []Mark

	Low, High  thermal.MilliC  // the range, both inclusive
	Freeze     *thermal.MilliC // at or below it counts as frozen; nil = not drawn
	Fahrenheit bool            // labels in °F

	Width, Height int // of the whole picture, pixels; 0 = 900 x 380
}

// Series is one sensor's corrected readings, sorted, while it spoke for the place.
type Series struct {
	Name      string
	Readings  []thermal.Reading
	Conflicts []thermal.Conflict // instants with several values: drawn as what they are, joined to nothing
	MaxGap    time.Duration      // a longer wait is no data
	From, To  time.Time          // when it was there; zero = always
}

// Mark is an excursion.
type Mark struct {
	From, To time.Time // To zero = goes on
	Say      string    // "case 57 warm"
}

// Trace is the picture as SVG text, to stand in a page. A screen reader gets its title and a description in sentences.
func Trace(o Options) string {
	c := newCanvas(o)
	c.open()
	c.grid()
	c.marks()
	for i, s := range c.Series {
		c.line(i, s)
	}
	for i, s := range c.Series { // words stand over all lines
		c.extremes(i, s)
	}
	c.lanes()
	return c.close()
}

// canvas knows where things go. px is tenths of a pixel.
type canvas struct {
	Options
	pen
	left, right, top, bottom px // of the plot
	lowest, highest          thermal.MilliC
	rows                     int // of excursions' words above the plot
	placed                   []placedMark
	labels                   []box // of values written so far
}

type px int64

func (p px) String() string {
	sign := ""
	if p < 0 {
		sign, p = "-", -p
	}
	if p%10 == 0 {
		return fmt.Sprintf("%s%d", sign, int64(p/10))
	}
	return fmt.Sprintf("%s%d.%d", sign, int64(p/10), int64(p%10))
}

const (
	wordHeight = px(170) // of a row of excursions' words
	laneHeight = px(160) // of a sensor's row below the axis
	axisHeight = px(400)
	charWidth  = px(68) // of the type on the picture, on average; words are placed by it
)

func newCanvas(o Options) *canvas {
	if o.Width <= 0 || o.Height <= 0 {
		o.Width, o.Height = 900, 380
	}
	c := &canvas{Options: o}
	c.left, c.right = 450, px(o.Width)*10-10-nameWidth(o.Series)
	c.reach()
	c.placeMarks()
	c.top = px(c.rows)*wordHeight + 80
	c.bottom = px(o.Height)*10 - axisHeight - px(len(o.Series))*laneHeight
	return c
}

// nameWidth leaves room at the right for the sensors' names.
func nameWidth(series []Series) px {
	longest := 2
	for _, s := range series {
		longest = max(longest, len([]rune(s.Name)))
	}
	return min(px(longest)*charWidth+80, 1000)
}

// reach is what the picture spans: the range and a degree to either side, and further where readings were.
func (c *canvas) reach() {
	c.lowest, c.highest = c.Low-1500, c.High+1500
	for _, s := range c.Series {
		for _, r := range s.Readings {
			c.lowest, c.highest = min(c.lowest, r.MilliC-1200), max(c.highest, r.MilliC+1200)
		}
		for _, k := range s.Conflicts {
			c.lowest, c.highest = min(c.lowest, k.LowestMilliC-700), max(c.highest, k.HighestMilliC+700)
		}
	}
}

// x of an instant; what lies outside the picture lands outside it.
func (c *canvas) x(micros int64) px {
	from, to := c.From.UnixMicro(), c.To.UnixMicro()
	return c.left + px((micros-from)*int64(c.right-c.left)/max(to-from, 1))
}

func (c *canvas) xAt(t time.Time) px { return min(max(c.x(t.UnixMicro()), c.left), c.right) }

func (c *canvas) y(m thermal.MilliC) px {
	return c.top + px(int64(c.highest-m)*int64(c.bottom-c.top)/int64(c.highest-c.lowest))
}

func (c *canvas) open() {
	c.head(c.ID, c.Title, c.describe(), c.Width, c.Height)
	id := html.EscapeString(c.ID)
	c.add(`<defs><clipPath id="%s-plot"><rect x="%v" y="%v" width="%v" height="%v"/></clipPath>`, id, c.left, c.top, c.right-c.left, c.bottom-c.top)
	c.add(`<pattern id="%s-hatch" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><line class="hatch" x1="0" y1="0" x2="0" y2="6" stroke-width="2"/></pattern></defs>`, id)
}

// grid is the range as a band, degrees at the left, time below.
func (c *canvas) grid() {
	c.add(`<rect class="band" x="%v" y="%v" width="%v" height="%v"/>`, c.left, c.y(c.High), c.right-c.left, c.y(c.Low)-c.y(c.High))
	for _, t := range c.degreeTicks() {
		c.add(`<line class="grid" x1="%v" y1="%v" x2="%v" y2="%v"/>`, c.left, c.y(t.at), c.right, c.y(t.at))
		c.text("degree", "end", c.left-50, c.y(t.at)+40, t.words)
	}
	for _, limit := range []thermal.MilliC{c.High, c.Low} {
		c.add(`<line class="limit" x1="%v" y1="%v" x2="%v" y2="%v"/>`, c.left, c.y(limit), c.right, c.y(limit))
		c.text("degree limit-word", "end", c.left-50, c.y(limit)+40, c.degree(limit))
	}
	if f := c.Freeze; f != nil && *f > c.lowest && *f < c.Low {
		c.add(`<line class="freeze" x1="%v" y1="%v" x2="%v" y2="%v" stroke-dasharray="2 4"/>`, c.left, c.y(*f), c.right, c.y(*f))
		c.text("degree", "start", c.left+40, c.y(*f)-30, "freezing "+c.degrees(*f))
	}
	c.times()
	c.add(`<rect class="frame" fill="none" x="%v" y="%v" width="%v" height="%v"/>`, c.left, c.top, c.right-c.left, c.bottom-c.top)
}

// dashes tell sensors apart without colour.
var dashes = []string{"", "7 3", "2 3", "10 3 2 3", "1 4"}

func (c *canvas) line(i int, s Series) {
	id := html.EscapeString(c.ID)
	c.add(`<g class="sensor sensor-%d" clip-path="url(#%s-plot)">`, i%len(dashes), id)
	var path strings.Builder
	for _, run := range s.runs() {
		drawn := Thin(run, c.From, c.To, int((c.right-c.left)/10))
		for k, r := range drawn {
			verb := " "
			if k == 0 {
				verb = "M"
			}
			fmt.Fprintf(&path, "%s%v %v", verb, c.x(r.AtMicros), c.y(r.MilliC))
		}
		if len(drawn) == 1 { // a reading between two gaps is a point of its own
			c.add(`<circle class="lone" cx="%v" cy="%v" r="1.5"/>`, c.x(drawn[0].AtMicros), c.y(drawn[0].MilliC))
		}
	}
	if path.Len() > 0 {
		dash := ""
		if len(s.Readings) > int((c.right-c.left)/10) { // more than one a pixel: thin lines stay apart
			dash = ` stroke-width="0.7"`
		}
		if d := dashes[i%len(dashes)]; d != "" {
			dash += fmt.Sprintf(` stroke-dasharray="%s"`, d)
		}
		c.add(`<path fill="none"%s d="%s"/>`, dash, path.String())
	}
	for _, k := range s.Conflicts {
		c.add(`<path class="conflict" fill="none" d="M%v %v %v %v"/>`, c.x(k.AtMicros), c.y(k.LowestMilliC), c.x(k.AtMicros), c.y(k.HighestMilliC))
	}
	c.add(`</g>`)
}

// extremes names the highest and the lowest reading, and the sensor at its line's end.
func (c *canvas) extremes(i int, s Series) {
	inside := s.inside(c.From, c.To)
	if len(inside) == 0 {
		return
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
	c.extreme(hi, -70, 150)
	if lo.MilliC != hi.MilliC {
		c.extreme(lo, 150, -70)
	}
	last := inside[len(inside)-1]
	c.text(fmt.Sprintf("name name-%d", i%len(dashes)), "start", c.right+40, c.spread(i, last)+40, s.Name)
}

// box is where a value's words stand.
type box struct{ x, y, half px }

// extreme marks a reading and writes its value on one side or the other, or nowhere if both are written on already: the
// page's list has it.
func (c *canvas) extreme(r thermal.Reading, sides ...px) {
	x, y := c.x(r.AtMicros), c.y(r.MilliC)
	words := c.degrees(r.MilliC)
	half := px(len([]rune(words)))*charWidth/2 + 20
	c.add(`<circle class="extreme" cx="%v" cy="%v" r="3"/>`, x, y)
	for _, side := range sides {
		b := box{min(max(x, c.left+half), c.right-half), y + side, half}
		if b.y < c.top+100 || b.y > c.bottom || slices.ContainsFunc(c.labels, b.meets) {
			continue
		}
		c.labels = append(c.labels, b)
		c.text("value", "middle", b.x, b.y, words)
		return
	}
}

func (b box) meets(o box) bool {
	return b.x-b.half < o.x+o.half && o.x-o.half < b.x+b.half && b.y < o.y+130 && o.y < b.y+130
}

// spread keeps the names of lines that end side by side apart.
func (c *canvas) spread(i int, last thermal.Reading) px {
	y := c.y(last.MilliC)
	for k, s := range c.Series[:i] {
		before := s.inside(c.From, c.To)
		if len(before) == 0 {
			continue
		}
		if other := c.spread(k, before[len(before)-1]); y > other-130 && y < other+130 {
			y = other + 130
		}
	}
	return y
}

// lanes say for each sensor where its data are and where there are none.
func (c *canvas) lanes() {
	y := c.bottom + axisHeight
	for _, s := range c.Series {
		c.text("lane-name", "end", c.left-50, y+100, s.Name)
		c.add(`<line class="lane" x1="%v" y1="%v" x2="%v" y2="%v"/>`, c.left, y+60, c.right, y+60)
		for _, g := range s.Gaps(c.From, c.To) {
			a, b := c.xAt(g.From), c.xAt(g.To)
			c.add(`<rect class="gap" fill="url(#%s-hatch)" x="%v" y="%v" width="%v" height="12"/>`, html.EscapeString(c.ID), a, y, max(b-a, 10))
			if words := "NO DATA " + span(g.To.Sub(g.From)); px(len(words))*charWidth < b-a {
				c.add(`<rect class="paper" x="%v" y="%v" width="%v" height="12"/>`, (a+b)/2-px(len(words))*charWidth/2-30, y, px(len(words))*charWidth+60)
				c.text("gap-word", "middle", (a+b)/2, y+105, words)
			}
		}
		y += laneHeight
	}
}
