package render

import (
	"fmt"
	"strings"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/thermal"
	"vialward/tracker/walltime"
)

// tick is a degree with its label.
type tick struct {
	at    thermal.MilliC
	words string
}

// degreeTicks are round degrees of the unit shown, far enough apart to be read, and not on top of a limit's own label.
func (c *canvas) degreeTicks() []tick {
	var ticks []tick
	step := 1
	for _, step = range []int{1, 2, 5, 10, 20, 50, 100} {
		if px(int64(c.perDegree())*int64(step)) >= 200 {
			break
		}
	}
	for d := -500; d <= 500; d++ {
		m := c.milli(d)
		if d%step != 0 || m < c.lowest || m > c.highest {
			continue
		}
		t := tick{m, fmt.Sprint(d)}
		for _, limit := range []thermal.MilliC{c.Low, c.High} {
			if gap := c.y(m) - c.y(limit); gap > -130 && gap < 130 {
				t.words = ""
			}
		}
		ticks = append(ticks, t)
	}
	return ticks
}

// perDegree is how many tenths of a pixel one degree of the unit shown takes.
func (c *canvas) perDegree() px {
	p := px(int64(c.bottom-c.top) * 1000 / int64(c.highest-c.lowest))
	if c.Fahrenheit {
		return p * 5 / 9
	}
	return p
}

// milli is a whole degree of the unit shown.
func (c *canvas) milli(degree int) thermal.MilliC {
	if c.Fahrenheit {
		return thermal.MilliC((degree - 32) * 5000 / 9)
	}
	return thermal.MilliC(degree * 1000)
}

// degree is a number without its unit; °F to the hundredth, half up.
func (c *canvas) degree(m thermal.MilliC) string {
	if !c.Fahrenheit {
		return stock.SayMilli(int64(m))
	}
	f := int64(m)*18 + 320_000 // ten-thousandths, exact
	if f < 0 {
		f -= 100
	}
	return stock.SayMilli((f + 50) / 100 * 10)
}

// degrees is a temperature in words: one decimal at least, as everywhere on the page.
func (c *canvas) degrees(m thermal.MilliC) string {
	n := c.degree(m)
	if !strings.Contains(n, ".") {
		n += ".0"
	}
	if c.Fahrenheit {
		return n + " °F"
	}
	return n + " °C"
}

// times draws the axis below: hours where there is room, days by name, and the instant clocks change.
func (c *canvas) times() {
	perHour := px(int64(c.right-c.left) * int64(time.Hour) / max(int64(c.To.Sub(c.From)), 1))
	step := 0
	for _, h := range []int{1, 2, 3, 6, 12} {
		if px(h)*perHour >= 420 {
			step = h
			break
		}
	}
	every := 1
	for px(every*24)*perHour < 640 {
		every++
	}
	n := 0 // of whole days
	for d := startOfDay(c.From, c.Zone); !d.After(c.To); d = nextDay(d, c.Zone) {
		if step > 0 {
			c.hours(d, step)
		}
		if d.Before(c.From) {
			c.dayName(d, step > 0)
			continue
		}
		if n%every == 0 {
			c.add(`<line class="day" x1="%v" y1="%v" x2="%v" y2="%v"/>`, c.xAt(d), c.top, c.xAt(d), c.bottom+120)
			c.dayName(d, step > 0)
		} else {
			c.add(`<line class="tick" x1="%v" y1="%v" x2="%v" y2="%v"/>`, c.xAt(d), c.bottom, c.xAt(d), c.bottom+50)
		}
		n++
	}
	c.changes()
}

// dayName stands at the day's beginning, or at the picture's where the day began before it.
func (c *canvas) dayName(d time.Time, withHours bool) {
	words, x := d.In(c.Zone).Format("Mon 2 Jan"), c.xAt(d)
	if x > c.right-px(len(words))*charWidth {
		return
	}
	if end := c.xAt(nextDay(d, c.Zone)); d.Before(c.From) && end-x < px(len(words)+1)*charWidth {
		return // the next day's name begins there
	}
	y := c.bottom + 150
	if withHours {
		y = c.bottom + 310
	}
	c.text("day-name", "start", x+20, y, words)
}

// hours of a day at their wall time: one that comes twice stands there twice, one that is skipped nowhere.
func (c *canvas) hours(day time.Time, step int) {
	w := walltime.Of(day, c.Zone)
	for h := 0; h < 24; h += step {
		r := walltime.Resolve(walltime.Wall{Year: w.Year, Month: w.Month, Day: w.Day, Hour: h}, c.Zone)
		switch r.Kind {
		case walltime.Plain:
			c.hour(r.First, h)
		case walltime.Twice:
			c.hour(r.First, h)
			c.hour(r.Last, h)
		case walltime.Missing, walltime.None:
		}
	}
}

func (c *canvas) hour(t time.Time, h int) {
	if t.Before(c.From) || t.After(c.To) {
		return
	}
	x := c.xAt(t)
	c.add(`<line class="tick" x1="%v" y1="%v" x2="%v" y2="%v"/>`, x, c.bottom, x, c.bottom+50)
	if x > c.left+150 && x < c.right-100 || x == c.left {
		c.text("hour", "middle", x, c.bottom+170, fmt.Sprintf("%02d:00", h))
	}
}

// changes marks where clocks go back or forward: the hours beside it are longer or shorter than they look.
func (c *canvas) changes() {
	for t := c.From; t.Before(c.To); {
		_, end := t.In(c.Zone).ZoneBounds()
		if end.IsZero() || !end.Before(c.To) || !end.After(t) {
			return
		}
		_, before := t.In(c.Zone).Zone()
		_, after := end.In(c.Zone).Zone()
		t = end
		if before == after {
			continue
		}
		words := "clocks forward"
		if after < before {
			words = "clocks back"
		}
		x := c.xAt(end)
		c.add(`<line class="change" x1="%v" y1="%v" x2="%v" y2="%v" stroke-dasharray="5 3"/>`, x, c.top, x, c.bottom)
		c.text("change-word", "start", min(x+40, c.right-px(len(words))*charWidth), c.top+150, words)
	}
}

func startOfDay(t time.Time, zone *time.Location) time.Time {
	w := walltime.Of(t, zone)
	return walltime.StartOfDay(w.Year, w.Month, w.Day, zone)
}

func nextDay(d time.Time, zone *time.Location) time.Time {
	w := walltime.Of(d, zone)
	return walltime.EndOfDay(w.Year, w.Month, w.Day, zone)
}
