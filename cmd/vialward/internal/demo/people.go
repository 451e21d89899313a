package demo

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// recipe is how the site makes and needs one product. Days of the week count from Sunday.
type recipe struct {
	code     string
	size     int
	days     []time.Weekday
	weekday  float64 // asked for a day, on average
	weekend  float64
	home     string // where a batch goes
	area     string
	maker    string
	to       string // who asks for it; "" = either
	vialsFor func(n int) int
	loss     int64 // microlitres beyond the fills, in a pool that is made up to volume; 0 = as dissolved
}

func each(n int) int { return n }

var recipes = []recipe{
	{"HYDC", 16, week(1, 4), 4.2, 2.5, "R1/A", "PA-1", "tech-1", "", each, 0},
	{"METH", 12, week(2, 5), 3.1, 1.2, "R3/A", "PA-1", "tech-1", "", func(n int) int { return 2 * n }, 0},
	{"PANT", 20, week(1, 3, 5), 6.0, 4.8, "R1/B", "PA-1", "tech-2", "WARD-5E", each, 0},
	{"MICA", 6, week(1, 3, 5, 0), 2.6, 1.8, "R1/C", "PA-1", "tech-1", "", each, 0},
	{"GANC", 8, week(3), 1.0, 0.5, "R6/A", "PA-2", "tech-2", "DAY-UNIT", func(n int) int { return (n + 4) / 5 }, 2_000},
	{"BORT", 8, week(1, 4), 2.3, 0, "R6/B", "PA-2", "tech-2", "DAY-UNIT", each, 0},
	{"ALTE", 6, week(1, 2, 3, 4, 5), 5.6, 0, "R2/B", "PA-1", "tech-1", "DAY-UNIT", each, 0},
	{"VECU", 14, week(2, 6), 3.4, 2.4, "R1/C", "PA-1", "tech-2", "", each, 0},
}

func week(days ...time.Weekday) []time.Weekday { return days }

func (r recipe) on(day int) bool { return slices.Contains(r.days, date(day).Weekday()) }

func (r recipe) mean(day int) float64 {
	if weekend(day) {
		return r.weekend
	}
	return r.weekday
}

func recipeOf(code string) recipe {
	return recipes[slices.IndexFunc(recipes, func(r recipe) bool { return r.code == code })]
}

// verifier is the pharmacist of a day.
func verifier(day int) string {
	if weekend(day) {
		return "rph-2"
	}
	return "rph-1"
}

// making is one batch under way.
type making struct {
	recipe
	day   int
	count int
	start time.Time // when it began
	told  time.Time // what the record was told; zero = the same
	order string
}

// prepare plans a batch: mixed, counted, labelled, checked by another person, placed.
func (s *Story) prepare(m making) {
	done := m.start.Add(35 * time.Minute)
	var batch string
	var vials []string
	maker, pharmacist := s.who(m.maker), s.who(verifier(m.day))
	s.plan(done, "preparing "+m.code, func(ctx context.Context) error {
		told := m.told
		if told.IsZero() {
			told = m.start
		}
		p, err := s.t.Prepare(ctx, Site, maker, m.written(s, told, done))
		if err != nil {
			return err
		}
		batch, vials = p.Batch.Code, codes(p.Vials)
		if key := (batchKey{m.code, m.day}); s.batches[key] == "" {
			s.batches[key] = batch
		}
		return nil
	})
	s.plan(done.Add(6*time.Minute), "labelling "+m.code, func(ctx context.Context) error {
		_, err := s.t.Label(ctx, Site, maker, vials, time.Time{})
		return err
	})
	if !m.told.IsZero() {
		s.plan(done.Add(14*time.Minute), "a wrong start found", func(ctx context.Context) error { return s.madeAnew(ctx, m, batch, vials) })
		return
	}
	s.plan(done.Add(14*time.Minute), "checking "+m.code, func(ctx context.Context) error {
		_, err := s.t.Verify(ctx, Site, pharmacist, vials, time.Time{})
		return err
	})
	s.plan(done.Add(18*time.Minute), "placing "+m.code, func(ctx context.Context) error {
		_, err := s.t.Place(ctx, Site, maker, tracker.Place{Vials: vials, To: m.home})
		return err
	})
	s.plan(done.Add(25*time.Minute), "closing "+m.code, func(ctx context.Context) error {
		_, err := s.t.CloseBatch(ctx, Site, maker, batch, m.closing(s, len(vials)))
		return err
	})
}

// closing is the end of a batch: the vials it made, a syringe for each source vial and three more, and of a pool that was
// made up to volume what was left in it.
func (m making) closing(s *Story, made int) tracker.CloseBatch {
	p, _ := s.product(m.code)
	left := stock.Microlitres(m.loss * 3 / 4)
	c := tracker.CloseBatch{Filled: made, Left: &left, Disposed: []stock.Disposal{
		{What: stock.SourceVials, Count: m.vialsFor(made)}, {What: stock.Sharps, Count: m.vialsFor(made) + 3}, {What: stock.Residue, Volume: left},
	}}
	if p.TwoPersons {
		c.Witness = map[string]string{"tech-1": "tech-2", "tech-2": "tech-1"}[m.maker]
	}
	return c
}

