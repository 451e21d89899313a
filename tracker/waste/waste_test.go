package waste_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"vialward/tracker/waste"
)

func money(leftOver, short float64) waste.Costs {
	return waste.Costs{LeftOverMicro: int64(math.Round(leftOver * waste.Micro)), ShortMicro: int64(math.Round(short * waste.Micro))}
}

func advise(t require.TestingT, d waste.Demand, err error, c waste.Costs, onHand int) waste.Advice {
	require.NoError(t, err)
	a, err := waste.Advise(d, c, onHand)
	require.NoError(t, err)
	return a
}

// Problems read in secondary copies (R), answers worked out for this project (C).
func TestPublishedProblems(t *testing.T) {
	d, err := waste.Poisson(9, 1)
	a := advise(t, d, err, money(1.25, 3.50), 0)
	require.InDelta(t, 0.7368, a.CriticalRatio, 5e-5)
	require.Equal(t, 11, a.Size, "F(10) 0.7060, F(11) 0.8030")
	require.Equal(t, 10, advise(t, d, nil, waste.Costs{LeftOverMicro: 2940, ShortMicro: 7059}, 0).Size, "0.70597 is below F(10)")
	require.Equal(t, 11, advise(t, d, nil, waste.Costs{LeftOverMicro: 2939, ShortMicro: 7061}, 0).Size, "and 0.7061 above")

	d, err = waste.Normal(1000, 200, 1)
	a = advise(t, d, err, money(10, 40), 0)
	require.InDelta(t, 0.8, a.CriticalRatio, 0)
	require.Equal(t, 1169, a.Size)
	// Lost sales at the size before it is rounded up, 1168.32.
	require.InDelta(t, 22.33, a.Table[1168].Short*0.68+a.Table[1169].Short*0.32, 0.005)

	d, err = waste.Normal(80, 35, 1)
	require.NoError(t, err)
	left, _ := d.Expected(100)
	require.InDelta(t, 26.18, left, 0.005)
}

// One batch of q vials that keep for some days: expected outdated, sum_{k<=q} (q-k) P(k) (C).
func TestExpectedOutdated(t *testing.T) {
	for _, c := range []struct {
		q            int
		days, perDay float64
		outdated     float64
	}{{10, 2, 4, 2.42586}, {20, 2, 10, 1.77671}, {24, 3, 7, 3.73511}} {
		d, err := waste.Poisson(c.perDay, c.days)
		require.NoError(t, err)
		left, short := d.Expected(c.q)
		require.InDelta(t, c.outdated, left, 5e-6)
		require.InDelta(t, c.perDay*c.days-float64(c.q)+left, short, 1e-12)
	}
}

// A day's product made each day (C): demand 5.6, a share of the batch wasted, and short.
func TestOneDayProduct(t *testing.T) {
	d, err := waste.Poisson(5.6, 1)
	require.NoError(t, err)
	for q, want := range map[int][2]float64{5: {0.129, 1.24}, 6: {0.193, 0.76}, 7: {0.261, 0.43}} {
		left, short := d.Expected(q)
		require.InDelta(t, want[0], left/float64(q), 6e-4)
		require.InDelta(t, want[1], short, 6e-3)
	}
}

// Against gonum's distributions, from a mean at which exp(-mean) still is something to one at which it is long 0.
func TestPoissonAgainstGonum(t *testing.T) {
	for _, mean := range []float64{0.01, 0.7, 1, 9, 100, 745, 2000, 99_999.5} {
		d, err := waste.Poisson(mean/4, 4)
		require.NoError(t, err)
		ref := distuv.Poisson{Lambda: mean}
		for _, ratio := range []float64{0.02, 0.3, 0.5, 0.7368, 0.9, 0.999, 0.999999} {
			c := money(1-ratio, ratio)
			a, err := waste.Advise(d, c, 0)
			if mean > 99_000 && ratio > 0.5 {
				require.ErrorIs(t, err, waste.ErrInput, "more than the largest batch")
				continue
			}
			require.NoError(t, err)
			// gonum's own CDF is good to 1e-9 or so for such means.
			require.GreaterOrEqual(t, ref.CDF(float64(a.Size)), ratio-1e-8, "mean %v ratio %v", mean, ratio)
			if a.Size > 0 {
				require.Less(t, ref.CDF(float64(a.Size-1)), ratio+1e-8, "mean %v ratio %v", mean, ratio)
			}
		}
	}
	for _, mean := range []float64{0.7, 9, 100, 745, 2000} {
		d, err := waste.Poisson(mean, 1)
		require.NoError(t, err)
		ref := distuv.Poisson{Lambda: mean}
		for _, q := range []int{0, 1, int(mean / 2), int(mean), int(mean + 3*math.Sqrt(mean)), int(3 * mean)} {
			var left, short float64
			for k := range int(5*mean) + 60 {
				p := ref.Prob(float64(k))
				left, short = left+p*max(0, float64(q-k)), short+p*max(0, float64(k-q))
			}
			l, s := d.Expected(q)
			require.InDelta(t, left, l, 1e-8*(1+left), "mean %v, %d vials", mean, q)
			require.InDelta(t, short, s, 1e-8*(1+short), "mean %v, %d vials", mean, q)
		}
	}
}

