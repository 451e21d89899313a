package present

import (
	"math"

	"vialward/tracker/stock"
	"vialward/tracker/waste"
)

// WasteReport is a period's waste. Costs are whole hundredths of the currency; rates and shares are 0 to 1, null where
// nothing ended.
type WasteReport struct {
	Site       string  `json:"site"`
	From       Instant `json:"from"`
	To         Instant `json:"to"`
	Hours      float64 `json:"period_hours"`
	MadeAt     Instant `json:"made_at"`
	Currency   string  `json:"currency,omitempty"`
	Definition string  `json:"definition"`
	WasteTally
	Previous        WasteTally        `json:"period_before"`
	Change          *float64          `json:"rate_change"` // against the period before, as a part of it
	EndedBy         map[waste.How]int `json:"ended_by"`
	NotYetEnded     int               `json:"not_yet_ended"`
	ByClass         []WasteGroup      `json:"by_class"`
	ByProduct       []WasteGroup      `json:"by_product"`
	ByUnit          []WasteGroup      `json:"by_unit"`
	ByBatchSize     []WasteGroup      `json:"by_batch_size"`
	ByWeekday       []WasteGroup      `json:"by_weekday_prepared"`
	ByContainer     []WasteGroup      `json:"by_container"`
	CausesByCost    []WasteCause      `json:"causes_by_cost"`
	CausesByCount   []WasteCause      `json:"causes_by_count"`
	PastBUD         PastBUD           `json:"removed_past_beyond_use"`
	EarliestFirst   EarliestFirst     `json:"earliest_first"`
	FellShort       []FellShort       `json:"fell_short"`
	LostToCases     AtStake           `json:"lost_to_excursions"`
	SavedFromCases  AtStake           `json:"released_from_excursions"`
	Months          WasteChart        `json:"months"`
	Weeks           WasteChart        `json:"weeks"`
	MonthEnd        *WasteProjection  `json:"projected_month_end"`
	YearEnd         *WasteProjection  `json:"projected_year_end"`
	CorrectedCauses int               `json:"corrected_causes"`
	Quality         WasteQuality      `json:"data_quality"`
}

// WasteTally is a count with its denominator.
type WasteTally struct {
	Ended     int      `json:"ended"`
	Wasted    int      `json:"wasted"`
	Rate      *float64 `json:"waste_rate"`
	CostCents int64    `json:"cost_cents"`
}

// WasteGroup is a tally of what shares a word.
type WasteGroup struct {
	Of string `json:"of"`
	WasteTally
}

// WasteCause is a cause in its place of a ranking; Share is cumulated.
type WasteCause struct {
	Cause     string  `json:"cause"`
	Words     string  `json:"words"`
	Class     string  `json:"class"`
	Wasted    int     `json:"wasted"`
	CostCents int64   `json:"cost_cents"`
	Share     float64 `json:"cumulated_share"`
}

// PastBUD is how long after its end stock was taken off the shelf.
type PastBUD struct {
	Vials   int     `json:"vials"`
	Median  float64 `json:"median_hours"`
	Longest float64 `json:"longest_hours"`
}

// EarliestFirst is how often a vial was handed out before its turn.
type EarliestFirst struct {
	Issued     int          `json:"issued"`
	PassedOver int          `json:"before_their_turn"`
	Which      []OutOfOrder `json:"which"`
}

// OutOfOrder is one such issue.
type OutOfOrder struct {
	At      Instant `json:"at"`
	Product string  `json:"product"`
	Vials   int     `json:"vials"`
	Reason  string  `json:"reason"`
}

// FellShort is demand of a product that was not met.
type FellShort struct {
	Product string `json:"product"`
	Times   int    `json:"times"`
	Vials   int    `json:"vials"`
}

// AtStake is stock of excursions.
type AtStake struct {
	Vials     int   `json:"vials"`
	Cases     int   `json:"cases"`
	CostCents int64 `json:"cost_cents"`
}

// WasteChart is a control chart of shares with varying group size.
type WasteChart struct {
	Centre float64      `json:"centre"`
	Points []WastePoint `json:"points"`
}

// WastePoint of a chart.
type WastePoint struct {
	From  Instant `json:"from"`
	To    Instant `json:"to"`
	Whole bool    `json:"whole"`
	WasteTally
	Lower float64  `json:"lower_limit"`
	Upper float64  `json:"upper_limit"`
	Rough bool     `json:"rough"`
	Rules []string `json:"rules"`
}

// WasteProjection has a range: nine draws in ten end between low and high.
type WasteProjection struct {
	From      Instant     `json:"from"`
	To        Instant     `json:"to"`
	SoFar     WasteTally  `json:"so_far"`
	DaysLeft  int         `json:"days_left"`
	DaysDrawn int         `json:"days_drawn_from"`
	Low       WasteAmount `json:"low"`
	Likely    WasteAmount `json:"likely"`
	High      WasteAmount `json:"high"`
}

