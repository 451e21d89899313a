package waste

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func newYork(t require.TestingT) *time.Location {
	zone, err := time.LoadLocation("America/New_York")
	require.NoError(t, err)
	return zone
}

func october(t require.TestingT) Period {
	zone := newYork(t)
	return Period{time.Date(2025, 10, 1, 4, 0, 0, 0, time.UTC), time.Date(2025, 11, 1, 4, 0, 0, 0, time.UTC), zone}
}

// Attributes data of purchase orders in 25 weeks with varying numbers: Montgomery, Introduction to Statistical Quality
// Control, p-chart with variable sample size; figures from memory (M). By hand: 234 / 2450 = 0.095510; for n = 100 the
// limits are 0.095510 -+ 3 sqrt(0.095510 x 0.904490 / 100) = 0.007334 and 0.183686; only week 11, 20 / 110 = 0.181818
// above 0.179581, lies outside.
func TestControlChartOfATextbook(t *testing.T) {
	data := [][2]int{{100, 12}, {80, 8}, {80, 6}, {100, 9}, {110, 10}, {110, 12}, {100, 11}, {100, 16}, {90, 10}, {90, 6}, {110, 20}, {120, 15}, {120, 9}, {120, 8}, {110, 6}, {80, 8}, {80, 10}, {80, 7}, {90, 5}, {100, 8}, {100, 5}, {100, 8}, {100, 10}, {90, 6}, {90, 9}}
	var points []Point
	for _, d := range data {
		points = append(points, Point{Tally: Tally{Ended: d[0], Wasted: d[1]}})
	}
	c := chartOf(points)
	require.InDelta(t, 0.095510, c.Centre, 5e-7)
	require.InDelta(t, 0.007334, c.Points[0].Lower, 2e-6)
	require.InDelta(t, 0.183686, c.Points[0].Upper, 2e-6)
	for i, p := range c.Points {
		require.Equal(t, i == 10, slices.Contains(p.Rules, ruleBeyond), "week %d", i+1)
		require.False(t, p.Rough)
	}
	require.InDelta(t, 0.179581, c.Points[10].Upper, 2e-6)
}

func TestRunRules(t *testing.T) {
	share := func(parts ...int) []Point { // of 1000, around a centre held by many points before
		var ps []Point
		for range 200 {
			ps = append(ps, Point{Tally: Tally{1000, 100, 0}})
		}
		for _, n := range parts {
			ps = append(ps, Point{Tally: Tally{1000, n, 0}})
		}
		return ps
	}
	// One standard deviation of 1000 with a share of 0.1 is 9.5 vials.
	for _, c := range []struct {
		name  string
		parts []int
		want  []string
	}{
		{"inside", []int{105}, nil},
		{"beyond", []int{135}, []string{ruleBeyond}},
		{"below", []int{70}, []string{ruleBeyond}},
		{"two of three", []int{122, 100, 123}, []string{ruleTwo}},
		{"two of three, other sides", []int{78, 100, 123}, nil},
		{"four of five", []int{112, 113, 99, 113, 112}, []string{ruleFour}},
		{"four of five, newest inside", []int{112, 113, 112, 113, 99}, nil},
		{"eight", []int{103, 104, 103, 104, 103, 104, 103, 104}, []string{ruleEight}},
		{"seven", []int{103, 104, 103, 104, 103, 104, 103}, nil},
		{"rising", []int{94, 96, 98, 101, 103, 105}, []string{ruleRising}},
		{"falling", []int{105, 103, 101, 98, 96, 94}, []string{ruleFalling}},
		{"five rising", []int{97, 96, 98, 101, 103, 105}, nil},
	} {
		points := chartOf(share(c.parts...)).Points
		require.Equal(t, c.want, points[len(points)-1].Rules, c.name)
	}
}

