package waste

import (
	"cmp"
	"slices"
	"strconv"
	"time"
)

// Ledger is what the record knows that a report is made of.
type Ledger struct {
	Ended   []Ended   // of the period, and of the year before its end for the trend
	Open    int       // vials whose life had not ended at the end of the period
	Issues  []Issued  // of the period
	Short   []Short   // wanted and not there, of the period
	Saved   []Saved   // released from an excursion's hold, of the period
	Quality Quality   // how far the figures can be trusted
	Began   time.Time // of the record
}

// Issued is vials of a product handed out at once, and how many of them though one that ends earlier was there to be
// handed out instead.
type Issued struct {
	Product    string
	At         time.Time
	Vials      int
	PassedOver int
	Reason     string // why, in the words of whoever did it
}

// Short is a demand that stock did not meet.
type Short struct {
	Product string
	At      time.Time
	Vials   int
}

// Saved is a vial that an excursion's hold was taken off, on evidence.
type Saved struct {
	Vial, Product string
	Case          int64
	At            time.Time
	Cents         int64
}

// Quality is what a reader has to know before trusting the figures.
type Quality struct {
	LateEntries    int     // entered long after they happened
	Unaccounted    int     // vials counted too few or too many, without a reason
	Unconfirmed    int     // lists nobody signed in time
	StillIssued    int     // handed out, past their end, and nobody said what became of them
	HoursUnwatched float64 // storage unit hours without a temperature
	HoursWatched   float64 // storage unit hours of the period
}

// Report is a period's waste.
type Report struct {
	Period     Period
	Definition string
	All        Tally
	Previous   Tally // of the period before: the month before a whole month, else as long as this one
	How        map[How]int
	Open       int

	ByClass, ByCause, ByProduct, ByUnit, ByBatchSize, ByWeekday, ByContainer []Group
	RankedByMoney, RankedByCount                                             []Step // causes

	PastBUD       Past
	EarliestFirst Order
	Short         []ShortOf
	Lost          Excursions // for excursions
	Saved         Excursions
	Months, Weeks Chart
	MonthEnd      *Projection // of the month and year the report is made in; nil where the past says too little
	YearEnd       *Projection
	Corrected     int // causes that were corrected after they were recorded
	Quality       Quality
}

// Past is how long after their end vials were taken off the shelf.
type Past struct {
	Vials           int // discarded at or after their end
	Median, Longest time.Duration
}

// Order is how often the vial handed out was the one that ended first.
type Order struct {
	Vials, PassedOver int
	Which             []Issued // in which vials were passed over
}

// ShortOf is the demand of a product that was not met.
type ShortOf struct {
	Product      string
	Times, Vials int
}

// Excursions is stock that was at stake in excursions.
type Excursions struct {
	Vials, Cases int
	Cents        int64
}

// Make computes the report of a period as of now. Every form of it, page, mail, sheet and API, is a rendering of this one.
func Make(l Ledger, p Period, now time.Time) Report {
	all := slices.Clone(l.Ended)
	slices.SortStableFunc(all, func(a, b Ended) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Vial, b.Vial)) })
	in := within(all, p.From, p.To)
	wasted := slices.DeleteFunc(slices.Clone(in), func(e Ended) bool { return !e.Wasted() })

	r := Report{Period: p, Definition: Definition, How: map[How]int{}, Open: l.Open, Quality: l.Quality}
	for _, e := range in {
		r.All.add(e)
		r.How[e.How]++
		if e.Corrected {
			r.Corrected++
		}
	}
	for _, e := range within(all, before(p), p.From) {
		r.Previous.add(e)
	}
	r.ByClass = grouped(wasted, Ended.class, byClass)
	r.ByCause = grouped(wasted, func(e Ended) string { return e.Cause }, dearestFirst)
	r.ByContainer = grouped(wasted, func(e Ended) string { return e.Container }, mostFirst)
	r.ByProduct = grouped(in, func(e Ended) string { return e.Product }, dearestFirst)
	r.ByUnit = grouped(in, func(e Ended) string { return e.Unit }, byKey)
	r.ByBatchSize = grouped(in, func(e Ended) string { return strconv.Itoa(e.BatchSize) }, byNumber)
	r.ByWeekday = grouped(in, func(e Ended) string { return e.Prepared.In(p.Zone).Weekday().String() }, byWeekday)
	r.RankedByMoney = ranked(r.ByCause, func(g Group) int64 { return g.Cents })
	byCount := slices.Clone(r.ByCause)
	slices.SortStableFunc(byCount, mostFirst)
	r.RankedByCount = ranked(byCount, func(g Group) int64 { return int64(g.Wasted) })

	r.PastBUD = past(in)
	for _, i := range l.Issues {
		r.EarliestFirst.Vials += i.Vials
		r.EarliestFirst.PassedOver += i.PassedOver
		if i.PassedOver > 0 {
			r.EarliestFirst.Which = append(r.EarliestFirst.Which, i)
		}
	}
	r.Short = shortOf(l.Short)
	lost := map[int64]bool{}
	for _, e := range wasted {
		if e.Case != 0 {
			lost[e.Case] = true
			r.Lost.Vials++
			r.Lost.Cents += e.Cents
		}
	}
	r.Lost.Cases = len(lost)
	saved := map[int64]bool{}
	for _, s := range l.Saved {
		saved[s.Case] = true
		r.Saved.Vials++
		r.Saved.Cents += s.Cents
	}
	r.Saved.Cases = len(saved)

	r.Months = trend(all, p, l.Began, now, trendMonths, monthStart)
	r.Weeks = trend(all, p, l.Began, now, trendWeeks, weekStart)
	if m, ok := project(all, monthStart(now, 0, p.Zone), monthStart(now, 1, p.Zone), l.Began, now, p.Zone); ok {
		r.MonthEnd = &m
	}
	thisMonth := int(now.In(p.Zone).Month())
	if y, ok := project(all, monthStart(now, 1-thisMonth, p.Zone), monthStart(now, 13-thisMonth, p.Zone), l.Began, now, p.Zone); ok {
		r.YearEnd = &y
	}
	return r
}

// before is where the period before this one starts.
func before(p Period) time.Time {
	if p.From.Equal(monthStart(p.From, 0, p.Zone)) && p.To.Equal(monthStart(p.From, 1, p.Zone)) {
		return monthStart(p.From, -1, p.Zone)
	}
	return p.From.Add(p.From.Sub(p.To))
}

// past measures what stood on the shelf after its end. The median of an even number is the lower of the two in the middle.
func past(in []Ended) (p Past) {
	var over []time.Duration
	for _, e := range in {
		if e.How == Discarded && !e.At.Before(e.BUD) {
			over = append(over, e.At.Sub(e.BUD))
		}
	}
	if len(over) == 0 {
		return p
	}
	slices.Sort(over)
	return Past{len(over), over[(len(over)-1)/2], over[len(over)-1]}
}

func shortOf(short []Short) []ShortOf {
	var out []ShortOf
	for _, s := range short {
		i := slices.IndexFunc(out, func(o ShortOf) bool { return o.Product == s.Product })
		if i < 0 {
			i = len(out)
			out = append(out, ShortOf{Product: s.Product})
		}
		out[i].Times++
		out[i].Vials += s.Vials
	}
	slices.SortFunc(out, func(a, b ShortOf) int {
		return cmp.Or(cmp.Compare(b.Vials, a.Vials), cmp.Compare(a.Product, b.Product))
	})
	return out
}
