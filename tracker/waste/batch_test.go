package waste_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/waste"
)

// weeks is a past on each day of which so many were wanted, again and again, from a Monday on.
func weeks(n int, wanted ...int) (days []waste.Day) {
	for i := range 7 * n {
		days = append(days, waste.Day{Weekday: time.Weekday((i + 1) % 7), Wanted: wanted[i%len(wanted)]})
	}
	return days
}

// question is about a product of which five a day are wanted, that keeps for three days and is made each day.
func question() waste.Question {
	return waste.Question{Past: weeks(8, 5), First: time.Monday, LifeDays: 3, EveryDays: 1, Costs: money(10, 40), Seed: 1}
}

func suggest(t *testing.T, change func(*waste.Question)) waste.Suggestion {
	t.Helper()
	q := question()
	change(&q)
	s, err := waste.Suggest(q)
	require.NoError(t, err)
	return s
}

// Where every day is alike nothing is left to chance, and the answer can be said in advance.
func TestSuggestWhereNothingIsLeftToChance(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*waste.Question)
		size   int
	}{
		"a day's demand until the next batch":                     {func(*waste.Question) {}, 5},
		"two days until the next":                                 {func(q *waste.Question) { q.EveryDays = 2 }, 10},
		"over before the next batch: what comes after is short":   {func(q *waste.Question) { q.EveryDays = 7 }, 15},
		"what is on hand goes out first":                          {func(q *waste.Question) { q.OnHand = []int{2, 1} }, 2},
		"more on hand than is wanted":                             {func(q *waste.Question) { q.OnHand = []int{0, 0, 9} }, 0},
		"what ends today serves today only":                       {func(q *waste.Question) { q.OnHand, q.EveryDays = []int{9}, 2 }, 5},
		"a minimum":                                               {func(q *waste.Question) { q.Minimum = 8 }, 8},
		"a minimum, with on hand what is there tomorrow too":      {func(q *waste.Question) { q.OnHand, q.EveryDays, q.Minimum = []int{9, 3}, 2, 20 }, 17},
		"nothing was ever wanted":                                 {func(q *waste.Question) { q.Past = weeks(8, 0) }, 0},
		"nothing was ever wanted, and some shall always be there": {func(q *waste.Question) { q.Past, q.Minimum = weeks(8, 0), 4 }, 4},
	} {
		s := suggest(t, c.change)
		require.Equal(t, c.size, s.Size, name)
		require.GreaterOrEqual(t, len(s.Table), 2*s.Size+1, name)
	}
	s := suggest(t, func(q *waste.Question) { q.EveryDays = 7 })
	require.Equal(t, waste.Choice{Size: 15, Short: 20, Cost: 800}, s.Table[15])
	require.Equal(t, waste.Choice{Size: 20, LeftOver: 5, Short: 20, WasteRate: 0.25, Cost: 850}, s.Table[20])
	require.InDelta(t, 35, s.UntilNext, 1e-9)
	require.InDelta(t, 15, s.OverLife, 1e-9)
	s = suggest(t, func(q *waste.Question) { q.OnHand = []int{9} })
	require.InDelta(t, 4, s.OldLeftOver, 0)
	s = suggest(t, func(q *waste.Question) { q.Minimum = 8 })
	require.True(t, s.ForMinimum)
	require.Equal(t, 5, s.Cheapest)
}

// The same question has the same answer; a life as long as the interval makes it the newsvendor problem of that life.
func TestSuggestIsTheNewsvendorWhereABatchServesItsInterval(t *testing.T) {
	past := weeks(8, 3, 0, 5, 4, 3, 7, 2, 6, 1, 4, 4, 2, 5) // 13 days: no weekday has a habit
	s := suggest(t, func(q *waste.Question) { q.Past, q.LifeDays, q.EveryDays, q.Draws = past, 2, 2, 40_000 })
	require.Equal(t, s, suggest(t, func(q *waste.Question) { q.Past, q.LifeDays, q.EveryDays, q.Draws = past, 2, 2, 40_000 }))
	require.Equal(t, 40_000, s.Draws, "as asked, and said")
	var n []int
	for _, d := range past {
		n = append(n, d.Wanted)
	}
	d, err := waste.Daily(n, 2, 5)
	require.NoError(t, err)
	a := advise(t, d, err, money(10, 40), 0)
	require.Equal(t, a.Size, s.Size)
	for i, row := range a.Table[:len(a.Table)-1] {
		require.InDelta(t, row.LeftOver, s.Table[i].LeftOver, 0.15)
		require.InDelta(t, row.Short, s.Table[i].Short, 0.15)
	}
}

// Quiet week-ends are seen, a rising demand is followed, and neither is where there is only chance.
func TestSuggestSeesHabitAndTrend(t *testing.T) {
	habit := weeks(8, 12, 12, 12, 12, 12, 2, 2)
	one := func(q *waste.Question) { q.Past, q.LifeDays = habit, 1 }
	require.Equal(t, 12, suggest(t, one).Size)
	require.InDelta(t, 2, suggest(t, func(q *waste.Question) { one(q); q.First = time.Saturday }).Size, 1)
	s := suggest(t, func(q *waste.Question) { one(q); q.First, q.LifeDays, q.EveryDays = time.Friday, 3, 3 })
	require.InDelta(t, 16, s.UntilNext, 0.7)

	rising := weeks(8, 10)
	for i := range rising {
		rising[i].Wanted += i / 4 // 10 to 23
	}
	s = suggest(t, func(q *waste.Question) { q.Past = rising })
	require.InDelta(t, 24, s.UntilNext, 1)
	require.InDelta(t, 1.45, s.Trend, 0.06)
	require.InDelta(t, 1, suggest(t, func(q *waste.Question) { q.Past = weeks(8, 3, 5, 4, 6, 2) }).Trend, 0.05)
}

