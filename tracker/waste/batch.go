package waste

import (
	"errors"
	"fmt"
	"time"
)

// Question is how many vials of a product to prepare in the next batch.
type Question struct {
	Past      []Day // oldest first; the last one is the day before the batch is there
	First     time.Weekday
	LifeDays  int   // days the batch serves, its first one included
	EveryDays int   // days until the next batch is there
	OnHand    []int // vials that can be handed out, by the last day on which they can: 0 = the batch's first
	Minimum   int   // that shall be there when the next batch comes: a pharmacist's, for critical drugs
	Costs     Costs
	Seed      uint64
	Draws     int // 0 = batchDraws
}

const (
	batchDraws    = 4000 // an expected number is good to a few hundredths of its spread
	mostBatchLife = 400
)

// Choice is what preparing so many comes to, on average.
type Choice struct {
	Size      int
	LeftOver  float64 // vials of this batch, when its life is over
	Short     float64 // vials wanted and not there, until the next batch is
	WasteRate float64 // LeftOver / Size; 0 of none
	Cost      float64 // of both, in the site's money
}

// Sensitive is the size that costs least if a cost were another.
type Sensitive struct {
	What string
	Size int
}

// Suggestion is the answer.
type Suggestion struct {
	Size       int  // the cheapest, or more where the minimum asks for it
	Cheapest   int  // costs least on average
	ForMinimum bool // the minimum made it more

	Table       []Choice // from 0 to at least twice Size
	Sensitivity []Sensitive
	UntilNext   float64 // vials wanted until the next batch is there, on average
	OverLife    float64 // in the days the batch serves
	OldLeftOver float64 // of those on hand
	MeanPerDay  float64 // over the past
	Trend       float64 // level of today beside that mean
	KnownDays   int
	DaysOut     int // left out
	DaysRanOut  int
	Draws       int
	Seed        uint64
}

// drawn is one way in which things may go, of which every size's fate follows: the vials of a new batch that are wanted
// in its life and until the next one is there, and those that are wanted when it is over already.
type drawn struct{ inLife, untilNext, after int }

// Suggest draws the days to come from those of the past, again and again, and hands out oldest first. Whatever is made
// later goes out later, so that what is left over of this batch does not depend on later ones; what is short until the
// next batch is there does not either. The cost of a size is therefore
//
//	cost left over x E(size - wanted in its life)+  +  cost short x (E(wanted until the next - size)+ + wanted after its life)
//
// which is convex: the smallest size of least cost is the answer. A life no longer than the interval makes it the
// newsvendor problem of that life. All days are alike in this: a vial that ends in the course of a day serves up to the
// day before. Chance comes from the seed.
func Suggest(q Question) (Suggestion, error) {
	if err := q.check(); err != nil {
		return Suggestion{}, err
	}
	p, err := patternOf(q.Past)
	if err != nil {
		return Suggestion{}, err
	}
	s := Suggestion{
		MeanPerDay: p.mean, Trend: p.trend, KnownDays: len(p.days), DaysOut: len(q.Past) - len(p.days), DaysRanOut: p.ran,
		Draws: q.Draws, Seed: q.Seed,
	}
	if s.Draws == 0 {
		s.Draws = batchDraws
	}
	all := q.draw(p, &s)
	t := fatesOf(all)
	s.Cheapest = t.cheapest(q.Costs)
	s.Size = s.Cheapest
	if least := q.forMinimum(); least > s.Size {
		s.Size, s.ForMinimum = least, true
	}
	for size := 0; size <= max(2*s.Size, leastRows); size++ {
		s.Table = append(s.Table, t.choice(size, q.Costs))
	}
	for _, x := range []struct {
		what        string
		left, short int64 // tenths
	}{
		{"a vial left over costs half as much", 5, 10},
		{"a vial left over costs twice as much", 20, 10},
		{"a vial short costs half as much", 10, 5},
		{"a vial short costs twice as much", 10, 20},
	} {
		c := Costs{q.Costs.LeftOverMicro * x.left, q.Costs.ShortMicro * x.short}
		s.Sensitivity = append(s.Sensitivity, Sensitive{x.what, max(t.cheapest(c), q.forMinimum())})
	}
	return s, nil
}

