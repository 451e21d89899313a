package waste

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"time"
)

// Day of a product's past, as the record has it.
type Day struct {
	Weekday time.Weekday
	Wanted  int  // vials handed out, and those recorded as wanted and not there
	RanOut  bool // there was none for part of the day: more may have been wanted
	Out     bool // there was none all day, and nobody wrote down that any was wanted: it says nothing
}

const (
	leastDays    = 14   // fewer known days say nothing of tomorrow
	faintest     = 0.05 // level below which a day of the past stands for no other
	alike        = 0.67 // a day stands for one that asks for more only from this part of its level on
	leastAlike   = 8    // with fewer alike ones, all stand for it
	trendAtMost  = 2.0  // a trend moves the level by no more than this factor from the mean
	mostRepeated = 50
)

// pattern is what a product's past says of days to come: how much each weekday asks for beside the mean, and how the
// level moved.
type pattern struct {
	days    []Day
	level   []float64 // of each day, 1 = the mean over the past
	weekday [7]float64
	trend   float64 // level of the day after the last, 1 = the mean
	mean    float64 // vials a day

	known []int     // indices of days whose demand is known in full, in the order of ratio
	ratio []float64 // their demand over their level
	ran   int
}

// patternOf reads a past. Days out of stock are left out; one that ran out stands for those on which at least as much was
// wanted (each such day's weight goes to the days above it: Efron's redistribution, from memory, M).
//
// Weekdays and trend are believed as far as they stand out of chance: with k weekdays and X2 Pearson's measure of how far
// they lie from one another, (1 - (k-1)/X2) of each one's distance from the mean is kept, none where that is below 0, and
// of a slope (1 - 1/t^2) (positive-part shrinkage after James and Stein, from memory, M; held by simulation in the tests).
func patternOf(past []Day) (pattern, error) {
	p := pattern{trend: 1}
	for i, d := range past {
		if d.Wanted < 0 || d.Wanted > MostVials {
			return p, fmt.Errorf("%w: on day %d of the past %d vials were wanted: a count lies from 0 to %d", ErrInput, i+1, d.Wanted, MostVials)
		}
		if d.Out {
			continue
		}
		if d.RanOut {
			p.ran++
		}
		p.days = append(p.days, d)
	}
	if len(p.days) < leastDays {
		return p, fmt.Errorf("%w: there were vials of it on %d of %d days on record; %d are needed to say anything of tomorrow", ErrInput, len(p.days), len(past), leastDays)
	}
	full := p.filled()
	for _, w := range full {
		p.mean += w / float64(len(full))
	}
	p.byWeekday(full)
	p.byTrend(full)
	p.known, p.ratio = nil, nil
	for i, d := range p.days {
		if !d.RanOut && p.level[i] >= faintest {
			p.known = append(p.known, i)
		}
	}
	of := func(i int) float64 { return float64(p.days[i].Wanted) / p.level[i] }
	slices.SortStableFunc(p.known, func(a, b int) int {
		switch x, y := of(a), of(b); {
		case x < y:
			return -1
		case x > y:
			return 1
		}
		return 0
	})
	for _, i := range p.known {
		p.ratio = append(p.ratio, of(i))
	}
	return p, nil
}

// filled is the demand of each day; where stock ran out, the mean of those days on which at least as much was wanted.
func (p *pattern) filled() []float64 {
	full := make([]float64, len(p.days))
	for i, d := range p.days {
		full[i] = float64(d.Wanted)
		if !d.RanOut {
			continue
		}
		sum, n := 0, 0
		for _, o := range p.days {
			if !o.RanOut && o.Wanted >= d.Wanted {
				sum, n = sum+o.Wanted, n+1
			}
		}
		if n > 0 {
			full[i] = float64(sum) / float64(n)
		}
	}
	return full
}