// written is the batch's record.
func (m making) written(s *Story, start, done time.Time) tracker.Prepare {
	p, _ := s.product(m.code)
	year, month, _ := date(m.day).Date()
	out := tracker.Prepare{Product: m.code, Count: m.count, Area: m.area, StartedAt: start, CompletedAt: done, Order: m.order}
	for i, c := range p.Components {
		expires := fmt.Sprintf("%d-%02d", year+1, 1+(int(month)+3*i)%12)
		out.Components = append(out.Components, stock.Component{Name: c.Name, Lot: fmt.Sprintf("%c%d%03d", 'D'+byte(i), int(month), m.day/9*9+len(c.Name)), Maker: "maker (invented)", Expires: expires})
	}
	mix := &tracker.Mix{SourceVials: m.vialsFor(m.count)}
	if m.loss > 0 { // less is drawn from the source vials than they hold: the rest is thrown away with them
		powder := p.Components[0]
		pool := p.Volume*stock.Microlitres(m.count) + stock.Microlitres(m.loss)
		each := stock.Microlitres(int64(pool) * int64(p.Amount) / int64(p.Volume) * int64(powder.Dissolve) / int64(powder.PerVial) / int64(mix.SourceVials))
		mix.BringTo, mix.Withdrawn, mix.ToleranceMilliPercent = &pool, &each, 20_000
	}
	out.Mix = mix
	part := done.Sub(start) / time.Duration(len(tracker.Steps())+1)
	for i, name := range tracker.Steps() {
		out.Steps = append(out.Steps, tracker.StepDone{Name: name, By: m.maker, At: start.Add(time.Duration(i+1) * part)})
	}
	return out
}

func (s *Story) product(code string) (stock.Product, bool) {
	i := slices.IndexFunc(s.set.Products, func(p stock.Product) bool { return p.Code == code })
	if i < 0 {
		return stock.Product{}, false
	}
	return s.set.Products[i], true
}

// demand plans a day's orders. Draws are made now, so that what happens in between changes no order.
func (s *Story) demand(day int, r *rand.Rand) {
	const open = 10
	minutes := (lastHour(day)+1-open)*60 - 20
	for _, p := range recipes {
		for range poisson(r, p.mean(day)) {
			at := s.at(day, open, 0).Add(time.Duration(r.IntN(minutes*60)) * time.Second)
			to := p.to
			if to == "" {
				to = []string{"WARD-5E", "DAY-UNIT"}[r.IntN(2)]
			}
			order := fmt.Sprintf("%c%05d", to[0], 10_000+r.IntN(80_000))
			s.plan(at, "an order of "+p.code, func(ctx context.Context) error { return s.serve(ctx, "tech-2", p.code, to, order) })
		}
	}
}

// poisson by multiplying chances (Knuth's way; for the small means here).
func poisson(r *rand.Rand, mean float64) int {
	limit, p := exp(-mean), 1.0
	for k := 0; ; k++ {
		if p *= r.Float64(); p < limit {
			return k
		}
	}
}

// serve issues the vial that ends first. One that turns out to be on hold is left, and the next is taken.
func (s *Story) serve(ctx context.Context, by, product, to, order string) error {
	vials, err := s.find(ctx, tracker.VialQuery{Product: product, States: []stock.State{stock.Available}})
	if err != nil {
		return err
	}
	slices.SortStableFunc(vials, func(a, b stock.Vial) int { return a.BUD.Compare(b.BUD) })
	for _, v := range vials {
		if !s.clock.Now().Before(v.BUD) || v.Unit == "" {
			continue
		}
		if held(v) {
			why := v.Batch + v.HoldsInWords()
			if s.tried[why] {
				continue
			}
			s.tried[why] = true // somebody scans one, is told, and says so to the others
		}
		_, err := s.t.Issue(ctx, Site, s.who(by), tracker.Issue{Vials: []string{v.Code}, To: to, Order: order, Label: v.Label})
		if err == nil {
			if s.keep[product] > 0 {
				s.keep[product]--
				s.open[v.Code] = true
			}
			return nil
		}
		var no *stock.Refusal
		if !errors.As(err, &no) {
			return err
		}
		s.Told.Refused[no.Code]++
	}
	s.Told.Short[product]++
	_, err = s.t.FellShort(ctx, Site, s.who(by), tracker.Shortage{Product: product, Vials: 1, To: to, Order: order})
	return err
}

// confirmGiven is the wards' round: what they had long enough was given, mostly.
func (s *Story) confirmGiven(ctx context.Context, r *rand.Rand) error {
	now := s.clock.Now()
	vials, err := s.find(ctx, tracker.VialQuery{States: []stock.State{stock.WithWard}})
	if err != nil {
		return err
	}
	slices.SortFunc(vials, func(a, b stock.Vial) int { return a.LastSeen.Compare(b.LastSeen) })
	var given []string
	for _, v := range vials {
		sure := r.Float64() < 0.93
		if s.open[v.Code] || held(v) || !sure || now.Sub(v.LastSeen) < 90*time.Minute {
			continue
		}
		if now.Before(v.BUD) {
			given = append(given, v.Code)
			continue
		}
		if at := v.LastSeen.Add(v.BUD.Sub(v.LastSeen) / 2); now.Sub(at) < 20*time.Hour { // begun in time, entered late
			if _, err := s.t.Give(ctx, Site, s.who("tech-2"), []string{v.Code}, at); err != nil {
				return err
			}
		}
	}
	if len(given) == 0 {
		return nil
	}
	_, err = s.t.Give(ctx, Site, s.who("tech-2"), given, time.Time{})
	return err
}
