package demo

import (
	"context"
	"time"
)

// window is a stretch in which a sensor's readings arrive as they are made; else gateways hand them over by the hour.
type window struct {
	sensors   []string
	day       int
	from, to  [2]int // hour, minute
	afterDays int    // to lies so many days later
}

var windows = []window{
	{[]string{"T5"}, 1, [2]int{6, 0}, [2]int{8, 0}, 0},
	{[]string{"T1"}, 3, [2]int{2, 0}, [2]int{4, 0}, 0},
	{[]string{"T4"}, 6, [2]int{22, 0}, [2]int{23, 30}, 0},
	{[]string{"T4"}, 8, [2]int{7, 20}, [2]int{8, 0}, 0},
	{[]string{"T2", "T3"}, 13, [2]int{3, 0}, [2]int{6, 30}, 0},
	{[]string{"T1"}, 18, [2]int{2, 0}, [2]int{8, 0}, 0},
	{[]string{"T7"}, 20, [2]int{9, 30}, [2]int{12, 30}, 0},
}

// loggersOf plans a day's deliveries and looks at what is due: hourly, and closer where something is about to happen.
func (s *Story) loggersOf(day int) {
	start, end := s.at(day, 0, 0), s.at(day+1, 0, 0)
	if day == firstDay {
		start = s.clock.Now()
	}
	for t := start; t.Before(end); t = t.Add(15 * time.Minute) {
		if t.Equal(t.Truncate(time.Hour)) {
			s.plan(t, "deliveries", func(ctx context.Context) error { return s.hourly(ctx, t) })
		}
		s.plan(t, "what is due", func(ctx context.Context) error { return s.tick(ctx) })
	}
	for _, w := range windows {
		if w.day != day {
			continue
		}
		for _, code := range w.sensors {
			every := s.logs[code].every
			for t := s.at(day, w.from[0], w.from[1]); !t.After(s.at(day, w.to[0], w.to[1])); t = t.Add(every) {
				s.plan(t, "delivery of "+code, func(ctx context.Context) error { return s.deliver(ctx, code, t) })
			}
		}
	}
	if day == 21 { // the last delivery of wall times that come once
		for _, code := range []string{"T4", "T6"} {
			t := s.at(day, 1, 0).Add(-s.logs[code].every)
			s.plan(t, "delivery of "+code, func(ctx context.Context) error { return s.deliver(ctx, code, t) })
		}
	}
}

// plan puts a step on the agenda.
func (s *Story) plan(at time.Time, what string, do func(context.Context) error) {
	s.agenda.plan(at, what, do)
}

func (s *Story) hourly(ctx context.Context, t time.Time) error {
	for _, code := range loggerCodes() {
		if s.logs[code].wallOnly && t.Equal(s.at(21, 1, 0)) {
			continue // a log that ended now could not say which 01:00 it means
		}
		if err := s.deliver(ctx, code, t); err != nil {
			return err
		}
	}
	return nil
}

func (s *Story) tick(ctx context.Context) error {
	if err := s.mailed(ctx); err != nil {
		return err
	}
	return s.t.Tick(ctx, Site)
}