// WasteAmount of a projection.
type WasteAmount struct {
	Wasted    int   `json:"wasted"`
	CostCents int64 `json:"cost_cents"`
}

// WasteQuality is what to know before trusting the figures.
type WasteQuality struct {
	LateEntries    int     `json:"late_entries"`
	Unaccounted    int     `json:"unexplained_variance_vials"`
	Unconfirmed    int     `json:"lists_not_signed_in_time"`
	StillIssued    int     `json:"issued_past_beyond_use"`
	HoursWatched   float64 `json:"unit_watched_hours"`
	HoursUnwatched float64 `json:"unit_without_temperature_hours"`
}

// WasteReport as programs read it.
func (a As) WasteReport(s *stock.Site, r waste.Report) WasteReport {
	out := WasteReport{
		Site: s.Code, From: a.Instant(r.Period.From), To: a.Instant(r.Period.To), Hours: r.Period.Hours(), MadeAt: a.Instant(a.Now),
		Currency: s.Currency, Definition: r.Definition, WasteTally: tally(r.All), Previous: tally(r.Previous), EndedBy: r.How, NotYetEnded: r.Open,
		ByClass: each(r.ByClass, group), ByProduct: each(r.ByProduct, group), ByUnit: each(r.ByUnit, group), ByBatchSize: each(r.ByBatchSize, group),
		ByWeekday: each(r.ByWeekday, group), ByContainer: each(r.ByContainer, group),
		CausesByCost:  each(r.RankedByMoney, func(x waste.Step) WasteCause { return causeOf(s, x) }),
		CausesByCount: each(r.RankedByCount, func(x waste.Step) WasteCause { return causeOf(s, x) }),
		PastBUD:       PastBUD{r.PastBUD.Vials, hours(r.PastBUD.Median.Hours()), hours(r.PastBUD.Longest.Hours())},
		EarliestFirst: EarliestFirst{r.EarliestFirst.Vials, r.EarliestFirst.PassedOver, each(r.EarliestFirst.Which, a.outOfOrder)},
		FellShort:     each(r.Short, func(x waste.ShortOf) FellShort { return FellShort(x) }),
		LostToCases:   AtStake{r.Lost.Vials, r.Lost.Cases, r.Lost.Cents}, SavedFromCases: AtStake{r.Saved.Vials, r.Saved.Cases, r.Saved.Cents},
		Months: a.chart(r.Months), Weeks: a.chart(r.Weeks), MonthEnd: a.projection(r.MonthEnd), YearEnd: a.projection(r.YearEnd),
		CorrectedCauses: r.Corrected,
		Quality: WasteQuality{
			r.Quality.LateEntries, r.Quality.Unaccounted, r.Quality.Unconfirmed, r.Quality.StillIssued,
			hours(r.Quality.HoursWatched), hours(r.Quality.HoursUnwatched),
		},
	}
	if c, ok := waste.Change(r.Previous, r.All); ok {
		c = share(c)
		out.Change = &c
	}
	return out
}

// hours and shares are printed to what they mean: a minute and a hundredth of a percent.
func hours(h float64) float64 { return math.Round(h*100) / 100 }
func share(s float64) float64 { return math.Round(s*1e4) / 1e4 }

func tally(t waste.Tally) WasteTally {
	out := WasteTally{Ended: t.Ended, Wasted: t.Wasted, CostCents: t.Cents}
	if r, ok := t.Rate(); ok {
		r = share(r)
		out.Rate = &r
	}
	return out
}

func group(g waste.Group) WasteGroup { return WasteGroup{g.Key, tally(g.Tally)} }

func causeOf(s *stock.Site, x waste.Step) WasteCause {
	c := s.Cause(x.Key)
	if c.Class == "" {
		c.Words, c.Class = "no cause given", waste.NotClassified
	}
	return WasteCause{x.Key, c.Words, c.Class, x.Wasted, x.Cents, share(x.Share)}
}

func (a As) outOfOrder(i waste.Issued) OutOfOrder {
	return OutOfOrder{a.Instant(i.At), i.Product, i.PassedOver, i.Reason}
}

func (a As) chart(c waste.Chart) WasteChart {
	return WasteChart{share(c.Centre), each(c.Points, func(p waste.Point) WastePoint {
		return WastePoint{
			From: a.Instant(p.From), To: a.Instant(p.To), Whole: p.Whole, WasteTally: tally(p.Tally), Lower: share(p.Lower), Upper: share(p.Upper),
			Rough: p.Rough, Rules: append([]string{}, p.Rules...),
		}
	})}
}

func (a As) projection(p *waste.Projection) *WasteProjection {
	if p == nil {
		return nil
	}
	return &WasteProjection{
		a.Instant(p.From), a.Instant(p.To), tally(p.SoFar), p.DaysLeft, p.DaysDrawn,
		WasteAmount{p.Low.Wasted, p.Low.Cents}, WasteAmount{p.Likely.Wasted, p.Likely.Cents}, WasteAmount{p.High.Wasted, p.High.Cents},
	}
}