func TestChartOfFewOrNone(t *testing.T) {
	require.Empty(t, chartOf([]Point{{}, {}}).Points)
	c := chartOf([]Point{{Tally: Tally{3, 3, 0}}, {}, {Tally: Tally{2, 2, 0}}})
	require.Len(t, c.Points, 2)
	require.InDelta(t, 1, c.Centre, 0)
	require.True(t, c.Points[0].Rough)
	require.Empty(t, c.Points[0].Rules)
	require.InDelta(t, 1, c.Points[0].Upper, 0)
}

// The children's hospital of JPPT 2014;19:111 (R): 28.7 % fell to 19.7 %; (19.7 - 28.7) / 28.7 = -0.314 (C).
func TestChange(t *testing.T) {
	change, ok := Change(Tally{Ended: 1000, Wasted: 287}, Tally{Ended: 1000, Wasted: 197})
	require.True(t, ok)
	require.InDelta(t, -0.314, change, 5e-4)
	for _, c := range [][2]Tally{{{}, {Ended: 1}}, {{Ended: 1, Wasted: 1}, {}}, {{Ended: 5}, {Ended: 5, Wasted: 1}}} {
		_, ok := Change(c[0], c[1])
		require.False(t, ok)
	}
}

// A month in which the clocks change has one hour more, in Samoa's zone none.
func TestHoursOfAMonth(t *testing.T) {
	zone := newYork(t)
	november := Period{monthStart(time.Date(2025, 11, 15, 12, 0, 0, 0, time.UTC), 0, zone), monthStart(time.Date(2025, 11, 15, 12, 0, 0, 0, time.UTC), 1, zone), zone}
	require.InDelta(t, 721, november.Hours(), 0)
	require.Equal(t, time.Date(2025, 10, 1, 4, 0, 0, 0, time.UTC), before(november).UTC())
	require.InDelta(t, 743, Period{monthStart(time.Date(2026, 3, 9, 0, 0, 0, 0, time.UTC), 0, zone), monthStart(time.Date(2026, 3, 9, 0, 0, 0, 0, time.UTC), 1, zone), zone}.Hours(), 0)
	apia, err := time.LoadLocation("Pacific/Apia") // UTC+13
	require.NoError(t, err)
	start := monthStart(time.Date(2025, 10, 31, 12, 0, 0, 0, time.UTC), 0, apia) // it is November there
	require.Equal(t, time.Date(2025, 10, 31, 11, 0, 0, 0, time.UTC), start.UTC())
	require.Equal(t, time.Date(2024, 12, 31, 11, 0, 0, 0, time.UTC), monthStart(start, -10, apia).UTC())
}

func TestWeeksStartOnMonday(t *testing.T) {
	zone := newYork(t)
	sunday := time.Date(2025, 11, 2, 12, 0, 0, 0, time.UTC) // the clocks go back on it
	require.Equal(t, "Mon 2025-10-27 00:00 EDT", weekStart(sunday, 0, zone).In(zone).Format("Mon 2006-01-02 15:04 MST"))
	require.Equal(t, "Mon 2025-11-03 00:00 EST", weekStart(sunday, 1, zone).In(zone).Format("Mon 2006-01-02 15:04 MST"))
}

