package web

import (
	"context"
	"net/http"
	"time"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
)

// unitList is every storage unit in walking order.
type unitList struct {
	AsOf  present.Instant `json:"as_of"`
	Units []present.Unit  `json:"units"`
}

// caseList is excursions, newest first.
type caseList struct {
	AsOf  present.Instant `json:"as_of"`
	Cases []present.Case  `json:"cases"`
}

// intakeList is files and posts of readings, newest first.
type intakeList struct {
	AsOf    present.Instant  `json:"as_of"`
	Intakes []present.Intake `json:"intakes"`
}

// longestSpan of readings in one answer: a month of one-minute readings of a unit's sensors is a few megabytes.
const longestSpan = 31 * 24 * time.Hour

func temperatureReads() []route {
	limit := parameter{"limit", "integer", "How many at most."}
	return []route{
		get("/units", "Every storage unit in walking order: stock, newest temperatures, open cases.", getUnits),
		get("/units/{code}/readings", "A unit's temperatures, corrected and raw, 31 days at most.", getReadings,
			parameter{"from", "date-time", "First instant; left out: 24 hours before to."}, parameter{"to", "date-time", "First instant that no longer counts; left out: now."}),
		get("/cases", "Excursions, newest first.", getCases,
			parameter{"unit", "string", "Only this storage unit."}, parameter{"open", "boolean", "Only open ones."}, limit),
		get("/cases/{no}", "An excursion and every vial it touched, with where it was then.", getCase),
		get("/intakes", "What was taken in of temperature logs, newest first, with what became of every value.", getIntakes, limit),
	}
}

func getUnits(ctx context.Context, q *ask, v tracker.View) (unitList, error) {
	units, err := present.UnitsOf(ctx, v, q.now)
	return unitList{q.as.Instant(q.now), units}, err
}

func getReadings(ctx context.Context, q *ask, v tracker.View) (present.Readings, error) {
	to, err := q.instant("to", q.now)
	if err != nil {
		return present.Readings{}, err
	}
	from, err := q.instant("from", to.Add(-24*time.Hour))
	switch {
	case err != nil:
		return present.Readings{}, err
	case !from.Before(to):
		return present.Readings{}, wrong(http.StatusBadRequest, "from lies at or after to; give the earlier instant as from.")
	case to.Sub(from) > longestSpan:
		return present.Readings{}, wrong(http.StatusBadRequest, "That is longer than 31 days; ask for it in parts.")
	}
	return present.ReadingsOf(ctx, v, q.r.PathValue("code"), from, to, q.now)
}

func getCases(ctx context.Context, q *ask, v tracker.View) (caseList, error) {
	open, err := q.flag("open")
	if err != nil {
		return caseList{}, err
	}
	limit, err := q.number("limit", 200, 1, 1000)
	if err != nil {
		return caseList{}, err
	}
	unit := q.text("unit")
	if _, _, ok := q.site.UnitAt(unit); unit != "" && !ok {
		return caseList{}, tracker.NotFound("storage unit", unit)
	}
	cases, err := v.Cases(ctx, tracker.CaseQuery{Unit: unit, OpenOnly: open, Limit: int(limit)})
	out := caseList{AsOf: q.as.Instant(q.now), Cases: []present.Case{}}
	for _, c := range cases {
		out.Cases = append(out.Cases, q.as.Case(c))
	}
	return out, err
}

func getCase(ctx context.Context, q *ask, v tracker.View) (present.CaseWithStock, error) {
	no, err := q.inPath("no", "case")
	if err != nil {
		return present.CaseWithStock{}, err
	}
	return present.CaseOf(ctx, v, no, q.now)
}

func getIntakes(ctx context.Context, q *ask, v tracker.View) (intakeList, error) {
	limit, err := q.number("limit", 50, 1, 1000)
	if err != nil {
		return intakeList{}, err
	}
	all, err := v.Intakes(ctx, int(limit))
	out := intakeList{AsOf: q.as.Instant(q.now), Intakes: []present.Intake{}}
	for _, in := range all {
		out.Intakes = append(out.Intakes, q.as.Intake(in))
	}
	return out, err
}