func TestNormalAgainstGonum(t *testing.T) {
	for _, c := range []struct{ mean, sd, days, ratio float64 }{{1000, 200, 1, 0.8}, {80, 35, 1, 0.6}, {12, 4, 7, 0.9}, {5, 6, 3, 0.05}, {5, 6, 2.5, 0.999999}, {0, 3, 1, 0.5}} {
		d, err := waste.Normal(c.mean, c.sd, c.days)
		ref := distuv.Normal{Mu: c.mean * c.days, Sigma: c.sd * math.Sqrt(c.days)}
		a := advise(t, d, err, money(1-c.ratio, c.ratio), 0)
		require.Equal(t, max(0, int(math.Ceil(ref.Quantile(c.ratio)-1e-9))), a.Size)
	}
}

// Demand drawn from a history: the same for the same seed, near its exact distribution, and whole numbers where a
// ratio is met exactly.
func TestDaily(t *testing.T) {
	d, err := waste.Daily([]int{3, 0, 5, 4, 3, 7, 2}, 2, 7)
	require.NoError(t, err)
	again, err := waste.Daily([]int{3, 0, 5, 4, 3, 7, 2}, 2, 7)
	require.NoError(t, err)
	require.Equal(t, d, again)
	other, err := waste.Daily([]int{3, 0, 5, 4, 3, 7, 2}, 2, 8)
	require.NoError(t, err)
	require.NotEqual(t, d, other)
	for q := range 15 {
		var left, short float64
		for _, a := range []int{3, 0, 5, 4, 3, 7, 2} {
			for _, b := range []int{3, 0, 5, 4, 3, 7, 2} {
				left, short = left+float64(max(0, q-a-b))/49, short+float64(max(0, a+b-q))/49
			}
		}
		l, s := d.Expected(q)
		require.InDelta(t, left, l, 0.05) // five standard errors of Draws draws at a deviation of 3
		require.InDelta(t, short, s, 0.05)
	}
	d, err = waste.Daily([]int{0, 1}, 1, 1)
	require.NoError(t, err)
	none, _ := d.Expected(1) // the share of days on which nobody wanted any
	k := int64(math.Round(none * waste.Draws))
	require.Zero(t, advise(t, d, nil, waste.Costs{LeftOverMicro: waste.Draws - k, ShortMicro: k}, 0).Size, "a ratio met exactly is met")
	require.Equal(t, 1, advise(t, d, nil, waste.Costs{LeftOverMicro: waste.Draws - k - 1, ShortMicro: k + 1}, 0).Size)
	d, err = waste.Daily([]int{4}, 3, 1)
	require.Equal(t, 12, advise(t, d, err, money(1e-6, 1e9), 0).Size, "no chance in it")
	d, err = waste.Daily([]int{0, 0, 0}, 5, 1)
	require.Equal(t, 0, advise(t, d, err, money(1, 100), 0).Size, "nobody wanted any")
}

func TestOnHand(t *testing.T) {
	d, err := waste.Poisson(9, 1)
	whole := advise(t, d, err, money(1.25, 3.50), 0)
	some := advise(t, d, nil, money(1.25, 3.50), 4)
	require.Equal(t, 7, some.Size)
	for i, r := range some.Table[:12] {
		w := whole.Table[i+4]
		require.Equal(t, [3]float64{w.LeftOver, w.Short, w.ExpectedCost}, [3]float64{r.LeftOver, r.Short, r.ExpectedCost})
	}
	require.Zero(t, advise(t, d, nil, money(1.25, 3.50), 40).Size, "never below 0")
}