// byWeekday sets what each weekday asks for beside the mean.
func (p *pattern) byWeekday(full []float64) {
	var sum, n [7]float64
	for i, d := range p.days {
		sum[d.Weekday] += full[i]
		n[d.Weekday]++
	}
	kinds, between, within := 0.0, 0.0, 0.0
	for w := range 7 {
		p.weekday[w] = 1
		if n[w] > 0 && p.mean > 0 {
			p.weekday[w] = sum[w] / n[w] / p.mean
			kinds++
			between += n[w] * (p.weekday[w] - 1) * (p.weekday[w] - 1) * p.mean
		}
	}
	for i, d := range p.days {
		if expected := p.mean * p.weekday[d.Weekday]; expected > 0 {
			within += (full[i] - expected) * (full[i] - expected) / expected
		}
	}
	spread := 1.0 // of counts around their expectation; 1 = as by chance alone
	if free := float64(len(full)) - kinds; free > 0 {
		spread = max(1, within/free)
	}
	kept := 0.0
	if between > 0 {
		kept = max(0, 1-(kinds-1)*spread/between)
	}
	p.level = make([]float64, len(p.days))
	for w := range p.weekday {
		p.weekday[w] = 1 + kept*(p.weekday[w]-1)
	}
	for i, d := range p.days {
		p.level[i] = p.weekday[d.Weekday]
	}
}

// byTrend fits a line through the demand of each day beside its weekday's, and moves the levels along it.
func (p *pattern) byTrend(full []float64) {
	if p.mean == 0 {
		return
	}
	middle, sxx, sxy, left := float64(len(full)-1)/2, 0.0, 0.0, 0.0
	rate := func(i int) float64 { return full[i] / p.mean / max(p.level[i], faintest) }
	for i := range full {
		x := float64(i) - middle
		sxx, sxy = sxx+x*x, sxy+x*(rate(i)-1)
	}
	slope := sxy / sxx
	for i := range full {
		r := rate(i) - 1 - slope*(float64(i)-middle)
		left += r * r
	}
	if t2 := slope * slope * sxx * float64(len(full)-2) / max(left, 1e-12); t2 > 1 {
		slope *= 1 - 1/t2
	} else {
		slope = 0
	}
	at := func(i int) float64 {
		return math.Min(trendAtMost, math.Max(1/trendAtMost, 1+slope*(float64(i)-middle)))
	}
	for i := range full {
		p.level[i] *= at(i)
	}
	p.trend = at(len(full))
}

// expected is how many vials a day of this weekday asks for, on average.
func (p *pattern) expected(w time.Weekday) float64 { return p.mean * p.weekday[w] * p.trend }

// source is what a day to come is drawn from.
type source struct {
	level float64
	from  []int // days of the past
}

func (p *pattern) sourceOf(w time.Weekday) source {
	s := source{level: p.weekday[w] * p.trend}
	var all []int
	for i, l := range p.level {
		if l < faintest {
			continue
		}
		all = append(all, i)
		if l >= alike*s.level {
			s.from = append(s.from, i)
		}
	}
	if len(s.from) < leastAlike {
		s.from = all
	}
	return s
}

// draw is the demand of a day to come: that of a day of the past with chance leaving out as many as its level is higher;
// where it is lower, another one makes up for what is missing.
func (p *pattern) draw(s source, chance *splitMix) (vials int) {
	need := s.level
	for n := 0; len(s.from) > 0 && need > 0 && n < mostRepeated; n++ {
		i := s.from[chance.below(len(s.from))]
		if p.days[i].RanOut {
			above := sort.SearchFloat64s(p.ratio, float64(p.days[i].Wanted)/p.level[i])
			if above < len(p.known) {
				i = p.known[above+chance.below(len(p.known)-above)]
			}
		}
		if need >= p.level[i] {
			vials += p.days[i].Wanted
		} else {
			part := uint64(need / p.level[i] * (1 << 32))
			for range p.days[i].Wanted {
				if chance.next()>>32 < part {
					vials++
				}
			}
		}
		need -= p.level[i]
	}
	return vials
}
