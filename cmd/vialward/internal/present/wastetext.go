package present

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/waste"
)

// WasteText is a report as text, 80 columns wide: what matters first, then where it comes from, then how far to trust it.
func WasteText(s *stock.Site, r waste.Report, now time.Time) string {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	zone := s.Location()
	money := func(cents int64) string { return Money(cents, s.Currency) }

	line("WASTE at %s, %s", s.Code, s.Name)
	line("%s to %s, %.0f hours; made %s", moment(r.Period.From, zone), moment(r.Period.To, zone), r.Period.Hours(), moment(now, zone))
	line("")
	line("%d of %d vials that ended were wasted, %s; they had cost %s", r.All.Wasted, r.All.Ended, percent(r.All), money(r.All.Cents))
	if c, ok := waste.Change(r.Previous, r.All); ok {
		line("the period before: %d of %d, %s; the rate changed by %+.1f %%", r.Previous.Wasted, r.Previous.Ended, percent(r.Previous), 100*c)
	}
	line("given %d, sent away %d, discarded %d, lost %d; not yet ended: %d", r.How[waste.Given], r.How[waste.Sent], r.How[waste.Discarded], r.How[waste.Lost], r.Open)
	for _, l := range wrap(r.Definition, 80) {
		line("%s", l)
	}
	if r.All.Ended == 0 {
		line("\nNothing ended in this period.")
	}

	groups := func(title string, all []waste.Group, name func(string) string) {
		if len(all) == 0 {
			return
		}
		line("\n%-40s %7s %7s %8s %14s", title, "wasted", "ended", "rate", "cost")
		for _, g := range all {
			line("%-40s %7d %7d %8s %14s", fit(name(g.Key), 40), g.Wasted, g.Ended, percent(g.Tally), money(g.Cents))
		}
	}
	plain := func(k string) string { return orWord(k, "none recorded") }
	classes := func(title string, all []waste.Group, name func(string) string) {
		if len(all) == 0 {
			return
		}
		line("\n%-40s %7s %31s", title, "wasted", "cost")
		for _, g := range all {
			line("%-40s %7d %31s", fit(name(g.Key), 40), g.Wasted, money(g.Cents))
		}
	}
	classes("COULD IT BE AVOIDED", r.ByClass, plain)
	if len(r.RankedByMoney) > 0 {
		line("\n%-40s %7s %15s %15s", "CAUSES, the dearest first", "wasted", "cost", "up to here")
		for _, x := range r.RankedByMoney {
			line("%-40s %7d %15s %13.1f %%", fit(orWord(s.Cause(x.Key).Words, orWord(x.Key, "no cause given")), 40), x.Wasted, money(x.Cents), 100*x.Share)
		}
	}
	groups("PRODUCTS", r.ByProduct, plain)
	groups("STORAGE UNITS", r.ByUnit, plain)
	groups("PREPARED ON", r.ByWeekday, plain)
	groups("BATCH SIZE", r.ByBatchSize, plain)
	classes("INTO", r.ByContainer, plain)

	line("\nTAKEN OFF THE SHELF PAST ITS END: %d vials, half within %.1f h, the longest %.1f h", r.PastBUD.Vials, r.PastBUD.Median.Hours(), r.PastBUD.Longest.Hours())
	line("HANDED OUT BEFORE ITS TURN: %d of %d", r.EarliestFirst.PassedOver, r.EarliestFirst.Vials)
	for _, i := range r.EarliestFirst.Which {
		line("  %s  %s %d: %s", moment(i.At, zone), i.Product, i.PassedOver, i.Reason)
	}
	line("WANTED AND NOT THERE:%s", shorts(r.Short))
	line("EXCURSIONS: %d vials lost in %d cases, %s; %d released on evidence in %d cases, %s",
		r.Lost.Vials, r.Lost.Cases, money(r.Lost.Cents), r.Saved.Vials, r.Saved.Cases, money(r.Saved.Cents))

	chart := func(title string, c waste.Chart, format string) {
		if len(c.Points) == 0 {
			return
		}
		line("\n%-22s %7s %7s %8s %15s", title, "wasted", "ended", "rate", "expected")
		for _, p := range c.Points {
			note := ""
			if !p.Whole {
				note = "  not whole"
			}
			if p.Rough {
				note += "  limits rough"
			}
			line("%-22s %7d %7d %8s %15s%s", p.From.In(zone).Format(format), p.Wasted, p.Ended, percent(p.Tally),
				fmt.Sprintf("%.1f to %.1f %%", 100*p.Lower, 100*p.Upper), note)
			for _, rule := range p.Rules {
				line("  ! %s", rule)
			}
		}
	}
	chart("MONTHS", r.Months, "January 2006")
	chart("WEEKS from", r.Weeks, "Mon 2 Jan 2006")
	project := func(title string, p *waste.Projection) {
		if p != nil {
			line("%s: %d to %d vials, likely %d; %s to %s, likely %s (nine times in ten, if the days left are like the last %d)",
				title, p.Low.Wasted, p.High.Wasted, p.Likely.Wasted, money(p.Low.Cents), money(p.High.Cents), money(p.Likely.Cents), p.DaysDrawn)
		}
	}
	line("")
	project("THIS MONTH AT ITS END", r.MonthEnd)
	project("THIS YEAR AT ITS END", r.YearEnd)

	q := r.Quality
	line("\nHOW FAR TO TRUST IT: %d entries came late, %d vials of counts unexplained, %d lists not signed in time, %d vials handed out and past their end,",
		q.LateEntries, q.Unaccounted, q.Unconfirmed, q.StillIssued)
	line("%.1f of %.1f storage unit hours without a temperature, %d causes corrected afterwards", q.HoursUnwatched, q.HoursUnwatched+q.HoursWatched, r.Corrected)
	line("\n%s", stock.Caution)
	return b.String()
}

// Money of whole hundredths: "1,234.50 USD".
func Money(cents int64, currency string) string {
	sign := ""
	if cents < 0 {
		sign, cents = "-", -cents
	}
	whole := fmt.Sprint(cents / 100)
	for i := len(whole) - 3; i > 0; i -= 3 {
		whole = whole[:i] + "," + whole[i:]
	}
	return strings.TrimSpace(fmt.Sprintf("%s%s.%02d %s", sign, whole, cents%100, currency))
}

func moment(t time.Time, zone *time.Location) string {
	return t.In(zone).Format("Mon 2 Jan 2006 15:04 MST")
}

func percent(t waste.Tally) string {
	r, ok := t.Rate()
	if !ok {
		return "-"
	}
	return fmt.Sprintf("%.1f %%", 100*r)
}

// decimals prints a number with so many digits after the point.
func decimals(x float64, digits int) string { return strconv.FormatFloat(x, 'f', digits, 64) }

func orWord(s, word string) string {
	if s == "" {
		return word
	}
	return s
}

// fit cuts a name to a column.
func fit(s string, n int) string {
	if r := []rune(s); len(r) > n {
		return string(r[:n-1]) + "~"
	}
	return s
}

func shorts(all []waste.ShortOf) string {
	if len(all) == 0 {
		return " nothing recorded"
	}
	text := ""
	for i, s := range all {
		if i > 0 {
			text += ","
		}
		text += fmt.Sprintf(" %s %d", s.Product, s.Vials)
	}
	return text
}

func wrap(s string, width int) (lines []string) {
	line := ""
	for _, word := range strings.Fields(s) {
		if line != "" && len(line)+1+len(word) > width {
			lines, line = append(lines, line), ""
		}
		line = strings.TrimSpace(line + " " + word)
	}
	return append(lines, line)
}