// The size advised is the one that costs least, the table goes far enough, and its rows add up.
func TestAdviceLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := waste.Costs{LeftOverMicro: rapid.Int64Range(1, 1e9).Draw(t, "left"), ShortMicro: rapid.Int64Range(1, 1e9).Draw(t, "short")}
		days := rapid.IntRange(1, 9).Draw(t, "days")
		mean := rapid.Float64Range(0, 40).Draw(t, "mean")
		var d waste.Demand
		var err error
		const normally = 1
		kind := rapid.IntRange(0, 2).Draw(t, "kind")
		switch kind {
		case 0:
			d, err = waste.Poisson(mean, float64(days))
		case normally:
			d, err = waste.Normal(mean, rapid.Float64Range(0, 20).Draw(t, "sd"), float64(days))
		default:
			history := rapid.SliceOfN(rapid.IntRange(0, 30), 1, 20).Draw(t, "history")
			d, err = waste.Daily(history, days, rapid.Uint64().Draw(t, "seed"))
		}
		a := advise(t, d, err, c, rapid.IntRange(0, 30).Draw(t, "on hand"))
		require.GreaterOrEqual(t, len(a.Table), 2*a.Size+1)
		least := a.Table[a.Size].ExpectedCost
		if kind == normally && a.Size > 0 { // rounded up: the least cost lies between the two
			least = min(least, a.Table[a.Size-1].ExpectedCost)
		}
		for _, r := range a.Table {
			require.GreaterOrEqual(t, r.ExpectedCost, least*(1-1e-9), "costs least")
		}
		for i, r := range a.Table {
			require.Equal(t, i, r.Size)
			require.GreaterOrEqual(t, min(r.LeftOver, r.Short), 0.0)
			if i > 0 {
				before := a.Table[i-1]
				require.InDelta(t, 1, r.LeftOver-before.LeftOver+before.Short-r.Short, 1e-9, "one more is left over or one fewer is short")
			}
		}
	})
}

// The long run against its table (C) and a simulation of a shelf, vial by vial.
func TestSteady(t *testing.T) {
	for _, c := range []struct{ supply, demand, life, outdated, lost float64 }{{1, 1, 4, 0.2, 0.2}, {1, 1.2, 5, 0.08842, 0.28842}} {
		outdated, lost := waste.Steady(c.supply, c.demand, c.life)
		require.InDelta(t, c.outdated, outdated, 5e-6)
		require.InDelta(t, c.lost, lost, 5e-6)
		o, l := shelf(c.supply, c.demand, c.life, 400_000)
		require.InDelta(t, outdated, o, 0.005)
		require.InDelta(t, lost, l, 0.005)
	}
	near, _ := waste.Steady(1, 1+1e-9, 4)
	require.InDelta(t, 0.2, near, 1e-8, "no jump where both are equal")
	outdated, lost := waste.Steady(3, 2, 6)
	require.InDelta(t, 3-outdated, 2-lost, 1e-12, "what comes and does not outdate is given")
}

// shelf keeps vials for so much time and answers outdated and lost per unit of it.
func shelf(supply, demand, life, until float64) (outdated, lost float64) {
	rnd := rand.New(rand.NewPCG(5, 6))
	arrives, wanted := rnd.ExpFloat64()/supply, rnd.ExpFloat64()/demand
	var made []float64 // when, oldest first
	for min(arrives, wanted) < until {
		now := min(arrives, wanted)
		for len(made) > 0 && made[0]+life <= now {
			made = made[1:]
			outdated++
		}
		switch {
		case arrives <= wanted:
			made = append(made, now)
			arrives += rnd.ExpFloat64() / supply
			continue
		case len(made) > 0:
			made = made[1:]
		default:
			lost++
		}
		wanted += rnd.ExpFloat64() / demand
	}
	return outdated / until, lost / until
}

