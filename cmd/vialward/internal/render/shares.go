package render

import (
	"fmt"
	"strings"
)

// Parts are ten-thousandths of a whole: 10000 is all of it.
type Parts int

// percent prints "29.4 %".
func (p Parts) percent() string { return fmt.Sprintf("%d.%d %%", p/100, p%100/10) }

// SharePoint is one month or week of a control chart.
type SharePoint struct {
	Name                string // below the axis
	Share, Lower, Upper Parts
	Rules               string // run rules that fire here, in words; "" = none
}

// Shares of a control chart, to be told apart without colour: limits are a dashed staircase, the centre a line, points are
// rings, and those at which a rule fires are filled diamonds.
type Shares struct {
	ID, Title     string
	Centre        Parts
	Points        []SharePoint
	Width, Height int // pixels; 0 = 900 x 300
}

// ControlChart is the picture as SVG text, to stand in a page.
func ControlChart(o Shares) string {
	if o.Width <= 0 || o.Height <= 0 {
		o.Width, o.Height = 900, 300
	}
	var p pen
	p.head(o.ID, o.Title, o.describe(), o.Width, o.Height)
	left, right, top, bottom := px(500), px(o.Width)*10-100, px(150), px(o.Height)*10-300
	highest := o.Centre
	for _, x := range o.Points {
		highest = max(highest, x.Share, x.Upper)
	}
	step := Parts(100)
	for _, step = range []Parts{100, 200, 500, 1000, 2000} {
		if highest/step < 6 {
			break
		}
	}
	highest = min(10_000, highest/step*step+step)
	y := func(s Parts) px { return bottom - px(s)*(bottom-top)/px(highest) }
	for s := Parts(0); s <= highest; s += step {
		p.add(`<line class="grid" x1="%v" y1="%v" x2="%v" y2="%v"/>`, left, y(s), right, y(s))
		p.text("degree", "end", left-60, y(s)+40, fmt.Sprintf("%d %%", s/100))
	}
	n := px(max(len(o.Points), 1))
	edge := func(i int) px { return left + px(i)*(right-left)/n }
	named := max(1, int(700/max((right-left)/n, 1))) // every how many names there is room for one
	for _, limit := range []func(SharePoint) Parts{func(x SharePoint) Parts { return x.Lower }, func(x SharePoint) Parts { return x.Upper }} {
		var path strings.Builder
		for i, x := range o.Points {
			fmt.Fprintf(&path, "%s%v %v %v %v", letter(i), edge(i), y(limit(x)), edge(i+1), y(limit(x)))
		}
		p.add(`<path class="limit" fill="none" stroke-dasharray="5 3" d="%s"/>`, path.String())
	}
	p.add(`<line class="limit" x1="%v" y1="%v" x2="%v" y2="%v"/>`, left, y(o.Centre), right, y(o.Centre))
	var path strings.Builder
	for i, x := range o.Points {
		fmt.Fprintf(&path, "%s%v %v", letter(i), (edge(i)+edge(i+1))/2, y(x.Share))
	}
	p.add(`<path class="sensor" fill="none" d="%s"/>`, path.String())
	for i, x := range o.Points {
		at := (edge(i) + edge(i+1)) / 2
		if x.Rules != "" {
			p.add(`<path class="fires" d="M%v %v %v %v %v %v %v %vZ"/>`, at, y(x.Share)-70, at+70, y(x.Share), at, y(x.Share)+70, at-70, y(x.Share))
		} else {
			p.add(`<circle class="extreme" cx="%v" cy="%v" r="4"/>`, at, y(x.Share))
		}
		p.text("value", "middle", at, max(y(x.Share)-90, 100), x.Share.percent())
		if i%named == 0 {
			p.text("hour", "middle", at, bottom+180, x.Name)
		}
	}
	p.add(`<rect class="frame" fill="none" x="%v" y="%v" width="%v" height="%v"/>`, left, top, right-left, bottom-top)
	return p.close()
}

func letter(i int) string {
	if i == 0 {
		return "M"
	}
	return " "
}

// describe says in sentences what the picture shows.
func (o Shares) describe() string {
	var b strings.Builder
	fmt.Fprintf(&b, "Centre %s.", o.Centre.percent())
	for _, x := range o.Points {
		fmt.Fprintf(&b, " %s: %s, expected %s to %s", x.Name, x.Share.percent(), x.Lower.percent(), x.Upper.percent())
		if x.Rules != "" {
			b.WriteString(", " + x.Rules)
		}
		b.WriteString(".")
	}
	return b.String()
}

// Bar of a ranking.
type Bar struct {
	Name, Value string
	Part        Parts // of all
	UpToHere    Parts // with those before it
}

// Ranking of causes: bars of equal height, the longest first, each with its value in words.
type Ranking struct {
	ID, Title string
	Bars      []Bar
	Width     int // pixels; 0 = 900
}

const barHeight = 40 // pixels, words and all

// Bars is the picture as SVG text, to stand in a page. A line on each bar's track marks what it and those before it make.
func Bars(o Ranking) string {
	if o.Width <= 0 {
		o.Width = 900
	}
	var says []string
	for _, b := range o.Bars {
		says = append(says, fmt.Sprintf("%s: %s, up to here %s.", b.Name, b.Value, b.UpToHere.percent()))
	}
	var p pen
	p.head(o.ID, o.Title, strings.Join(says, " "), o.Width, barHeight*len(o.Bars)+10)
	right := px(o.Width) * 10
	for i, b := range o.Bars {
		y := px(i) * barHeight * 10
		value := b.Value + ", up to here " + b.UpToHere.percent()
		room := int((right - px(len([]rune(value)))*charWidth - 150) / charWidth)
		p.text("name", "start", 10, y+140, cut(b.Name, room))
		p.text("degree", "end", right-10, y+140, value)
		p.add(`<rect class="track" fill="none" x="10" y="%v" width="%v" height="%v"/>`, y+190, right-20, px(120))
		p.add(`<rect class="bar" x="10" y="%v" width="%v" height="%v"/>`, y+190, max(px(b.Part)*(right-20)/10_000, 10), px(120))
		at := 10 + px(b.UpToHere)*(right-20)/10_000
		p.add(`<line class="limit" x1="%v" y1="%v" x2="%v" y2="%v"/>`, at, y+170, at, y+330)
	}
	return p.close()
}

// cut shortens a name to so many letters; the table beside the picture has it whole.
func cut(s string, n int) string {
	if r := []rune(s); len(r) > n {
		return string(r[:max(n-1, 1)]) + "…"
	}
	return s
}
