package demo

import (
	"context"
	"time"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// Days of the story to which the routine looks.
const (
	areaDownDay   = 15
	wrongStartDay = 16
	recallDay     = 24
)

// chapters are what sets one day apart from the others.
var chapters = map[int]func(*Story, int){
	1:  (*Story).clockFound,
	3:  (*Story).doorAjar,
	5:  (*Story).carriedOff,
	6:  (*Story).batteryDead,
	8:  (*Story).batteryNew,
	9:  (*Story).broken,
	10: (*Story).oneShort,
	11: (*Story).foundExpired,
	12: (*Story).overflow,
	13: (*Story).freeze,
	14: (*Story).returns,
	15: (*Story).areaDown,
	16: (*Story).areaUp,
	17: (*Story).entered,
	18: (*Story).powerFailure,
	19: (*Story).cleaningPlanned,
	20: (*Story).cleaning,
	23: (*Story).relayDown,
	24: (*Story).relayUpAndRecall,
	25: (*Story).recallTraced,
	26: (*Story).gatewayOff,
	27: (*Story).lateLog,
	30: (*Story).monthEnd,
}

// do plans something one person does at a wall time.
func (s *Story) do(day, hour, minute int, what string, f func(context.Context) error) {
	s.plan(s.at(day, hour, minute), what, f)
}

// Day 1. T5's clock stands at UTC-5 all year and was set up as local time: three live deliveries in a row are an hour
// late, and the system says so. A pharmacist declares the zone; what came in wrongly is withdrawn and taken in again.
func (s *Story) clockFound(day int) {
	s.do(day, 6, 47, "T5's zone", func(ctx context.Context) error {
		rph := s.who("rph-1")
		why := "the logger's display shows Eastern Standard Time all year: UTC-5"
		if err := s.t.DeclareZone(ctx, Site, rph, "T5", "-05:00", why); err != nil {
			return err
		}
		var wrong []tracker.Intake
		if err := s.read(ctx, func(v tracker.View) error {
			all, err := v.Intakes(ctx, 100)
			for _, in := range all {
				if in.Layout == s.logs["T5"].form.text {
					wrong = append(wrong, in)
				}
			}
			return err
		}); err != nil {
			return err
		}
		for _, in := range wrong {
			if _, err := s.t.Withdraw(ctx, Site, rph, in.ID, "taken in under New York's zone; "+why); err != nil {
				return err
			}
		}
		l := s.logs["T5"]
		l.form = s.declared
		return s.takeIn(ctx, l, s.at(day, 0, 0).Add(-time.Second), s.clock.Now(), "command", false)
	})
}

// Day 3. Somebody takes three vials at night and leaves the door of R1 ajar. Of the three one is found on the ward and
// held, one was given, one cannot be found.
func (s *Story) doorAjar(day int) {
	var taken []string
	s.do(day, 2, 20, "three vials at night", func(ctx context.Context) error {
		vials, err := s.find(ctx, tracker.VialQuery{Unit: "R1", Product: "HYDC", States: []stock.State{stock.Available}})
		if err != nil {
			return err
		}
		newest(vials)
		taken = codes(vials[:3])
		for _, c := range taken {
			s.open[c] = true
		}
		_, err = s.t.Issue(ctx, Site, s.who("oncall-1"), tracker.Issue{Vials: taken, To: "WARD-5E", Order: "W20931", Reason: "the first at hand, at night", At: s.at(day, 2, 20)})
		return err
	})
	s.do(day, 7, 50, "one found on the ward", func(ctx context.Context) error {
		_, err := s.t.Return(ctx, Site, s.who("tech-2"), tracker.Place{Vials: taken[:1], To: "R3/Q", Note: "found on the ward after the case in R1, brought back cold"})
		return err
	})
	s.do(day, 7, 58, "one was given", func(ctx context.Context) error {
		_, err := s.t.Give(ctx, Site, s.who("rph-1"), taken[1:2], s.at(day, 4, 15))
		return err
	})
	s.do(day, 8, 10, "deciding on R1", func(ctx context.Context) error {
		return s.decide(ctx, verdict{
			unit: "R1", kind: "warm", by: "rph-2", minutes: 35, basis: "35 minutes above 8 °C, within each product's allowed time out",
			apart: func(v stock.Vial) bool { return v.Shelf == "Q" || v.State == stock.WithWard },
		})
	})
	s.do(day, 16, 5, "one not found", func(ctx context.Context) error {
		_, err := s.t.Lose(ctx, Site, s.who("rph-1"), tracker.Close{
			Vials: taken[2:], Reason: "unaccounted", Witness: "tech-1", Note: "issued during the case in R1; the ward has no record of it",
		})
		return err
	})
	s.do(day, 16, 12, "the one that came back", func(ctx context.Context) error {
		return s.discardCodes(ctx, "rph-1", taken[:1], "returned-unknown", "time on the ward not known")
	})
}

// discardCodes is discard for vials known by code.
func (s *Story) discardCodes(ctx context.Context, by string, vials []string, reason, note string) error {
	found, err := s.find(ctx, tracker.VialQuery{Codes: vials})
	if err != nil {
		return err
	}
	return s.discard(ctx, by, found, reason, 0, note)
}

// last takes the vial of a product in a unit that ends last.
func (s *Story) last(ctx context.Context, unit, product string) (stock.Vial, error) {
	vials, err := s.find(ctx, tracker.VialQuery{Unit: unit, Product: product, States: []stock.State{stock.Available}})
	if err != nil {
		return stock.Vial{}, err
	}
	newest(vials)
	for _, v := range vials {
		if !held(v) && s.clock.Now().Before(v.BUD) {
			return v, nil
		}
	}
	return stock.Vial{}, tracker.NotFound("a vial for the story: "+product+" in", unit)
}

// Day 5. A vial is carried to the ward's refrigerator and nobody records it.
func (s *Story) carriedOff(day int) {
	s.do(day, 17, 10, "a vial carried off", func(ctx context.Context) error {
		v, err := s.last(ctx, "R1", "PANT")
		s.carried = v.Code
		s.missing[v.Code] = true
		return err
	})
}

// Day 6. T4's battery dies on Saturday night. What R3 holds is on hold from its last reading; on Sunday orders for it are
// refused and served from the day unit, or not at all.
func (s *Story) batteryDead(int) {}

// Day 8. A new battery; the minimum and maximum of another thermometer speak for the weekend.
func (s *Story) batteryNew(day int) {
	s.do(day, 8, 55, "deciding on R3", func(ctx context.Context) error {
		return s.decide(ctx, verdict{
			unit: "R3", kind: "no_data", by: "rph-2", basis: "independent minimum/maximum thermometer in R3: 3.1 and 7.4 °C since its last reset, Sat 18 Oct 19:00",
		})
	})
}

// Day 9. One vial breaks. In the evening one is not where the list has it.
func (s *Story) broken(day int) {
	s.do(day, 11, 40, "a vial broken", func(ctx context.Context) error {
		v, err := s.last(ctx, "R1", "HYDC")
		if err != nil {
			return err
		}
		return s.discard(ctx, "tech-1", []stock.Vial{v}, "broken", 0, "slipped while it was put away")
	})
	s.do(day, 19, 25, "counting R1", func(ctx context.Context) error {
		return s.count(ctx, "R1", "PANT", 1, "one is not at its place; looked for on every shelf")
	})
}

// count is a count of a product in a unit, fewer than the record has by some.
func (s *Story) count(ctx context.Context, unit, product string, fewer int, reason string) error {
	var n int
	err := s.read(ctx, func(v tracker.View) error {
		all, err := v.Find(ctx, tracker.VialQuery{Unit: unit, Product: product, States: []stock.State{stock.InPreparation, stock.Available}})
		n = len(all)
		return err
	})
	if err != nil {
		return err
	}
	_, err = s.t.Count(ctx, Site, s.who("tech-2"), tracker.Count{Place: unit, Product: product, Counted: n - fewer, Reason: reason, Witness: "tech-1"})
	return err
}

// Day 10. A count is one short; the vial turns up in the day unit's refrigerator, where it does not belong.
func (s *Story) oneShort(day int) {
	var v stock.Vial
	s.do(day, 10, 30, "a vial carried to R4", func(ctx context.Context) (err error) {
		v, err = s.last(ctx, "R6", "BORT")
		s.missing[v.Code] = true
		return err
	})
	s.do(day, 16, 0, "counting R6", func(ctx context.Context) error {
		return s.count(ctx, "R6", "BORT", 1, "one less than recorded; search begun")
	})
	s.do(day, 16, 20, "found in R4", func(ctx context.Context) error {
		delete(s.missing, v.Code)
		_, err := s.t.Find(ctx, Site, s.who("tech-2"), tracker.Place{
			Vials: []string{v.Code}, To: "R4/B", Note: "carried over at about 10:30 and not recorded; R4 is no place for hazardous drugs",
		})
		return err
	})
	s.do(day, 16, 24, "back to R6", func(ctx context.Context) error {
		_, err := s.t.Place(ctx, Site, s.who("tech-2"), tracker.Place{Vials: []string{v.Code}, To: "R6/B"})
		return err
	})
	s.do(day, 17, 5, "its hold lifted", func(ctx context.Context) error {
		_, err := s.t.Lift(ctx, Site, s.who("rph-1"), tracker.Hold{
			Vials: []string{v.Code}, Kind: stock.HoldManual, Reason: "R4 was in range all that time by T5; it stands in R6 again", Witness: "tech-1",
		})
		return err
	})
}

// Day 11. The vial of day 5 is found at the back of the ward's refrigerator, past its date.
func (s *Story) foundExpired(day int) {
	s.do(day, 7, 22, "found in R5", func(ctx context.Context) error {
		delete(s.missing, s.carried)
		_, err := s.t.Find(ctx, Site, s.who("tech-2"), tracker.Place{Vials: []string{s.carried}, To: "R5/B", Note: "at the back; no move recorded"})
		return err
	})
	s.do(day, 7, 26, "and discarded", func(ctx context.Context) error {
		return s.discardCodes(ctx, "tech-2", []string{s.carried}, "expired-found", "two days past its date when found")
	})
}

// Day 12. No room on R6's shelves: four vials go to the one at the back wall. A label cannot be read any more.
func (s *Story) overflow(day int) {
	s.do(day, 9, 50, "overflow to R6/D", func(ctx context.Context) error {
		vials, err := s.find(ctx, tracker.VialQuery{Unit: "R6", Product: "BORT", States: []stock.State{stock.Available}})
		if err != nil {
			return err
		}
		newest(vials)
		_, err = s.t.Place(ctx, Site, s.who("tech-1"), tracker.Place{Vials: codes(vials[:4]), To: "R6/D", Note: "overflow"})
		return err
	})
	s.do(day, 9, 58, "three that will come back", func(context.Context) error {
		s.keep["HYDC"] = 3
		return nil
	})
	s.do(day, 15, 10, "a label nobody can read", func(ctx context.Context) error {
		v, err := s.last(ctx, "R1", "MICA")
		if err != nil {
			return err
		}
		return s.discard(ctx, "tech-1", []stock.Vial{v}, "label", 0, "no second person could prove what it is")
	})
}

// Day 13. The back wall of R6 freezes before dawn. All of R6 is held; shelf D is discarded, the rest released on what
// both probes saw.
func (s *Story) freeze(day int) {
	s.do(day, 8, 30, "discarding shelf D", func(ctx context.Context) error {
		c, err := s.caseOf(ctx, "R6", "freeze")
		if err != nil {
			return err
		}
		vials, err := s.touched(ctx, c.No)
		if err != nil {
			return err
		}
		var frozen []stock.Vial
		for _, v := range vials {
			if v.Place() == "R6/D" {
				frozen = append(frozen, v)
			}
		}
		return s.discard(ctx, "rph-2", frozen, "frozen", c.No, "T3 at -1.8 °C")
	})
	s.do(day, 8, 48, "deciding on R6", func(ctx context.Context) error {
		return s.decide(ctx, verdict{
			unit: "R6", kind: "freeze", by: "rph-2", basis: "T2, which speaks for shelves A to C, never read below 3 °C; only T3 at the back wall froze",
		})
	})
}

// Day 14. Three vials come back from the ward, one of them with a record of its carrier.
func (s *Story) returns(day int) {
	var back []string
	s.do(day, 14, 30, "returns", func(ctx context.Context) error {
		vials, err := s.find(ctx, tracker.VialQuery{Product: "HYDC", States: []stock.State{stock.WithWard}})
		if err != nil {
			return err
		}
		newest(vials)
		for _, v := range vials {
			if s.open[v.Code] && s.clock.Now().Before(v.BUD) && len(back) < 3 {
				back = append(back, v.Code)
			}
		}
		if len(back) < 3 {
			return tracker.NotFound("three vials to come back", "HYDC")
		}
		if _, err := s.t.Return(ctx, Site, s.who("tech-1"), tracker.Place{Vials: back[:2], To: "R3/Q", Note: "time out of a refrigerator not known"}); err != nil {
			return err
		}
		_, err = s.t.Return(ctx, Site, s.who("tech-1"), tracker.Place{Vials: back[2:], To: "R3/Q", Note: "order stopped; carrier's record with it"})
		return err
	})
	s.do(day, 14, 45, "deciding on returns", func(ctx context.Context) error {
		if err := s.discardCodes(ctx, "rph-2", back[:2], "returned-unknown", ""); err != nil {
			return err
		}
		_, err := s.t.Lift(ctx, Site, s.who("rph-2"), tracker.Hold{
			Vials: back[2:], Kind: stock.HoldReturn, Reason: "carrier's record: 25 minutes out, seal unbroken; within its allowed time out",
		})
		return err
	})
}