// A seeded simulation of single batches against what is expected of them.
func TestExpectedAgainstSimulation(t *testing.T) {
	const runs, perDay, days, batch = 200_000, 3.3, 4, 15
	d, err := waste.Poisson(perDay, days)
	require.NoError(t, err)
	rnd := rand.New(rand.NewPCG(8, 9))
	var left, short float64
	for range runs {
		wanted := 0
		for at := rnd.ExpFloat64() / perDay; at < days; at += rnd.ExpFloat64() / perDay {
			wanted++
		}
		left, short = left+float64(max(0, batch-wanted)), short+float64(max(0, wanted-batch))
	}
	l, s := d.Expected(batch)
	require.InDelta(t, l, left/runs, 0.03)
	require.InDelta(t, s, short/runs, 0.03)
}

// Bad input gets a sentence.
func TestRefuses(t *testing.T) {
	nan := math.NaN()
	for says, make := range map[string]func() (waste.Demand, error){
		"the mean demand is below 0: give vials a day": func() (waste.Demand, error) { return waste.Poisson(-1, 2) },
		"the mean demand is below 0":                   func() (waste.Demand, error) { return waste.Normal(-1, 1, 2) },
		"the mean demand is below":                     func() (waste.Demand, error) { return waste.Poisson(nan, 2) },
		"the usable days are not above 0":              func() (waste.Demand, error) { return waste.Poisson(1, 0) },
		"the usable days are not above":                func() (waste.Demand, error) { return waste.Normal(1, 1, -2) },
		"the usable days are not":                      func() (waste.Demand, error) { return waste.Daily([]int{1}, 0, 1) },
		"more than 1000 usable days":                   func() (waste.Demand, error) { return waste.Daily([]int{1}, 1001, 1) },
		"more than 100000 vials in one batch's life":   func() (waste.Demand, error) { return waste.Poisson(1e6, 1) },
		"a demand of more than 100000":                 func() (waste.Demand, error) { return waste.Poisson(math.Inf(1), 1) },
		"a demand of more than 100000 vials":           func() (waste.Demand, error) { return waste.Poisson(0, math.Inf(1)) },
		"batch's life: look at mean, sd and days":      func() (waste.Demand, error) { return waste.Normal(0, 1, math.Inf(1)) },
		"look at mean, sd and days":                    func() (waste.Demand, error) { return waste.Normal(1, 1e6, 1) },
		"the standard deviation is below 0":            func() (waste.Demand, error) { return waste.Normal(1, -1, 1) },
		"the history has no days":                      func() (waste.Demand, error) { return waste.Daily(nil, 1, 1) },
		"day 2 of the history has -1 vials":            func() (waste.Demand, error) { return waste.Daily([]int{3, -1}, 1, 1) },
	} {
		_, err := make()
		require.ErrorIs(t, err, waste.ErrInput, says)
		require.ErrorContains(t, err, says)
	}
	d, err := waste.Poisson(9, 1)
	require.NoError(t, err)
	for says, a := range map[string]struct {
		costs  waste.Costs
		onHand int
	}{
		"the cost of a vial left over is not above 0": {money(0, 1), 0},
		"the cost of a vial short is not above 0":     {money(1, -1), 0},
		"the number on hand is below 0":               {money(1, 1), -1},
		"the number on hand is above 100000":          {money(1, 1), 100_001},
	} {
		_, err := waste.Advise(d, a.costs, a.onHand)
		require.ErrorIs(t, err, waste.ErrInput, says)
		require.ErrorContains(t, err, says)
	}
	_, err = waste.Advise(d, money(0, 0), -1)
	for _, says := range []string{"left over", "short", "on hand"} {
		require.ErrorContains(t, err, says, "all at once")
	}
	wide, err := waste.Normal(100, 50_000, 1)
	require.NoError(t, err)
	_, err = waste.Advise(wide, money(1, 1e6), 0)
	require.ErrorContains(t, err, "more than 100000 vials to cover demand")
}

func BenchmarkAdvisePoisson(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		d, err := waste.Poisson(9, 10)
		advise(b, d, err, money(1.25, 3.5), 0)
	}
}

func BenchmarkAdviseDaily(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		d, err := waste.Daily([]int{3, 0, 5, 4, 3, 7, 2}, 10, 1)
		advise(b, d, err, money(1.25, 3.5), 0)
	}
}
