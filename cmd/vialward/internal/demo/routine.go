package demo

import (
	"context"
	"math"
	"time"

	"vialward/tracker"
	"vialward/tracker/stock"
)

func exp(x float64) float64 { return math.Exp(x) }

// routine plans what happens on any day: lists, batches, orders, wards that confirm, stock taken to where it is needed.
func (s *Story) routine(day int) {
	r := chance(day)
	s.sweeps(day, r)
	n := 0
	for _, p := range recipes {
		if p.on(day) {
			s.batch(day, n, p)
			n++
		}
	}
	s.demand(day, r)
	rounds := [][2]int{{12, 0}, {15, 0}, {18, 0}, {19, 50}}
	if weekend(day) {
		rounds = [][2]int{{12, 0}, {15, 40}}
	}
	for _, at := range rounds {
		s.plan(s.at(day, at[0], at[1]).Add(time.Minute), "wards confirm", func(ctx context.Context) error { return s.confirmGiven(ctx, r) })
	}
	switch date(day).Weekday() { //nolint:exhaustive // the other days bring nothing
	case time.Monday:
		s.plan(s.at(day, 11, 20), "ward stock", func(ctx context.Context) error { return s.stockUp(ctx, "HYDC", "R5/A", 3) })
	case time.Wednesday:
		s.plan(s.at(day, 11, 20), "ward stock", func(ctx context.Context) error { return s.stockUp(ctx, "PANT", "R5/B", 2) })
	case time.Tuesday, time.Friday:
		s.plan(s.at(day, 11, 20), "day unit stock", func(ctx context.Context) error { return s.stockUp(ctx, "METH", "R4/A", 3) })
	}
}

// batch plans the nth batch of a day, unless a chapter makes that one in its own way.
func (s *Story) batch(day, n int, p recipe) {
	m := making{recipe: p, day: day, count: p.size, start: s.at(day, 8, 20).Add(time.Duration(n) * 7 * time.Minute)}
	switch {
	case day == areaDownDay && p.area == "PA-2":
		m.count = p.size / 2 // a day's life: half will do
	case day == wrongStartDay && p.code == "VECU":
		m.told = m.start.Add(-2 * time.Hour)
	}
	s.prepare(m)
}

// stockUp takes the newest vials of a product to a ward's refrigerator.
func (s *Story) stockUp(ctx context.Context, product, to string, n int) error {
	vials, err := s.find(ctx, tracker.VialQuery{Product: product, States: []stock.State{stock.Available}})
	if err != nil {
		return err
	}
	unit, _ := stock.SplitPlace(to)
	var take []stock.Vial
	for _, v := range vials {
		if v.Unit != unit && v.Unit != "" && !held(v) && v.BUD.Sub(s.clock.Now()) > 36*time.Hour {
			take = append(take, v)
		}
	}
	newest(take)
	if len(take) == 0 {
		return nil
	}
	_, err = s.t.Place(ctx, Site, s.who("tech-2"), tracker.Place{Vials: codes(take[:min(n, len(take))]), To: to})
	return err
}
