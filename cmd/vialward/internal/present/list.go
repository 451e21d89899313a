package present

import (
	"context"
	"time"

	"vialward/alerts"
	"vialward/tracker"
	"vialward/tracker/stock"
)

// VialList is stock by unit, shelf and beyond-use date.
type VialList struct {
	AsOf  Instant `json:"as_of"`
	Vials []Vial  `json:"vials"`
}

// VialList of vials as they stand now.
func (a As) VialList(vs []stock.Vial) VialList { return VialList{a.Instant(a.Now), a.Vials(vs)} }

// BatchWithVials is a batch and each of its vials as it stands.
type BatchWithVials struct {
	AsOf  Instant `json:"as_of"`
	Batch Batch   `json:"batch"`
	Vials []Vial  `json:"vials"`

	Broken []string `json:"signatures_broken"` // which signatures over it and its vials do not stand, a sentence each
}

// BatchWithVialsOf in the site's time, its signatures held against the record.
func BatchWithVialsOf(ctx context.Context, v tracker.View, b stock.Batch, vs []stock.Vial, now time.Time) (BatchWithVials, error) {
	a := Of(v, now)
	broken, err := tracker.BrokenSignatures(ctx, v, vs)
	return BatchWithVials{a.Instant(a.Now), a.Batch(b), a.Vials(vs), append([]string{}, broken...)}, err
}

// UnitList is every storage unit in walking order.
type UnitList struct {
	AsOf  Instant `json:"as_of"`
	Units []Unit  `json:"units"`
}

// CaseList is excursions, newest first.
type CaseList struct {
	AsOf  Instant `json:"as_of"`
	Cases []Case  `json:"cases"`
}

// CaseList in the site's time.
func (a As) CaseList(cs []tracker.Case) CaseList { return CaseList{a.Instant(a.Now), each(cs, a.Case)} }

// IntakeList is files and posts of readings, newest first.
type IntakeList struct {
	AsOf    Instant  `json:"as_of"`
	Intakes []Intake `json:"intakes"`
}

// IntakeList in the site's time.
func (a As) IntakeList(all []tracker.Intake) IntakeList {
	return IntakeList{a.Instant(a.Now), each(all, a.Intake)}
}

// EventList is a piece of the record in its one order. Next is what to ask for as after to go on.
type EventList struct {
	Events []Event `json:"events"`
	Next   int64   `json:"next_after"`
}

// EventList of events behind one.
func (a As) EventList(after int64, events []stock.Event) EventList {
	if len(events) > 0 {
		after = events[len(events)-1].Seq
	}
	return EventList{each(events, a.Event), after}
}

// Outbox is mails, newest first.
type Outbox struct {
	AsOf  Instant `json:"as_of"`
	Mails []Mail  `json:"mails"`
}

// Outbox in the site's time.
func (a As) Outbox(rows []alerts.Row) Outbox { return Outbox{a.Instant(a.Now), each(rows, a.Mail)} }
