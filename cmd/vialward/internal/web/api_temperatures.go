package web

import (
	"context"
	"net/http"
	"time"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/access"
)

// longestSpan of readings in one answer: a month of one-minute readings of a unit's sensors is a few megabytes.
const longestSpan = 31 * 24 * time.Hour

func temperatureReads() []route {
	limit := parameter{"limit", "integer", "How many at most."}
	return []route{
		get(access.Read, "/units", "Every storage unit in walking order: stock, newest temperatures, open cases.", getUnits),
		get(access.Read, "/units/{code}/readings", "A unit's temperatures, corrected and raw, 31 days at most.", getReadings,
			parameter{"from", "date-time", "First instant; left out: 24 hours before to."}, parameter{"to", "date-time", "First instant that no longer counts; left out: now."}),
		get(access.Read, "/cases", "Excursions, newest first.", getCases,
			parameter{"unit", "string", "Only this storage unit."}, parameter{"open", "boolean", "Only open ones."}, limit),
		get(access.Read, "/cases/{no}", "An excursion and every vial it touched, with where it was then.", getCase),
		get(access.Read, "/intakes", "What was taken in of temperature logs, newest first, with what became of every value.", getIntakes, limit),
	}
}

func getUnits(ctx context.Context, q *ask, v tracker.View) (present.UnitList, error) {
	units, err := present.UnitsOf(ctx, v, q.now)
	return present.UnitList{AsOf: q.as.Instant(q.now), Units: units}, err
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

func getCases(ctx context.Context, q *ask, v tracker.View) (present.CaseList, error) {
	open, err := q.flag("open")
	if err != nil {
		return present.CaseList{}, err
	}
	limit, err := q.number("limit", 200, 1, 1000)
	if err != nil {
		return present.CaseList{}, err
	}
	unit := q.text("unit")
	if _, _, ok := q.site.UnitAt(unit); unit != "" && !ok {
		return present.CaseList{}, tracker.NotFound("storage unit", unit)
	}
	cases, err := v.Cases(ctx, tracker.CaseQuery{Unit: unit, OpenOnly: open, Limit: int(limit)})
	return q.as.CaseList(cases), err
}

func getCase(ctx context.Context, q *ask, v tracker.View) (present.CaseWithStock, error) {
	no, err := q.inPath("no", "case")
	if err != nil {
		return present.CaseWithStock{}, err
	}
	return present.CaseOf(ctx, v, no, q.now)
}

func getIntakes(ctx context.Context, q *ask, v tracker.View) (present.IntakeList, error) {
	limit, err := q.number("limit", 50, 1, 1000)
	if err != nil {
		return present.IntakeList{}, err
	}
	all, err := v.Intakes(ctx, int(limit))
	return q.as.IntakeList(all), err
}
