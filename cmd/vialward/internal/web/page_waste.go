package web

import (
	"context"
	"html/template"
	"math"
	"time"

	"vialward/cmd/vialward/internal/present"
	"vialward/cmd/vialward/internal/render"
	"vialward/tracker"
	"vialward/tracker/waste"
)

// wastePage is a period's waste: the figures that matter first, what could be done, where it comes from, how far to trust it.
type wastePage struct {
	From, To       moment
	Hours          string
	Month          string // in the field for a month; "" = the period is none
	First, Last    string // in the fields for days
	Earlier, Later string // links to the month before and after; "" = none
	Future         bool   // the period is not over
	Nothing        bool   // nothing ended in it

	Rate, Cost        string
	Wasted, Ended     int
	Before            string // the period before, in words; "" = nothing to compare with
	Definition        string
	Corrected         string
	Summary           []fact
	Classes           wasteTable
	Causes            []wasteCauses
	Trends            []wasteTrend
	Where, Turn, Left []wasteTable
}

func (wastePage) Title() string { return "Waste" }

// wasteTable is a table in words; Numbers are the columns that stand to the right.
type wasteTable struct {
	ID, Title string
	Columns   []wasteColumn
	Rows      [][]wasteCell
}

type wasteColumn struct {
	Words  string
	Number bool
}

type wasteCell struct {
	Words         string
	Number, First bool
}

// wasteCauses is the ranking of causes by one measure.
type wasteCauses struct {
	wasteTable
	Wide, Narrow template.HTML
}

type wasteTrend struct {
	wasteTable
	Wide, Narrow template.HTML
	Rules        []string // that fire, with the month or week
}

func wastePageOf(ctx context.Context, v *visit) (content, error) {
	f := v.r.URL.Query()
	from, to, err := tracker.PeriodOf(v.zone, plusSign(f.Get("from")), plusSign(f.Get("to")), v.now)
	if err != nil {
		return nil, err
	}
	r, err := tracker.WasteReport(ctx, v.view, from, to, v.now)
	if err != nil {
		return nil, err
	}
	p := wastePage{
		From: v.at(from), To: v.at(to), Future: to.After(v.now), Nothing: r.All.Ended == 0,
		Wasted: r.All.Wasted, Ended: r.All.Ended, Definition: r.Definition,
	}
	v.wastePeriod(&p, r.Period)
	as := present.As{Zone: v.zone, Now: v.now}
	words := func(cell any) string { return as.CellWords(cell, v.site.Currency) }
	p.Hours, p.Cost = words(present.Hours(r.Period.Hours())), words(present.Cents(r.All.Cents))
	if rate, ok := r.All.Rate(); ok {
		p.Rate = words(present.Share(rate))
	}
	if before, ok := r.Previous.Rate(); ok {
		p.Before = many(r.Previous.Wasted, "vial") + " of " + words(r.Previous.Ended) + ", " + words(present.Share(before))
		if c, ok := waste.Change(r.Previous, r.All); ok {
			p.Before += "; the rate changed by " + words(present.Share(c))
		}
	}
	if r.Corrected > 0 {
		p.Corrected = many(r.Corrected, "cause") + " corrected after it was recorded: the newer one counts here."
	}
	v.wasteTables(&p, as, r)
	return p, nil
}

// wastePeriod fills in the form that chooses the period, and the months beside it.
func (v *visit) wastePeriod(p *wastePage, period waste.Period) {
	from, last := period.From.In(v.zone), period.To.Add(-time.Microsecond).In(v.zone)
	p.First, p.Last = from.Format(time.DateOnly), last.Format(time.DateOnly)
	month := func(n int) string {
		return time.Date(from.Year(), from.Month()+time.Month(n), 1, 0, 0, 0, 0, time.UTC).Format("2006-01") // a date, no instant
	}
	begin, end, err := tracker.PeriodOf(v.zone, month(0), "", v.now)
	if err == nil && begin.Equal(period.From) && end.Equal(period.To) {
		p.Month = month(0)
	}
	p.Earlier = with(v.link("/waste"), "from", month(-1))
	if next := month(1); next <= v.now.In(v.zone).Format("2006-01") {
		p.Later = with(v.link("/waste"), "from", next)
	}
}

