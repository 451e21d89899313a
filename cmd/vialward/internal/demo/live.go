package demo

import (
	"context"
	"time"

	"vialward/tracker/stock"
)

// resume takes the loggers over as the played days left them.
func (s *Story) resume() {
	for _, l := range s.logs {
		l.sent = s.at(morningDay, 7, 0)
	}
	s.logs["T5"].form = s.declared
}

// alive plans a day the visitor watches: loggers report as they measure, and what is due is looked at each minute.
func (s *Story) alive(day int) {
	for t := s.at(day, 0, 0); t.Before(s.at(day+1, 0, 0)); t = t.Add(time.Minute) {
		for _, code := range loggerCodes() {
			if t.Equal(t.Truncate(s.logs[code].every)) {
				s.plan(t, "delivery of "+code, func(ctx context.Context) error { return s.deliver(ctx, code, t) })
			}
		}
		s.plan(t, "what is due", func(ctx context.Context) error { return s.t.Tick(ctx, Site) })
	}
}

// Day 31. A batch is nearly done, orders come in, and R1's door does not close: a mail goes out at 07:25. What it touched
// is decided on when it is back in range.
func (s *Story) doorAjarAgain(day int) {
	alte := recipeOf("ALTE")
	s.prepare(making{recipe: alte, day: day, count: 4, start: s.at(day, 6, 34), order: "D77120"})
	for i, order := range []string{"W30217", "D30311", "W30345", "W30402", "D30420"} {
		product := []string{"PANT", "VECU", "PANT", "MICA", "HYDC"}[i]
		to := map[byte]string{'W': "WARD-5E", 'D': "DAY-UNIT"}[order[0]]
		s.do(day, 7, 7+4*i, "an order of "+product, func(ctx context.Context) error { return s.serve(ctx, "tech-1", product, to, order) })
	}
	s.do(day, 9, 5, "deciding on R1", func(ctx context.Context) error {
		return s.decide(ctx, verdict{
			unit: "R1", kind: "warm", by: "rph-2", minutes: 36, basis: "36 minutes above 8 °C, within each product's allowed time out",
			apart: func(v stock.Vial) bool { return v.State == stock.WithWard },
		})
	})
}