func TestReport(t *testing.T) {
	p := october(t)
	day := func(d, h int) time.Time { return time.Date(2025, 10, d, h+4, 0, 0, 0, time.UTC) }
	ended := func(n int, e Ended) (all []Ended) {
		for i := range n {
			e.Vial = fmt.Sprintf("%s-%d", e.Batch, i)
			all = append(all, e)
		}
		return all
	}
	pant := Ended{Product: "PANT", Batch: "a", Unit: "R1", How: Given, At: day(3, 9), Prepared: day(1, 8), BUD: day(6, 8), BatchSize: 9}
	gone, frozen, sample, lost, earlier := pant, pant, pant, pant, pant
	gone.How, gone.At, gone.Cause, gone.Class, gone.Cents, gone.Container = Discarded, day(6, 18), "expired", Avoidable, 1500, "bin"
	frozen.Product, frozen.Unit, frozen.BatchSize, frozen.Prepared = "BORT", "R6", 12, day(2, 8)
	frozen.How, frozen.At, frozen.Cause, frozen.Class, frozen.Cents, frozen.Case, frozen.Container = Discarded, day(5, 8), "frozen", Avoidable, 90000, 3, "hazard"
	sample.How, sample.Cause, sample.Class = Discarded, "sample", NotWaste
	lost.How, lost.Cause, lost.Cents, lost.Corrected = Lost, "", 1500, true
	earlier.At = day(-5, 9)
	l := Ledger{
		Open:   7,
		Began:  day(-60, 0),
		Issues: []Issued{{Vials: 3}, {Vials: 4, PassedOver: 2}},
		Short:  []Short{{"BORT", day(3, 1), 1}, {"PANT", day(4, 1), 2}, {"BORT", day(5, 1), 4}},
		Saved:  []Saved{{Case: 3, Cents: 1500}, {Case: 3, Cents: 1500}},
	}
	l.Ended = slices.Concat(ended(1, lost), ended(2, sample), ended(4, gone), ended(3, frozen), ended(10, pant), ended(5, earlier))
	r := Make(l, p, day(31, 12))

	require.Equal(t, Tally{20, 8, 4*1500 + 3*90000 + 1500}, r.All)
	require.Equal(t, Tally{5, 0, 0}, r.Previous)
	require.Equal(t, map[How]int{Given: 10, Discarded: 9, Lost: 1}, r.How)
	require.Equal(t, []Group{{Avoidable, Tally{7, 7, 276000}}, {NotClassified, Tally{1, 1, 1500}}}, r.ByClass)
	require.Equal(t, []Group{{"BORT", Tally{3, 3, 270000}}, {"PANT", Tally{17, 5, 7500}}}, r.ByProduct)
	require.Equal(t, []Group{{"9", Tally{17, 5, 7500}}, {"12", Tally{3, 3, 270000}}}, r.ByBatchSize)
	require.Equal(t, []Group{{"Wednesday", Tally{17, 5, 7500}}, {"Thursday", Tally{3, 3, 270000}}}, r.ByWeekday)
	require.Equal(t, []Group{{"bin", Tally{4, 4, 6000}}, {"hazard", Tally{3, 3, 270000}}, {"", Tally{1, 1, 1500}}}, r.ByContainer)
	require.Equal(t, "frozen", r.RankedByMoney[0].Key)
	require.InDelta(t, 270000.0/277500, r.RankedByMoney[0].Share, 1e-12)
	require.Equal(t, "expired", r.RankedByCount[0].Key)
	require.InDelta(t, 1, r.RankedByCount[2].Share, 1e-12)
	require.Equal(t, Past{4, 10 * time.Hour, 10 * time.Hour}, r.PastBUD)
	require.Equal(t, Order{7, 2, []Issued{{Vials: 4, PassedOver: 2}}}, r.EarliestFirst)
	require.Equal(t, []ShortOf{{"BORT", 2, 5}, {"PANT", 1, 2}}, r.Short)
	require.Equal(t, Excursions{3, 1, 270000}, r.Lost)
	require.Equal(t, Excursions{2, 1, 3000}, r.Saved)
	require.Equal(t, 1, r.Corrected)
	require.Equal(t, 7, r.Open)
	require.Len(t, r.Months.Points, 2) // September, October
	require.True(t, r.Months.Points[0].Whole)
	require.False(t, r.Months.Points[1].Whole, "October is not over")
	require.NotNil(t, r.MonthEnd)
	require.Equal(t, 0, r.MonthEnd.DaysLeft)
	require.Equal(t, r.MonthEnd.SoFar.Wasted, r.MonthEnd.High.Wasted)
	require.Greater(t, r.YearEnd.High.Wasted, r.YearEnd.Low.Wasted)
	require.Equal(t, 61, r.YearEnd.DaysLeft)
}