// A day without stock is no day without demand, and one that ran out stands for days on which at least as much was wanted.
func TestSuggestDoesNotTakeEmptyShelvesForNoDemand(t *testing.T) {
	past := weeks(8, 5)
	for i := range past {
		if i%2 == 0 {
			past[i].Wanted, past[i].Out = 0, true
		}
	}
	s := suggest(t, func(q *waste.Question) { q.Past = past })
	require.Equal(t, 5, s.Size)
	require.Equal(t, []int{28, 28}, []int{s.KnownDays, s.DaysOut})

	past = weeks(8, 6)
	for i := range past {
		if i%2 == 0 {
			past[i].Wanted, past[i].RanOut = 2, true
		}
	}
	s = suggest(t, func(q *waste.Question) { q.Past = past })
	require.Equal(t, 6, s.Size)
	require.Equal(t, 28, s.DaysRanOut)
	require.InDelta(t, 6, s.MeanPerDay, 1e-9)
}

// A dearer vial left over never asks for more, a dearer vial short never for fewer.
func TestSensitivityOfTheSize(t *testing.T) {
	s := suggest(t, func(q *waste.Question) {
		q.Past, q.Costs = weeks(9, 3, 0, 5, 4, 3, 7, 2, 6, 1, 4, 4, 2, 5), money(10, 15)
	})
	size := map[string]int{}
	for _, x := range s.Sensitivity {
		size[x.What] = x.Size
	}
	require.Len(t, size, 4)
	require.LessOrEqual(t, size["a vial left over costs twice as much"], s.Size)
	require.GreaterOrEqual(t, size["a vial left over costs half as much"], s.Size)
	require.LessOrEqual(t, size["a vial short costs half as much"], s.Size)
	require.Greater(t, size["a vial short costs twice as much"], size["a vial short costs half as much"])
}

func TestSuggestSaysWhatIsWrong(t *testing.T) {
	for want, change := range map[string]func(*waste.Question){
		"cost of a vial left over is not above 0":   func(q *waste.Question) { q.Costs.LeftOverMicro = 0 },
		"cost of a vial short is not above 0":       func(q *waste.Question) { q.Costs.ShortMicro = -5 },
		"a cost is above":                           func(q *waste.Question) { q.Costs.ShortMicro = 1 << 60 },
		"is over before it begins":                  func(q *waste.Question) { q.LifeDays = 0 },
		"the next batch comes after 0 days":         func(q *waste.Question) { q.EveryDays = 0 },
		"more than 400 days":                        func(q *waste.Question) { q.LifeDays = 4000 },
		"the minimum lies from 0":                   func(q *waste.Question) { q.Minimum = -1 },
		"count what is there":                       func(q *waste.Question) { q.OnHand = []int{1, -1} },
		"on 0 of 0 days on record; 14 are needed":   func(q *waste.Question) { q.Past = nil },
		"on 13 of 13 days on record; 14 are needed": func(q *waste.Question) { q.Past = weeks(2, 5)[:13] },
		"on day 3 of the past -1 vials":             func(q *waste.Question) { q.Past[2].Wanted = -1 },
	} {
		q := question()
		change(&q)
		_, err := waste.Suggest(q)
		require.ErrorIs(t, err, waste.ErrInput, want)
		require.ErrorContains(t, err, want)
	}
}

// Every vial of a replay is handed out, left over or still there, and every wish is met or short; the oldest goes first.
func TestReplayAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		wanted := rapid.SliceOfN(rapid.IntRange(0, 9), 0, 40).Draw(t, "wanted")
		onHand := rapid.SliceOfN(rapid.IntRange(0, 9), 0, 6).Draw(t, "on hand")
		made := rapid.SliceOfN(rapid.IntRange(-1, 12), len(wanted), len(wanted)).Draw(t, "made")
		c := money(3, 7)
		r := waste.Replay(wanted, onHand, rapid.IntRange(1, 8).Draw(t, "life"), c, func(day int, _ []int) int { return made[day] })
		there, asked := r.Made, 0
		for _, n := range onHand {
			there += n
		}
		for _, n := range wanted {
			asked += n
		}
		if there != r.HandedOut+r.LeftOver+r.Remaining || asked != r.HandedOut+r.Short {
			t.Fatalf("%d were there and %d asked for: %+v", there, asked, r)
		}
		if r.CostMicro != int64(r.LeftOver)*c.LeftOverMicro+int64(r.Short)*c.ShortMicro {
			t.Fatalf("cost %+v", r)
		}
	})
	r := waste.Replay([]int{4, 4, 4}, []int{3}, 2, money(1, 1), func(day int, _ []int) int { return []int{6, -1, 2}[day] })
	require.Equal(t, waste.Replayed{Made: 8, HandedOut: 10, LeftOver: 1, Short: 2, CostMicro: 3 * waste.Micro}, r, "three old ones and one new; four, and one ends; two are missing")
}
