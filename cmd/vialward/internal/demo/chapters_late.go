package demo

import (
	"context"
	"slices"
	"time"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// Day 15. The hazardous area's air fails: what is made there today is Category 1, and lives a day.
func (s *Story) areaDown(day int) {
	s.do(day, 6, 50, "area PA-2 down", func(ctx context.Context) error {
		return s.t.SetArea(ctx, Site, s.who("rph-1"), "PA-2", stock.AreaStatus{Category: "1", Reason: "pressure alarm since 06:35, repair ordered"})
	})
}

// Day 16. The area is back. A batch's start was entered two hours early: two pharmacists void it, and it is recorded anew.
func (s *Story) areaUp(day int) {
	s.do(day, 6, 50, "area PA-2 up", func(ctx context.Context) error {
		return s.t.SetArea(ctx, Site, s.who("rph-1"), "PA-2", stock.AreaStatus{Category: "2", Reason: "repaired and tested"})
	})
}

// madeAnew voids a batch whose record was wrong from the start, and records the vials again as they were made.
func (s *Story) madeAnew(ctx context.Context, m making, batch string, vials []string) error {
	if _, err := s.t.Void(ctx, Site, s.who("rph-1"), tracker.Close{
		Vials: vials, Reason: "start of preparation entered two hours early", Witness: "rph-2", Note: "batch " + batch,
	}); err != nil {
		return err
	}
	delete(s.batches, batchKey{m.code, m.day})
	now, maker := s.clock.Now(), s.who(m.maker)
	p, err := s.t.Prepare(ctx, Site, maker, m.written(s, m.start, m.start.Add(35*time.Minute)))
	if err != nil {
		return err
	}
	s.batches[batchKey{m.code, m.day}] = p.Batch.Code
	again := codes(p.Vials)
	for i, f := range []func(context.Context) error{
		func(ctx context.Context) error {
			_, err := s.t.Label(ctx, Site, maker, again, time.Time{})
			return err
		},
		func(ctx context.Context) error {
			_, err := s.t.Verify(ctx, Site, s.who(verifier(m.day)), again, time.Time{})
			return err
		},
		func(ctx context.Context) error {
			_, err := s.t.Place(ctx, Site, maker, tracker.Place{Vials: again, To: m.home})
			return err
		},
	} {
		s.plan(now.Add(time.Duration(3+4*i)*time.Minute), "recording "+m.code+" anew", f)
	}
	return nil
}

// Day 17. A vial is punctured outside clean air for an order that is stopped, and thrown away.
func (s *Story) entered(day int) {
	var v stock.Vial
	s.do(day, 14, 0, "a vial entered", func(ctx context.Context) (err error) {
		if v, err = s.last(ctx, "R1", "MICA"); err != nil {
			return err
		}
		_, err = s.t.Enter(ctx, Site, s.who("tech-2"), tracker.Enter{Vials: []string{v.Code}})
		return err
	})
	s.do(day, 14, 6, "and thrown away", func(ctx context.Context) error {
		return s.discardCodes(ctx, "tech-2", []string{v.Code}, "entered", "order stopped after it was punctured")
	})
}

// Day 18. No power in R1 from 02:14 to 05:40. The on-call person moves everything to R2 at 04:10; in the morning it is
// decided product by product.
func (s *Story) powerFailure(day int) {
	var relabel []string
	s.do(day, 4, 10, "moving R1 to R2", func(ctx context.Context) error {
		vials, err := s.find(ctx, tracker.VialQuery{Unit: "R1", States: []stock.State{stock.InPreparation, stock.Available}})
		if err != nil {
			return err
		}
		_, err = s.t.Place(ctx, Site, s.who("oncall-1"), tracker.Place{Vials: codes(vials), To: "R2/A", Note: "no power in R1"})
		return err
	})
	s.do(day, 8, 35, "deciding on R1", func(ctx context.Context) error {
		evening := s.at(day, 20, 0)
		return s.decide(ctx, verdict{
			unit: "R1", kind: "warm", by: "rph-2", minutes: 78, basis: "78 minutes above 8 °C until moved, at most 11.2 °C: within the allowed time out",
			shorter: func(v stock.Vial) (time.Time, bool) {
				if v.Product != "MICA" || !v.BUD.After(evening) {
					return time.Time{}, false
				}
				relabel = append(relabel, v.Code)
				return evening, true // near its allowance: to be used today
			},
		})
	})
	s.do(day, 9, 20, "new labels", func(ctx context.Context) error {
		_, err := s.t.Relabel(ctx, Site, s.who("tech-1"), relabel, "beyond-use date shortened after the power failure", time.Time{})
		return err
	})
	s.do(day, 10, 15, "an old label scanned", func(ctx context.Context) error {
		_, err := s.t.Issue(ctx, Site, s.who("tech-2"), tracker.Issue{Vials: relabel[:1], To: "WARD-5E", Order: "W48110", Label: 1})
		return s.refused(err)
	})
	s.do(day, 10, 17, "the new label found", func(ctx context.Context) error {
		_, err := s.t.Issue(ctx, Site, s.who("tech-2"), tracker.Issue{Vials: relabel[:1], To: "WARD-5E", Order: "W48110", Label: 2})
		return err
	})
}

// Day 19. R2 is to be cleaned on Saturday.
func (s *Story) cleaningPlanned(day int) {
	s.do(day, 16, 0, "planning to clean R2", func(ctx context.Context) error {
		return s.t.PlanWork(ctx, Site, s.who("tech-2"), tracker.PlannedWork{
			Unit: "R2", From: s.at(day+1, 10, 0), To: s.at(day+1, 12, 0), Reason: "cleaning and defrosting",
		})
	})
}

// Day 20. R2 stands open for an hour, empty, and wakes nobody.
func (s *Story) cleaning(day int) {
	var decanted []string
	s.do(day, 9, 52, "emptying R2", func(ctx context.Context) error {
		vials, err := s.find(ctx, tracker.VialQuery{Unit: "R2", States: []stock.State{stock.InPreparation, stock.Available}})
		if err != nil || len(vials) == 0 {
			return err
		}
		decanted = codes(vials)
		_, err = s.t.Place(ctx, Site, s.who("tech-2"), tracker.Place{Vials: decanted, To: "R3/B", Note: "R2 is cleaned"})
		return err
	})
	s.do(day, 12, 20, "filling R2", func(ctx context.Context) error {
		vials, err := s.find(ctx, tracker.VialQuery{Unit: "R3", States: []stock.State{stock.InPreparation, stock.Available}})
		if err != nil {
			return err
		}
		vials = slices.DeleteFunc(vials, func(v stock.Vial) bool { return !slices.Contains(decanted, v.Code) })
		if len(vials) == 0 {
			return nil
		}
		_, err = s.t.Place(ctx, Site, s.who("tech-2"), tracker.Place{Vials: codes(vials), To: "R2/A"})
		return err
	})
}

// Day 23. The mail relay goes down in the evening; mails wait, the oldest the longest.
func (s *Story) relayDown(day int) {
	s.do(day, 9, 59, "three that are not given at once", func(context.Context) error {
		s.keep["METH"] = 3
		return nil
	})
	s.do(day, 18, 0, "relay down", func(ctx context.Context) error {
		if err := s.mailed(ctx); err != nil {
			return err
		}
		s.gate.Shut(true)
		return nil
	})
}

// Day 24. The relay is back before the morning's list, and everything is delivered. In the evening yesterday's batch of
// methylprednisolone is recalled: the lot of its diluent was entered wrongly.
func (s *Story) relayUpAndRecall(day int) {
	s.do(day, 6, 40, "relay up", func(context.Context) error {
		s.gate.Shut(false)
		return nil
	})
	var r tracker.Recalled
	s.do(day, 19, 15, "recall", func(ctx context.Context) (err error) {
		r, err = s.t.Recall(ctx, Site, s.who("rph-1"), tracker.Recall{Batch: s.batches[batchKey{"METH", day - 1}], Reason: "lot of the diluent entered wrongly"})
		return err
	})
	s.do(day, 19, 40, "recalled stock", func(ctx context.Context) error {
		if err := s.discardCodes(ctx, "rph-1", codes(r.Held), "recalled-own", "diluent's lot in doubt"); err != nil {
			return err
		}
		if len(r.Issued) == 0 {
			return nil
		}
		back := []string{r.Issued[0].Code}
		if _, err := s.t.Return(ctx, Site, s.who("tech-1"), tracker.Place{Vials: back, To: "R3/Q", Note: "recalled, fetched from the ward"}); err != nil {
			return err
		}
		return s.discardCodes(ctx, "rph-1", back, "recalled-own", "diluent's lot in doubt")
	})
}

// Day 25. What was issued of the recalled batch: one was given before anybody knew, one nobody finds.
func (s *Story) recallTraced(day int) {
	s.do(day, 8, 50, "recall traced", func(ctx context.Context) error {
		vials, err := s.find(ctx, tracker.VialQuery{Batch: s.batches[batchKey{"METH", day - 2}], States: []stock.State{stock.WithWard}})
		if err != nil {
			return err
		}
		for i, v := range vials {
			if i == 0 && len(vials) > 1 {
				_, err = s.t.Lose(ctx, Site, s.who("rph-1"), tracker.Close{Vials: []string{v.Code}, Reason: "unaccounted", Witness: "tech-2", Note: "recalled; " + v.Dest + " cannot find it"})
			} else {
				_, err = s.t.Give(ctx, Site, s.who("rph-1"), []string{v.Code}, v.LastSeen.Add(50*time.Minute))
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
}

// Day 26. The gateway of ward 5 East hands nothing over from the evening on. The logger goes on measuring.
func (s *Story) gatewayOff(day int) {
	s.do(day, 20, 5, "gateway of T6 off", func(context.Context) error {
		s.logs["T6"].offline = true
		return nil
	})
}

// Day 27. The logger's own log is brought by hand: it was cold all night. Its case is not borne out, and its stock released.
func (s *Story) lateLog(day int) {
	s.do(day, 8, 25, "T6's log by hand", func(ctx context.Context) error {
		l := s.logs["T6"]
		l.offline = false
		return s.takeIn(ctx, l, l.sent, s.clock.Now(), "command", false)
	})
	s.do(day, 8, 40, "deciding on R5", func(ctx context.Context) error {
		return s.decide(ctx, verdict{unit: "R5", kind: "no_data", by: "rph-2", basis: "the logger's own log has no gap and stays within 2 to 8 °C"})
	})
}

// Day 30. Everything is counted at the end of the month, and one vial of a high-alert drug is missing.
func (s *Story) monthEnd(day int) {
	s.do(day, 18, 52, "a vial gone", func(ctx context.Context) error {
		v, err := s.last(ctx, "R1", "VECU")
		s.carried = v.Code
		s.missing[v.Code] = true
		return err
	})
	for i, u := range []string{"R1", "R2", "R3", "R4", "R5", "R6"} {
		s.do(day, 19, 30+2*i, "counting "+u, func(ctx context.Context) error {
			for _, p := range recipes {
				there, err := s.counted(ctx, u, p.code)
				if err != nil {
					return err
				}
				if !there {
					continue
				}
				fewer, reason := 0, ""
				if u == "R1" && p.code == "VECU" {
					fewer, reason = 1, "counted twice, by two persons; not on any shelf"
				}
				if err := s.count(ctx, u, p.code, fewer, reason); err != nil {
					return err
				}
			}
			return nil
		})
	}
	s.do(day, 19, 55, "unaccounted for", func(ctx context.Context) error {
		_, err := s.t.Lose(ctx, Site, s.who("mgr-1"), tracker.Close{
			Vials: []string{s.carried}, Reason: "unaccounted", Witness: "rph-1", Note: "missing at the month's count",
		})
		return err
	})
}

// counted says whether a product is to be counted in a unit.
func (s *Story) counted(ctx context.Context, unit, product string) (bool, error) {
	vials, err := s.find(ctx, tracker.VialQuery{Unit: unit, Product: product, States: []stock.State{stock.InPreparation, stock.Available}})
	return len(vials) > 0, err
}