func TestReportOfNothing(t *testing.T) {
	r := Make(Ledger{}, october(t), october(t).To)
	_, ok := r.All.Rate()
	require.False(t, ok)
	require.Empty(t, r.ByProduct)
	require.Empty(t, r.Months.Points)
	require.Equal(t, Past{}, r.PastBUD)
}

// A record two weeks old is no ground for a projection.
func TestNoProjectionFromAShortPast(t *testing.T) {
	p := october(t)
	r := Make(Ledger{Began: p.To.Add(-13 * 24 * time.Hour)}, p, p.To)
	require.Nil(t, r.MonthEnd)
	require.Nil(t, r.YearEnd)
}

func anyEnded(p Period) *rapid.Generator[Ended] {
	return rapid.Custom(func(t *rapid.T) Ended {
		at := p.From.Add(time.Duration(rapid.Int64Range(-int64(60*24*time.Hour), int64(p.To.Sub(p.From))+int64(time.Hour)).Draw(t, "at")))
		return Ended{
			Vial:     rapid.StringMatching(`[A-Z]{4}`).Draw(t, "vial"),
			Product:  rapid.SampledFrom([]string{"PANT", "BORT"}).Draw(t, "product"),
			Unit:     rapid.SampledFrom([]string{"", "R1", "R2"}).Draw(t, "unit"),
			How:      rapid.SampledFrom([]How{Given, Sent, Discarded, Lost}).Draw(t, "how"),
			Cause:    rapid.SampledFrom([]string{"", "expired", "frozen"}).Draw(t, "cause"),
			Class:    rapid.SampledFrom([]string{"", Avoidable, NotAvoidable, HeldForReadiness, NotWaste}).Draw(t, "class"),
			At:       at,
			Prepared: at.Add(-48 * time.Hour), BUD: at.Add(time.Duration(rapid.Int64Range(-1e15, 1e15).Draw(t, "bud"))),
			BatchSize: rapid.IntRange(1, 20).Draw(t, "size"),
			Cents:     rapid.Int64Range(0, 1e6).Draw(t, "cents"),
		}
	})
}

// Every grouping adds up to the whole, the order of the ledger changes nothing, and two halves of a period make it whole.
func TestReportAddsUp(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		p := october(rt)
		all := rapid.SliceOfN(anyEnded(p), 0, 60).Draw(rt, "ended")
		now := p.To.Add(time.Hour)
		l := Ledger{Ended: all, Began: p.From.Add(-90 * 24 * time.Hour)}
		r := Make(l, p, now)
		sum := func(groups []Group) (t Tally) {
			for _, g := range groups {
				t.Ended, t.Wasted, t.Cents = t.Ended+g.Ended, t.Wasted+g.Wasted, t.Cents+g.Cents
			}
			return t
		}
		for _, whole := range [][]Group{r.ByProduct, r.ByUnit, r.ByBatchSize, r.ByWeekday} {
			require.Equal(rt, r.All, sum(whole))
		}
		for _, wasted := range [][]Group{r.ByClass, r.ByCause, r.ByContainer} {
			require.Equal(rt, Tally{r.All.Wasted, r.All.Wasted, r.All.Cents}, sum(wasted))
		}
		ended := 0
		for _, n := range r.How {
			ended += n
		}
		require.Equal(rt, r.All.Ended, ended)

		l.Ended = rapid.Permutation(all).Draw(rt, "shuffled")
		again := Make(l, p, now)
		require.Equal(rt, r, again)

		middle := p.From.Add(time.Duration(rapid.Int64Range(0, int64(p.To.Sub(p.From))).Draw(rt, "middle")))
		a, b := Make(l, Period{p.From, middle, p.Zone}, now).All, Make(l, Period{middle, p.To, p.Zone}, now).All
		require.Equal(rt, Tally{a.Ended + b.Ended, a.Wasted + b.Wasted, a.Cents + b.Cents}, r.All)
	})
}
