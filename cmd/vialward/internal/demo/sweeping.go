package demo

import (
	"context"
	"math/rand/v2"
	"slices"
	"time"

	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/sweep"
)

// sweeper works the lists of a day.
func sweeper(day int, evening bool) string {
	if evening || weekend(day) && day%2 == 0 {
		return "tech-1"
	}
	return "tech-2"
}

// neverSigned are evenings on which the list was worked and nobody signed it in time: it says so by itself.
var neverSigned = map[int]bool{9: true, 25: true}

// sweeps plans how the day's lists are worked and signed.
func (s *Story) sweeps(day int, r *rand.Rand) {
	slots := [][2]int{{7, 0}, {19, 0}}
	if weekend(day) {
		slots = [][2]int{{8, 0}}
	}
	for _, slot := range slots {
		due, evening := s.at(day, slot[0], slot[1]), slot[0] > 12
		by := sweeper(day, evening)
		begun := due.Add(time.Duration(7+r.IntN(8)) * time.Minute)
		var row tracker.SweepRow
		s.plan(begun, "working the list", func(ctx context.Context) (err error) {
			if row, err = s.newestList(ctx); err != nil {
				return err
			}
			return s.work(ctx, by, row.List, r)
		})
		if evening && neverSigned[day] {
			continue
		}
		s.plan(begun.Add(time.Duration(14+r.IntN(16))*time.Minute), "signing the list", func(ctx context.Context) error {
			_, err := s.t.ConfirmSweep(ctx, Site, s.who(by), row.Number, time.Time{})
			return err
		})
	}
}

func (s *Story) newestList(ctx context.Context) (row tracker.SweepRow, err error) {
	err = s.read(ctx, func(v tracker.View) error {
		rows, err := v.Sweeps(ctx, 1)
		if len(rows) > 0 {
			row = rows[0]
		}
		return err
	})
	return row, err
}

// work pulls what the list says to pull now, and plans what it says to pull before a time: mostly done, at times
// forgotten until the next list.
func (s *Story) work(ctx context.Context, by string, l sweep.List, r *rand.Rand) error {
	for _, u := range l.Units {
		for _, line := range u.Lines {
			switch line.Action { //nolint:exhaustive // what is on hold stays, the rest is only counted
			case sweep.PullNow:
				if err := s.pull(ctx, by, u.Code, line); err != nil {
					return err
				}
			case sweep.PullBefore:
				early := time.Duration(4+r.IntN(20)) * time.Minute
				if r.Float64() < 0.15 {
					continue // forgotten
				}
				at := line.PullBy.Add(-early)
				if now := s.clock.Now(); at.Before(now) {
					at = now.Add(time.Minute)
				}
				s.plan(at, "pulling before "+line.PullBy.Format("15:04"), func(ctx context.Context) error { return s.pull(ctx, by, u.Code, line) })
			}
		}
	}
	return nil
}

// pull discards what a line names and is there; what has come on hold meanwhile stays.
func (s *Story) pull(ctx context.Context, by, unit string, line sweep.Line) error {
	vials, err := s.find(ctx, tracker.VialQuery{Batch: line.Batch, Unit: unit, States: []stock.State{stock.InPreparation, stock.Available}})
	if err != nil {
		return err
	}
	vials = slices.DeleteFunc(vials, func(v stock.Vial) bool { return held(v) || !v.BUD.Equal(line.BeyondUse) })
	return s.discard(ctx, by, vials, "expired", 0, "")
}

// discard ends vials of one product; who stands by signs where it takes two.
func (s *Story) discard(ctx context.Context, by string, vials []stock.Vial, reason string, caseNo int64, note string) error {
	if len(vials) == 0 {
		return nil
	}
	c := tracker.Close{Vials: codes(vials), Reason: reason, Case: caseNo, Note: note}
	if p, _ := s.product(vials[0].Product); p.TwoPersons {
		c.Witness = s.beside(by)
	}
	_, err := s.t.Discard(ctx, Site, s.who(by), c)
	return err
}

// beside is the other person in the room.
func (s *Story) beside(by string) string {
	if by == "tech-1" {
		return "tech-2"
	}
	return "tech-1"
}
