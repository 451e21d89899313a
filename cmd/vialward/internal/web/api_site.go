package web

import (
	"context"
	"time"

	"vialward/cmd/vialward/internal/config"
	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/stock"
)

// areaStatus is what a preparation area may do from an instant on.
type areaStatus struct {
	Category string    `json:"category"` // 1, 2, 3 or none
	Reason   string    `json:"reason"`
	At       time.Time `json:"at,omitzero"`
}

type areaSet struct {
	Area     string `json:"area"`
	Category string `json:"category"`
}

type work struct {
	From   time.Time `json:"from"`
	To     time.Time `json:"to"`
	Reason string    `json:"reason"`
}

type workPlanned struct {
	Unit string          `json:"unit"`
	From present.Instant `json:"from"`
	To   present.Instant `json:"to"`
}

type confirmation struct {
	At time.Time `json:"at,omitzero"`
	signing
}

type sweepConfirmed struct {
	Number      int             `json:"number"`
	ConfirmedBy string          `json:"confirmed_by"`
	ConfirmedAt present.Instant `json:"confirmed_at"`
	Warning     string          `json:"warning,omitempty"` // of a competency that does not stand
}

type withdrawal struct {
	Reason string `json:"reason"`
}

type intakeWithdrawn struct {
	Intake    int64 `json:"intake"`
	Withdrawn bool  `json:"withdrawn"`
}

// clockZone is the zone a sensor's clock stands in: an IANA name, a fixed offset, or "set" when the clock was set.
type clockZone struct {
	Zone   string `json:"zone"`
	Reason string `json:"reason"`
}

type zoneDeclared struct {
	Sensor string `json:"sensor"`
	Zone   string `json:"zone"`
}

func siteOperations() []route {
	return []route{
		post(access.SetArea, "/areas/{code}", "Say what a preparation area may do from now on: category 1, 2 or 3, or none.", setArea),
		post(access.PlanWork, "/units/{code}/work", "Plan work on a unit: mutes its page for that time, never the record.", planWork),
		post(access.Confirm, "/sweeps/{number}/confirm", "A sweep list was worked.", confirmSweep),
		post(access.Withdraw, "/intakes/{id}/withdraw", "Set an intake's readings aside, kept.", withdraw),
		post(access.DeclareZone, "/sensors/{code}/zone", "Declare the zone a suspect sensor's clock stands in.", declareZone),
	}
}

func setArea(ctx context.Context, q *ask, b areaStatus) (areaSet, error) {
	category := b.Category
	switch category {
	case "none":
		category = ""
	case "":
		return areaSet{}, stock.Refuse("category", "", "say the category: 1, 2 or 3, or none for no preparation")
	}
	area := q.r.PathValue("code")
	if _, ok := q.site.Area(area); !ok {
		return areaSet{}, tracker.NotFound("preparation area", area)
	}
	err := q.t.SetArea(ctx, q.site.Code, q.who, area, stock.AreaStatus{From: b.At, Category: category, Reason: b.Reason})
	return areaSet{area, b.Category}, err
}

func planWork(ctx context.Context, q *ask, b work) (workPlanned, error) {
	unit := q.r.PathValue("code")
	if _, _, ok := q.site.UnitAt(unit); !ok {
		return workPlanned{}, tracker.NotFound("storage unit", unit)
	}
	err := q.t.PlanWork(ctx, q.site.Code, q.who, tracker.PlannedWork{Unit: unit, From: b.From, To: b.To, Reason: b.Reason})
	return workPlanned{unit, q.as.Instant(b.From), q.as.Instant(b.To)}, err
}

func confirmSweep(ctx context.Context, q *ask, b confirmation) (sweepConfirmed, error) {
	number, err := q.inPath("number", "sweep list")
	if err != nil {
		return sweepConfirmed{}, err
	}
	row, err := q.t.ConfirmSweep(ctx, q.site.Code, q.who, int(number), b.At)
	warning := access.Warning(q.site, q.who.Person.Code, access.Confirm, q.now)
	return sweepConfirmed{row.Number, row.ConfirmedBy, q.as.Instant(row.ConfirmedAt), warning}, err
}

func withdraw(ctx context.Context, q *ask, b withdrawal) (intakeWithdrawn, error) {
	id, err := q.inPath("id", "intake")
	if err != nil {
		return intakeWithdrawn{}, err
	}
	in, err := q.t.Withdraw(ctx, q.site.Code, q.who, id, b.Reason)
	return intakeWithdrawn{in.ID, true}, err
}

func declareZone(ctx context.Context, q *ask, b clockZone) (zoneDeclared, error) {
	sensor := q.r.PathValue("code")
	if _, ok := q.site.Sensor(sensor); !ok {
		return zoneDeclared{}, tracker.NotFound("sensor", sensor)
	}
	if b.Zone != "set" {
		if _, err := config.Zone(b.Zone); err != nil {
			return zoneDeclared{}, stock.Refuse("zone", "", "%s; write set when the clock was set", err)
		}
	}
	return zoneDeclared{sensor, b.Zone}, q.t.DeclareZone(ctx, q.site.Code, q.who, sensor, b.Zone, b.Reason)
}
