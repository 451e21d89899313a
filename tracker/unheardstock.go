package tracker

import (
	"context"
	"slices"
	"time"

	"vialward/alerts"
	"vialward/tracker/stock"
	"vialward/tracker/thermal"
)

// UnheardSensor is a sensor in use that has not one reading on record, and the stock in the place it is to speak for.
type UnheardSensor struct {
	Sensor, Unit, Room string
	Shelves            []string  // for which it is to speak; none = all
	Assigned           time.Time // to that place
	Overdue            bool      // it would have delivered by now
	There              int       // vials in its place
	Unproven           []string  // codes of those of which no temperature is on record: no other sensor speaks for their shelf
	Since              time.Time // from when on stock stood there so
	Before             bool      // until then another sensor spoke for the place; else none ever did
	CaseAt             time.Time // when the unit's rule opens a case of it, if nothing is heard; zero = no rule does
	Hold               bool      // the rule holds the stock
	Case               int64     // that is open already

	blind []string // shelves of its place for which nothing speaks; none = all of the unit
	on    []string // those of them with vials
	held  []string // vials its case has on hold, wherever they are now
	told  time.Time
}

// UnprovenAt says where what no temperature is on record for stands: "shelf B"; "" = anywhere in the unit.
func (u UnheardSensor) UnprovenAt() string {
	if len(u.blind) == 0 {
		return ""
	}
	return shelfWords(u.on)
}

// opens says that its stock's case is to be opened now.
func (u UnheardSensor) opens(now time.Time) bool {
	return u.Case == 0 && len(u.Unproven) > 0 && !u.CaseAt.IsZero() && !now.Before(u.CaseAt)
}

// UnheardSensors lists them in the order of the site's sensors.
func UnheardSensors(ctx context.Context, v View, now time.Time) ([]UnheardSensor, error) {
	heard, err := sensorsByCode(ctx, v)
	if err != nil {
		return nil, err
	}
	var out []UnheardSensor
	for _, s := range v.Site().Sensors {
		n := heard[s.Code]
		a, ok := s.At(now)
		if !ok || !n.LastAt.IsZero() {
			continue
		}
		_, room, known := v.Site().UnitAt(a.Unit)
		if !known {
			continue
		}
		u := UnheardSensor{
			Sensor: s.Code, Unit: a.Unit, Room: roomWords(room), Shelves: a.Shelves, Assigned: a.From, told: n.UnheardTold,
			Overdue: !n.AwaitedSince.IsZero() && overdue(s, n, now),
		}
		if err := u.look(ctx, v, s, a, heard, now); err != nil {
			return nil, err
		}
		out = append(out, u)
	}
	return out, nil
}

// look finds the stock in its place, what of it nothing speaks for, and what becomes of that.
func (u *UnheardSensor) look(ctx context.Context, v View, s stock.Sensor, a stock.Assignment, heard map[string]SensorNow, now time.Time) error {
	unit, _, _ := v.Site().UnitAt(a.Unit)
	vials, err := v.Find(ctx, VialQuery{Unit: a.Unit, States: inStock})
	if err != nil {
		return err
	}
	place := a.Shelves
	if len(place) == 0 {
		place = []string{""} // a vial without a shelf is somewhere in the unit
		for _, shelf := range unit.Shelves {
			place = append(place, shelf.Code)
		}
	}
	var blind []string
	for _, shelf := range place {
		if !spokenFor(v.Site(), a.Unit, shelf, heard, now) {
			blind = append(blind, shelf)
		}
	}
	if len(blind) < len(place) || len(a.Shelves) > 0 {
		u.blind = blind
	}
	for _, x := range vials {
		if len(a.Shelves) > 0 && !slices.Contains(a.Shelves, x.Shelf) {
			continue
		}
		u.There++
		if slices.Contains(blind, x.Shelf) {
			u.Unproven = append(u.Unproven, x.Code)
			if !slices.Contains(u.on, x.Shelf) {
				u.on = append(u.on, x.Shelf) // in the order of the shelves, as the vials are
			}
		}
	}
	if len(u.Unproven) == 0 {
		return nil
	}
	if err := u.since(ctx, v, a, blind, heard, now); err != nil {
		return err
	}
	for _, r := range v.Site().RulesOf(unit) {
		if r.Kind == string(thermal.NoData) {
			u.CaseAt, u.Hold = alerts.HoldUnheard(u.Since, r.Delay, SilenceOpens(s, 0)), r.Hold
		}
	}
	open, err := v.Cases(ctx, CaseQuery{Unit: a.Unit, OpenOnly: true})
	if err != nil {
		return err
	}
	for _, c := range open {
		if !slices.ContainsFunc(c.Excursions, func(x ExcursionRow) bool { return x.Sensor == s.Code && x.Found.Unheard && x.stands() }) {
			continue
		}
		held, err := onHold(ctx, v, c.No)
		if err != nil {
			return err
		}
		u.Case = c.No
		for _, x := range held {
			u.held = append(u.held, x.Code)
		}
	}
	return nil
}

// since is from when on stock stood on one of the shelves with no temperature on record: the first vial's placing, or the
// end of another sensor's time there.
func (u *UnheardSensor) since(ctx context.Context, v View, a stock.Assignment, blind []string, heard map[string]SensorNow, now time.Time) error {
	for _, shelf := range blind {
		from, before := a.From, false
		if until := spokenForUntil(v.Site(), a.Unit, shelf, heard, now); until.After(from) {
			from, before = until, true
		}
		first, there, err := v.FirstStay(ctx, a.Unit, shelf, from)
		if err != nil {
			return err
		}
		if there && (u.Since.IsZero() || first.Before(u.Since)) {
			u.Since, u.Before = first, before
		}
	}
	return nil
}

// covers says whether an assignment is for a shelf.
func covers(a stock.Assignment, unit, shelf string) bool {
	return a.Unit == unit && (len(a.Shelves) == 0 || slices.Contains(a.Shelves, shelf))
}

// spokenFor says whether a sensor that has been heard in its place speaks for a shelf now. If it falls silent, that is an
// alarm of its own.
func spokenFor(s *stock.Site, unit, shelf string, heard map[string]SensorNow, now time.Time) bool {
	return slices.ContainsFunc(s.Sensors, func(x stock.Sensor) bool {
		a, ok := x.At(now)
		last := heard[x.Code].LastAt
		return ok && covers(a, unit, shelf) && !last.IsZero() && !last.Before(a.From)
	})
}

// spokenForUntil is when the last sensor that spoke for a shelf and does not any more was taken away; zero for none.
func spokenForUntil(s *stock.Site, unit, shelf string, heard map[string]SensorNow, now time.Time) (until time.Time) {
	for _, x := range s.Sensors {
		last := heard[x.Code].LastAt
		for _, a := range x.Assignments {
			ended := !a.To.IsZero() && !a.To.After(now)
			if ended && covers(a, unit, shelf) && !last.IsZero() && !last.Before(a.From) && a.To.After(until) {
				until = a.To
			}
		}
	}
	return until
}

// stands says that an excursion goes on and counts.
func (x ExcursionRow) stands() bool { return x.MergedInto == 0 && !x.NotBorneOut && !x.Found.Over() }
