package web

import (
	"context"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/access"
)

func reportRoutes() []route {
	return []route{
		get(access.Read, "/reports/waste", "What was thrown away in a period, why, and what it had cost.", wasteReport,
			parameter{"from", "string", "Start: a month 2025-10, a day 2025-10-31, or RFC 3339. Left out with the end: the last whole month."},
			parameter{"to", "string", "End; a month or a day is in the period. Left out: the month or day of the start."}),
		post(access.Short, "/shortages", "Stock fell short: vials of a product were wanted and not there.", fellShort),
		onVials(access.Correct, "/vials/correct-cause", "Another cause for vials that were discarded or lost; the first one stays in the record.",
			func(b *tracker.Correction) *[]string { return &b.Vials }, (*tracker.Tracker).CorrectCause),
	}
}

func wasteReport(ctx context.Context, q *ask, v tracker.View) (present.WasteReport, error) {
	from, to, err := tracker.PeriodOf(q.as.Zone, plusSign(q.text("from")), plusSign(q.text("to")), q.now)
	if err != nil {
		return present.WasteReport{}, err
	}
	r, err := tracker.WasteReport(ctx, v, from, to, q.now)
	if err != nil {
		return present.WasteReport{}, err
	}
	return q.as.WasteReport(v.Site(), r), nil
}

// shortageRecorded is the event that says it.
type shortageRecorded struct {
	Event   int64  `json:"event"`
	Product string `json:"product"`
	Vials   int    `json:"vials"`
}

func fellShort(ctx context.Context, q *ask, b tracker.Shortage) (shortageRecorded, error) {
	seq, err := q.t.FellShort(ctx, q.site.Code, q.who, b)
	return shortageRecorded{seq, b.Product, b.Vials}, err
}
