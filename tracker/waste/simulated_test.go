package waste_test

import (
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"

	"vialward/tracker/waste"
)

// invented is a product whose demand is known: to the simulation, not to what advises on it.
type invented struct {
	life, every int
	costs       waste.Costs
	past, ahead []waste.Day
}

const (
	pastDays  = 84
	aheadDays = 119
)

// invent makes a product: by chance with quiet week-ends or without, with a trend or without, regular or in bursts.
func invent(chance *rand.Rand) invented {
	x := invented{every: 1 + chance.IntN(3)}
	x.life = x.every + 1 + chance.IntN(6)
	if chance.IntN(5) == 0 {
		x.life = 1 + chance.IntN(x.every)
	}
	left := 3 + 40*chance.Float64()
	x.costs = money(left, left*(1+8*chance.Float64()))
	mean := math.Exp(chance.Float64() * math.Log(15))
	weekEnd := []float64{1, 0.6, 0.25}[chance.IntN(3)]
	growth := []float64{0, 0, 0.4, -0.4}[chance.IntN(4)] // over the whole time
	bursts := []float64{0, 0, 0.15}[chance.IntN(3)]      // variance = mean + bursts mean^2
	for d := range pastDays + aheadDays {
		day := waste.Day{Weekday: time.Weekday(d % 7)}
		m := mean * (1 + growth*(float64(d)/(pastDays+aheadDays)-0.5))
		if day.Weekday == time.Sunday || day.Weekday == time.Saturday {
			m *= weekEnd
		}
		if bursts > 0 {
			m *= distuv.Gamma{Alpha: 1 / bursts, Beta: 1 / bursts, Src: chance}.Rand()
		}
		day.Wanted = int(distuv.Poisson{Lambda: m, Src: chance}.Rand())
		if d < pastDays {
			x.past = append(x.past, day)
		} else {
			x.ahead = append(x.ahead, day)
		}
	}
	return x
}

func wantedOn(days []waste.Day) (n []int) {
	for _, d := range days {
		n = append(n, d.Wanted)
	}
	return n
}

func (x invented) run(size func(day int, onHand []int) int) waste.Replayed {
	return waste.Replay(wantedOn(x.ahead), nil, x.life, x.costs, func(day int, onHand []int) int {
		if day%x.every != 0 {
			return -1
		}
		return size(day, onHand)
	})
}

// fixed is the one size that would have cost least in the past, made whatever is on hand.
func (x invented) fixed() int {
	best, cost := 0, int64(math.MaxInt64)
	for size := range 40 * x.every {
		r := waste.Replay(wantedOn(x.past), nil, x.life, x.costs, func(day int, _ []int) int {
			if day%x.every != 0 {
				return -1
			}
			return size
		})
		if r.CostMicro < cost {
			best, cost = size, r.CostMicro
		}
	}
	return best
}

// newsvendor is the textbook's size: Poisson with the mean of the past, over the days until the next batch or as long as
// a vial keeps, less what is on hand.
func (x invented) newsvendor(t *testing.T, days int) func(int, []int) int {
	mean := 0.0
	for _, n := range wantedOn(x.past) {
		mean += float64(n) / pastDays
	}
	d, err := waste.Poisson(mean, float64(days))
	require.NoError(t, err)
	a, err := waste.Advise(d, x.costs, 0)
	require.NoError(t, err)
	return func(_ int, onHand []int) int {
		n := a.Size
		for _, k := range onHand {
			n -= k
		}
		return max(0, n)
	}
}

func (x invented) advised(t *testing.T) func(int, []int) int {
	return func(day int, onHand []int) int {
		s, err := waste.Suggest(waste.Question{
			Past: slices.Concat(x.past, x.ahead[:day])[day:], First: x.ahead[day].Weekday, LifeDays: x.life, EveryDays: x.every,
			OnHand: onHand, Costs: x.costs, Seed: uint64(day), Draws: 1000,
		})
		require.NoError(t, err)
		return s.Size
	}
}

// 50 products and more, each made for by four ways of choosing a size over the same demand: by the advice, by the fixed
// size that would have cost least before, and by the textbook's newsvendor over the interval and over the life. Of
// products that outlive an interval the advice wastes at least 30 % less than fixed sizes with no more short stock, and a
// set of 50 never costs more by it than by either newsvendor. Product by product, beside the cheaper of the two and over
// one run of four months, some cost more than 2 % more, most of them with a life no longer than the interval, where 84 days
// are little to learn a distribution from: they are printed, and there may be 8 of 50.
func TestSimulatedProducts(t *testing.T) {
	t.Parallel()
	seeds := uint64(1)
	if os.Getenv("VIALWARD_LONG") != "" {
		seeds = 12
	}
	for seed := range seeds {
		chance := rand.New(rand.NewPCG(seed, 50)) //nolint:gosec // chance that can be had again
		var fixed, advised waste.Replayed         // of products that outlive an interval
		var cost, interval, life int64
		dearer := 0
		for i := range 50 {
			x := invent(chance)
			size := x.fixed()
			a, s := x.run(func(int, []int) int { return size }), x.run(x.advised(t))
			n, l := x.run(x.newsvendor(t, min(x.every, x.life))), x.run(x.newsvendor(t, x.life))
			if x.life > x.every {
				fixed.LeftOver, fixed.Short = fixed.LeftOver+a.LeftOver, fixed.Short+a.Short
				advised.LeftOver, advised.Short = advised.LeftOver+s.LeftOver, advised.Short+s.Short
			}
			cost, interval, life = cost+s.CostMicro, interval+n.CostMicro, life+l.CostMicro
			if least := min(n.CostMicro, l.CostMicro); 50*(s.CostMicro-least) > least {
				dearer++
				t.Logf("seed %d, product %d, life %d days, a batch every %d: advised %+v, newsvendor %+v or %+v", seed, i, x.life, x.every, s, n, l)
			}
		}
		t.Logf("seed %d: left over and short by fixed sizes %d, %d, as advised %d, %d; cost as advised %d, by newsvendor %d, %d; %d of 50 dearer by more than 2 %%",
			seed, fixed.LeftOver, fixed.Short, advised.LeftOver, advised.Short, cost/waste.Micro, interval/waste.Micro, life/waste.Micro, dearer)
		require.LessOrEqual(t, 10*advised.LeftOver, 7*fixed.LeftOver, "seed %d", seed)
		require.LessOrEqual(t, advised.Short, fixed.Short, "seed %d", seed)
		require.LessOrEqual(t, cost, min(interval, life), "seed %d", seed)
		require.LessOrEqual(t, dearer, 8, "seed %d", seed)
	}
}