func (q Question) check() error {
	const mostMoney = 1_000_000_000 * Micro // a cost that can be doubled and summed
	var wrong []error
	say := func(bad bool, format string, args ...any) {
		if bad {
			wrong = append(wrong, fmt.Errorf("%w: %s", ErrInput, fmt.Sprintf(format, args...)))
		}
	}
	say(q.Costs.LeftOverMicro <= 0, "the cost of a vial left over is not above 0: give the product's cost")
	say(q.Costs.ShortMicro <= 0, "the cost of a vial short is not above 0: say what a vial costs that is wanted and not there")
	say(max(q.Costs.LeftOverMicro, q.Costs.ShortMicro) > mostMoney, "a cost is above %d: look at the figures", mostMoney/Micro)
	say(q.LifeDays <= 0, "a batch serves no day: its life less the margin of its destination is over before it begins")
	say(q.EveryDays <= 0, "the next batch comes after 0 days: give the days between two batches, 1 or more")
	say(max(q.LifeDays, q.EveryDays) > mostBatchLife, "a batch serves, or the next one comes after, more than %d days: look at the figures", mostBatchLife)
	say(q.Minimum < 0 || q.Minimum > MostVials, "the minimum lies from 0 to %d", MostVials)
	for _, n := range q.OnHand {
		say(n < 0 || n > MostVials, "the number on hand lies from 0 to %d: count what is there", MostVials)
	}
	return errors.Join(wrong...)
}

// forMinimum is the size that the minimum asks for: what is on hand and ends before the next batch is there does not
// count, nor does a batch that will have ended itself.
func (q Question) forMinimum() int {
	if q.LifeDays < q.EveryDays {
		return q.Minimum
	}
	stays := 0
	for last, n := range q.OnHand {
		if last >= q.EveryDays-1 {
			stays += n
		}
	}
	return max(0, q.Minimum-stays)
}

// draw hands out what is on hand, the earliest first, on each of many runs of days; what it does not meet is left to the
// batch.
func (q Question) draw(p pattern, s *Suggestion) []drawn {
	days := max(q.LifeDays, q.EveryDays)
	sources := make([]source, days)
	for d := range days {
		w := time.Weekday((int(q.First) + d) % 7)
		sources[d] = p.sourceOf(w)
		if d < q.EveryDays {
			s.UntilNext += p.expected(w)
		}
		if d < q.LifeDays {
			s.OverLife += p.expected(w)
		}
	}
	chance := splitMix(q.Seed)
	all := make([]drawn, s.Draws)
	old := make([]int, len(q.OnHand))
	leftOver := 0
	for i := range all {
		copy(old, q.OnHand)
		x := &all[i]
		for d := range days {
			wanted := p.draw(sources[d], &chance)
			for k := d; k < len(old) && wanted > 0; k++ {
				n := min(old[k], wanted)
				old[k], wanted = old[k]-n, wanted-n
			}
			switch {
			case d < q.LifeDays:
				x.inLife += wanted
				if d < q.EveryDays {
					x.untilNext += wanted
				}
			case d < q.EveryDays:
				x.after += wanted
			}
		}
		for _, n := range old {
			leftOver += n
		}
	}
	s.OldLeftOver = float64(leftOver) / float64(s.Draws)
	return all
}

// fates counts ways by how much they want, so that every size is looked at without going through them again.
type fates struct {
	ways              int
	inLife, untilNext []int // ways that want so many
	wantedUntilNext   int   // sum of all ways
	after             int   // sum
}

func fatesOf(all []drawn) fates {
	most := 0
	for _, x := range all {
		most = max(most, x.inLife, x.untilNext)
	}
	t := fates{ways: len(all), inLife: make([]int, most+1), untilNext: make([]int, most+1)}
	for _, x := range all {
		t.inLife[x.inLife]++
		t.untilNext[x.untilNext]++
		t.wantedUntilNext += x.untilNext
		t.after += x.after
	}
	return t
}

// cheapest is the smallest size from which one vial more does not make it cheaper: in whole numbers, so that a tie is a
// tie.
func (t fates) cheapest(c Costs) int {
	metInLife, stillShort := 0, t.ways
	for size := range t.inLife {
		metInLife += t.inLife[size]     // ways in which one more than size is left over
		stillShort -= t.untilNext[size] // ways in which one more than size is wanted
		if float64(stillShort)*float64(c.ShortMicro) <= float64(metInLife)*float64(c.LeftOverMicro) {
			return size
		}
	}
	return len(t.inLife) - 1
}

func (t fates) choice(size int, c Costs) Choice {
	left, short := 0, t.after
	for n, ways := range t.inLife {
		left += ways * max(0, size-n)
	}
	for n, ways := range t.untilNext {
		short += ways * max(0, n-size)
	}
	x := Choice{Size: size, LeftOver: float64(left) / float64(t.ways), Short: float64(short) / float64(t.ways)}
	if size > 0 {
		x.WasteRate = x.LeftOver / float64(size)
	}
	x.Cost = (x.LeftOver*float64(c.LeftOverMicro) + x.Short*float64(c.ShortMicro)) / Micro
	return x
}