// wasteTables sorts the report's tables into the page's parts.
func (v *visit) wasteTables(p *wastePage, as present.As, r waste.Report) {
	for _, t := range as.WasteTables(v.site, r) {
		w := v.wasteTable(as, t)
		switch t.Name {
		case "summary":
			for _, row := range w.Rows[12:] { // those before stand at the page's head
				p.Summary = append(p.Summary, fact{row[0].Words, row[1].Words})
			}
		case "classes":
			p.Classes = w
		case "causes_by_cost":
			p.Causes = append(p.Causes, v.wasteCauses(w, r.RankedByMoney, func(g waste.Group) int64 { return g.Cents }, func(g waste.Group) any { return present.Cents(g.Cents) }))
		case "causes_by_count":
			p.Causes = append(p.Causes, v.wasteCauses(w, r.RankedByCount, func(g waste.Group) int64 { return int64(g.Wasted) }, func(g waste.Group) any { return g.Wasted }))
		case "months":
			p.Trends = append(p.Trends, v.wasteTrend(w, r.Months, "Jan 06"))
		case "weeks":
			p.Trends = append(p.Trends, v.wasteTrend(w, r.Weeks, "2 Jan"))
		case "fell_short", "before_their_turn":
			p.Turn = append(p.Turn, w)
		case "projections", "data_quality":
			p.Left = append(p.Left, w)
		default:
			p.Where = append(p.Where, w)
		}
	}
}

func (v *visit) wasteTable(as present.As, t present.Table) wasteTable {
	w := wasteTable{ID: t.Name, Title: t.Title}
	for _, c := range t.Columns {
		w.Columns = append(w.Columns, wasteColumn{Words: c})
	}
	for _, row := range t.Rows {
		var cells []wasteCell
		for i, cell := range row {
			_, text := cell.(string)
			_, when := cell.(time.Time)
			c := wasteCell{Words: as.CellWords(cell, v.site.Currency), Number: !text && !when, First: i == 0}
			w.Columns[i].Number = w.Columns[i].Number || c.Number
			cells = append(cells, c)
		}
		w.Rows = append(w.Rows, cells)
	}
	return w
}

// wasteCauses draws a ranking by the same figures as its table.
func (v *visit) wasteCauses(t wasteTable, steps []waste.Step, weight func(waste.Group) int64, value func(waste.Group) any) wasteCauses {
	var all int64
	for _, x := range steps {
		all += weight(x.Group)
	}
	o := render.Ranking{ID: t.ID + "-wide", Title: t.Title}
	as := present.As{Zone: v.zone, Now: v.now}
	for i, x := range steps {
		part := 0.0
		if all > 0 {
			part = float64(weight(x.Group)) / float64(all)
		}
		o.Bars = append(o.Bars, render.Bar{Name: t.Rows[i][0].Words, Value: as.CellWords(value(x.Group), v.site.Currency), Part: partsOf(part), UpToHere: partsOf(x.Share)})
	}
	c := wasteCauses{wasteTable: t}
	c.Wide = template.HTML(render.Bars(o)) //nolint:gosec // render escapes every text it is given
	o.ID, o.Width = t.ID+"-narrow", 340
	c.Narrow = template.HTML(render.Bars(o)) //nolint:gosec // as above
	return c
}

func (v *visit) wasteTrend(t wasteTable, c waste.Chart, day string) wasteTrend {
	w := wasteTrend{wasteTable: t}
	o := render.Shares{ID: t.ID + "-wide", Title: "Waste rate, " + t.Title, Centre: partsOf(c.Centre)}
	for _, x := range c.Points {
		name := x.From.In(v.zone).Format(day)
		point := render.SharePoint{Name: name, Share: partsOf(x.Rate), Lower: partsOf(x.Lower), Upper: partsOf(x.Upper)}
		for i, rule := range x.Rules {
			if i > 0 {
				point.Rules += "; "
			}
			point.Rules += rule
		}
		if point.Rules != "" {
			w.Rules = append(w.Rules, name+": "+point.Rules)
		}
		o.Points = append(o.Points, point)
	}
	w.Wide = template.HTML(render.ControlChart(o)) //nolint:gosec // render escapes every text it is given
	o.ID, o.Width, o.Height = t.ID+"-narrow", 340, 300
	w.Narrow = template.HTML(render.ControlChart(o)) //nolint:gosec // as above
	return w
}

func partsOf(share float64) render.Parts { return render.Parts(math.Round(share * 10_000)) }
