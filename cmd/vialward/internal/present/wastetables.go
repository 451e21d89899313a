package present

import (
	"strings"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/waste"
)

// Table of a report, for page, sheet and CSV. A cell is a string, an int (a count), Cents, Share, Hours, a time.Time, or
// nil where there is no figure.
type Table struct {
	Name    string // a file's and a sheet's
	Title   string
	Columns []string
	Rows    [][]any
}

// Kinds of figures.
type (
	Cents int64   // hundredths of the site's money
	Share float64 // a part, 1 = all; signed where it is a change
	Hours float64
)

// Definition of a word of a report.
type Definition struct{ Word, Meaning string }

// WasteTables are a report's figures, all of them, a table each.
func (a As) WasteTables(s *stock.Site, r waste.Report) []Table {
	groups := func(name, title, of string, all []waste.Group, words func(string) string) Table {
		return Table{name, title, []string{of, "wasted", "ended", "waste rate", "cost"}, each(all, func(g waste.Group) []any {
			return []any{words(g.Key), g.Wasted, g.Ended, rate(g.Tally), Cents(g.Cents)}
		})}
	}
	parts := func(name, title, of string, all []waste.Group) Table {
		return Table{name, title, []string{of, "wasted", "cost"}, each(all, func(g waste.Group) []any {
			return []any{recorded(g.Key), g.Wasted, Cents(g.Cents)}
		})}
	}
	causes := func(name, title string, all []waste.Step) Table {
		return Table{name, title, []string{"cause", "code", "class", "wasted", "cost", "up to here"}, each(all, func(x waste.Step) []any {
			c := causeOf(s, x)
			return []any{orWord(c.Words, c.Cause), c.Cause, c.Class, c.Wasted, Cents(c.CostCents), Share(x.Share)}
		})}
	}
	product := func(code string) string { return ProductWords(s, code) }
	tables := []Table{
		a.wasteSummary(r),
		parts("classes", "Could it be avoided", "class", r.ByClass),
		causes("causes_by_cost", "Causes, the dearest first", r.RankedByMoney),
		causes("causes_by_count", "Causes, the most vials first", r.RankedByCount),
		groups("products", "Products, the dearest first", "product", r.ByProduct, product),
		groups("units", "Storage units", "unit", r.ByUnit, recorded),
		groups("weekdays", "Prepared on", "weekday", r.ByWeekday, recorded),
		groups("batch_sizes", "Vials in the batch", "batch size", r.ByBatchSize, recorded),
		parts("containers", "Thrown into", "container", r.ByContainer),
		{"fell_short", "Wanted and not there", []string{"product", "times", "vials"}, each(r.Short, func(x waste.ShortOf) []any {
			return []any{product(x.Product), x.Times, x.Vials}
		})},
		{"before_their_turn", "Handed out before their turn", []string{"at", "product", "vials", "why"}, each(r.EarliestFirst.Which, func(x waste.Issued) []any {
			return []any{x.At.In(a.Zone), product(x.Product), x.PassedOver, x.Reason}
		})},
		a.wasteTrend("months", "Month by month", r.Months),
		a.wasteTrend("weeks", "Week by week", r.Weeks),
		a.wasteProjections(r),
		wasteQuality(r),
	}
	return tables
}

func (a As) wasteSummary(r waste.Report) Table {
	t := Table{"summary", "In figures", []string{"figure", "value"}, nil}
	row := func(figure string, value any) { t.Rows = append(t.Rows, []any{figure, value}) }
	row("period from", r.Period.From.In(a.Zone))
	row("period to, not included", r.Period.To.In(a.Zone))
	row("hours of the period", Hours(r.Period.Hours()))
	row("report made", a.Now.In(a.Zone))
	row("vials wasted", r.All.Wasted)
	row("vials that ended", r.All.Ended)
	row("waste rate", rate(r.All))
	row("cost of the wasted", Cents(r.All.Cents))
	row("wasted in the period before", r.Previous.Wasted)
	row("ended in the period before", r.Previous.Ended)
	row("waste rate of the period before", rate(r.Previous))
	if c, ok := waste.Change(r.Previous, r.All); ok {
		row("change of the rate, as a part of the earlier", Share(c))
	} else {
		row("change of the rate, as a part of the earlier", nil)
	}
	row("given", r.How[waste.Given])
	row("sent to another site", r.How[waste.Sent])
	row("discarded", r.How[waste.Discarded])
	row("lost", r.How[waste.Lost])
	row("not yet ended", r.Open)
	row("taken off the shelf past their end", r.PastBUD.Vials)
	var half, longest any // where there are none
	if r.PastBUD.Vials > 0 {
		half, longest = Hours(r.PastBUD.Median.Hours()), Hours(r.PastBUD.Longest.Hours())
	}
	row("half of those within", half)
	row("the longest of those", longest)
	row("handed out", r.EarliestFirst.Vials)
	row("of those before their turn", r.EarliestFirst.PassedOver)
	row("lost to excursions", r.Lost.Vials)
	row("excursions that lost them", r.Lost.Cases)
	row("cost of what excursions lost", Cents(r.Lost.Cents))
	row("held for an excursion, then released on evidence", r.Saved.Vials)
	row("excursions they were released from", r.Saved.Cases)
	row("cost of what was released", Cents(r.Saved.Cents))
	return t
}

