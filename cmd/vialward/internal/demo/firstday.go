package demo

import (
	"context"
	"slices"
	"time"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// begin sets the site up on its first morning and takes over what stands in the refrigerators.
func (s *Story) begin(ctx context.Context) error {
	if _, err := s.t.LoadSite(ctx, tracker.Account("demo"), s.set); err != nil {
		return err
	}
	if err := s.t.AddToken(ctx, Site, s.who(loggerPerson), Token, tracker.Token{Person: loggerPerson, Scopes: []string{tracker.ScopeAct}, Name: "the demo's"}); err != nil {
		return err
	}
	for _, l := range s.logs {
		l.sent = s.at(firstDay, 0, 0).Add(-time.Second)
	}
	at := s.at(firstDay, 6, 31)
	for _, lot := range s.twoWeeks() {
		at = at.Add(time.Minute)
		s.plan(at, "taking stock over", func(ctx context.Context) error {
			_, err := s.t.TakeOver(ctx, Site, s.who("rph-1"), tracker.TakeOver{
				Product: lot.recipe.code, Count: lot.left, BUD: lot.bud.In(s.zone).Format(time.RFC3339), Made: date(lot.day).Format(time.DateOnly),
				To: lot.recipe.home, Note: "counted by two on the first day",
			})
			return err
		})
	}
	return nil
}

// lot is a batch of the weeks before the record began.
type lot struct {
	recipe recipe
	day    int
	bud    time.Time
	left   int
}

// twoWeeks lives through the fortnight before, on paper: the same batches, orders and sweeps, so that the first week of
// the record looks like any other.
func (s *Story) twoWeeks() []lot {
	var shelf []lot
	for day := firstDay - 14; day < firstDay; day++ {
		r := chance(day + 1000)
		sweep := s.at(day, 7, 0)
		shelf = slices.DeleteFunc(shelf, func(l lot) bool { return !l.bud.After(sweep) })
		for _, p := range recipes {
			if p.on(day) {
				start := s.at(day, 8, 30)
				shelf = append(shelf, lot{p, day, start.Add(s.life(p.code)), p.size})
			}
		}
		for _, p := range recipes {
			for range poisson(r, p.mean(day)) {
				i := slices.IndexFunc(shelf, func(l lot) bool { return l.recipe.code == p.code && l.left > 0 && l.bud.After(s.at(day, 18, 0)) })
				if i >= 0 {
					shelf[i].left--
				}
			}
		}
	}
	return slices.DeleteFunc(shelf, func(l lot) bool { return l.left == 0 })
}

// life of a product in a refrigerator, as its stability row has it.
func (s *Story) life(code string) time.Duration {
	p, _ := s.product(code)
	i := slices.IndexFunc(p.Stability, func(r stock.StabilityRow) bool { return r.Storage == stock.Refrigerator })
	return time.Duration(p.Stability[i].Minutes) * time.Minute
}