func wasteQuality(r waste.Report) Table {
	q := r.Quality
	return Table{"data_quality", "How far to trust it", []string{"figure", "value"}, [][]any{
		{"entries that came late", q.LateEntries},
		{"vials of counts unexplained", q.Unaccounted},
		{"lists not signed in time", q.Unconfirmed},
		{"vials handed out, past their end, and nothing said of them", q.StillIssued},
		{"storage unit hours with a temperature", Hours(q.HoursWatched)},
		{"storage unit hours without a temperature", Hours(q.HoursUnwatched)},
		{"causes corrected afterwards; the newer one counts", r.Corrected},
	}}
}

func (a As) wasteTrend(name, title string, c waste.Chart) Table {
	columns := []string{"from", "to", "wasted", "ended", "waste rate", "lower limit", "upper limit", "to know"}
	return Table{name, title, columns, each(c.Points, func(p waste.Point) []any {
		return []any{p.From.In(a.Zone), p.To.In(a.Zone), p.Wasted, p.Ended, rate(p.Tally), Share(p.Lower), Share(p.Upper), WastePointWords(p)}
	})}
}

// WastePointWords is what has to be known of a point of a trend: which rules it breaks, and how far it can be trusted.
func WastePointWords(p waste.Point) string {
	words := append([]string{}, p.Rules...)
	if !p.Whole {
		words = append(words, "not whole")
	}
	if p.Rough {
		words = append(words, "few vials: limits are rough")
	}
	return strings.Join(words, "; ")
}

func (a As) wasteProjections(r waste.Report) Table {
	t := Table{"projections", "At the end, if the days left are like the last weeks", []string{
		"of", "until", "wasted so far", "low", "likely", "high", "cost, low", "cost, likely", "cost, high", "days left", "days drawn from",
	}, nil}
	add := func(of string, p *waste.Projection) {
		if p != nil {
			t.Rows = append(t.Rows, []any{
				of, p.To.In(a.Zone), p.SoFar.Wasted, p.Low.Wasted, p.Likely.Wasted, p.High.Wasted,
				Cents(p.Low.Cents), Cents(p.Likely.Cents), Cents(p.High.Cents), p.DaysLeft, p.DaysDrawn,
			})
		}
	}
	add("this month", r.MonthEnd)
	add("this year", r.YearEnd)
	return t
}

// WasteDefinitions say what the words of a waste report mean.
func WasteDefinitions() []Definition {
	return []Definition{
		{"waste rate", waste.Definition},
		{"cost", "what the vial had cost to make, by its product's cost on the day it was discarded or lost"},
		{"avoidable, not avoidable", "as the site's list of causes has it; held for readiness is stock that has to be there and is seldom used"},
		{"up to here", "what this cause and those above it make of all"},
		{"lower and upper limit", "between which the rate is expected: the centre of all points and three standard deviations for that many vials (a p-chart)"},
		{"low, high", "nine draws in ten end between them; each day left is drawn from the days of the past weeks"},
		{"before their turn", "handed out although a vial of that product in the same room that could be handed out ended earlier"},
		{"wanted and not there", "demand that was recorded as not met: less waste by making less shows here"},
		{"past their end", "discarded at or after the beyond-use date"},
		{"period", "from its start up to its end, the end itself not included, in the site's time"},
	}
}

// ProductWords is a product's full name, or its code where the site has it no more.
func ProductWords(s *stock.Site, code string) string {
	for _, p := range s.Products {
		if p.Code == code {
			return p.FullName()
		}
	}
	return code
}

func recorded(key string) string { return orWord(key, "none recorded") }

// rate is nil where nothing ended.
func rate(t waste.Tally) any {
	if r, ok := t.Rate(); ok {
		return Share(r)
	}
	return nil
}

// CellWords is a cell as people read it.
func (a As) CellWords(cell any, currency string) string {
	switch x := cell.(type) {
	case nil:
		return "-"
	case string:
		return x
	case Cents:
		return Money(int64(x), currency)
	case Share:
		return decimals(100*float64(x), 1) + " %"
	case Hours:
		return decimals(float64(x), 1) + " h"
	case time.Time:
		return moment(x, a.Zone)
	case int:
		return decimals(float64(x), 0)
	}
	panic("present: no words for a cell of another kind") // found by the first test that prints the table
}
