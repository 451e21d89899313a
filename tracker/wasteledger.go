package tracker

import (
	"context"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/thermal"
	"vialward/tracker/waste"
)

// WasteReport is a period's waste, as of now. Page, mail, sheet, command and API show this one.
func WasteReport(ctx context.Context, v View, from, to, now time.Time) (waste.Report, error) {
	p := waste.Period{From: from, To: to, Zone: v.Site().Location()}
	if !from.Before(to) {
		return waste.Report{}, stock.Refuse("period", "", "the period ends at or before its start; give a later end")
	}
	l, err := wasteLedger(ctx, v, p, now)
	if err != nil {
		return waste.Report{}, err
	}
	return waste.Make(l, p, now), nil
}

// lookBack is what trends and projections need from before a period's end, or from before now: thirteen months.
const lookBack = 13 * 31 * 24 * time.Hour

// wasteLedger gathers what a report is made of. Costs: one row a life that ended in the year before the period's end, one
// an event of the period, and the readings of the period a sensor after the other.
func wasteLedger(ctx context.Context, v View, p waste.Period, now time.Time) (l waste.Ledger, err error) {
	s := v.Site()
	began, err := v.Events(ctx, EventQuery{Limit: 1})
	if err != nil {
		return l, err
	}
	if len(began) > 0 {
		l.Began = began[0].EnteredAt
	}
	begin, end := p.From, p.To
	if b := p.To.Add(-lookBack); b.Before(begin) {
		begin = b
	}
	if now.After(end) {
		end = now
	}
	if l.Ended, err = v.Ended(ctx, begin, end); err != nil {
		return l, err
	}
	for i, e := range l.Ended {
		l.Ended[i].Class = s.Cause(e.Cause).Class
	}
	if l.Open, l.Quality.StillIssued, err = v.OpenAt(ctx, earlier(p.To, now)); err != nil {
		return l, err
	}
	if err := eventsOfPeriod(ctx, v, p, &l); err != nil {
		return l, err
	}
	if l.Quality.Unconfirmed, err = v.UnconfirmedBetween(ctx, p.From, p.To); err != nil {
		return l, err
	}
	l.Quality.HoursWatched, l.Quality.HoursUnwatched, err = watchedHours(ctx, v, p, l.Began, now)
	return l, err
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// eventsOfPeriod reads what was issued, fell short, was released and was counted, and how much was entered late.
func eventsOfPeriod(ctx context.Context, v View, p waste.Period, l *waste.Ledger) error {
	late := time.Duration(v.Site().LateEntryHours) * time.Hour
	events, err := v.Events(ctx, EventQuery{From: p.From, To: p.To, Kinds: vialKinds})
	if err != nil {
		return err
	}
	saved := map[string]map[int64]bool{} // a vial once a case
	for _, e := range events {
		if late > 0 && e.EnteredAt.Sub(e.At) > late {
			l.Quality.LateEntries++
		}
		switch e.Kind { //nolint:exhaustive // the others only count as late or not
		case stock.Issued:
			if err := issuedIn(ctx, v, e, l); err != nil {
				return err
			}
		case stock.FellShort:
			l.Short = append(l.Short, waste.Short{Product: e.Body.Product, At: e.At, Vials: *e.Body.Counted})
		case stock.Counted:
			if d := *e.Body.Counted - *e.Body.Expected; d != 0 && e.Body.Reason == "" {
				l.Quality.Unaccounted += max(d, -d)
			}
		case stock.Released:
			vials, err := v.Find(ctx, VialQuery{Codes: e.Vials})
			if err != nil {
				return err
			}
			for _, x := range vials {
				if saved[x.Code] == nil {
					saved[x.Code] = map[int64]bool{}
				}
				if saved[x.Code][e.Body.Case] {
					continue
				}
				saved[x.Code][e.Body.Case] = true
				product, err := v.Product(ctx, x.Product, x.Version)
				if err != nil {
					return err
				}
				l.Saved = append(l.Saved, waste.Saved{Vial: x.Code, Product: x.Product, Case: e.Body.Case, At: e.At, Cents: product.CostAt(e.At)})
			}
		}
	}
	return nil
}

// vialKinds is what is recorded of vials by hand; a late entry among them makes figures late.
var vialKinds = []stock.Kind{
	stock.Prepared, stock.TakenOver, stock.Labelled, stock.Verified, stock.Placed, stock.Moved, stock.Issued, stock.Given, stock.Returned,
	stock.Entered, stock.Held, stock.Lifted, stock.Released, stock.Shortened, stock.Relabel, stock.Discarded, stock.Lost, stock.Voided,
	stock.Sent, stock.Found, stock.Counted, stock.FellShort,
}

// issuedIn adds an issue, product by product. Vials that went before their turn are counted on the first of them.
func issuedIn(ctx context.Context, v View, e stock.Event, l *waste.Ledger) error {
	vials, err := v.Find(ctx, VialQuery{Codes: e.Vials})
	if err != nil {
		return err
	}
	at := map[string]int{}
	for _, x := range vials {
		i, ok := at[x.Product]
		if !ok {
			i = len(l.Issues)
			at[x.Product] = i
			l.Issues = append(l.Issues, waste.Issued{Product: x.Product, At: e.At, Reason: e.Body.Reason})
			if len(at) == 1 {
				l.Issues[i].PassedOver = e.Body.PassedOver
			}
		}
		l.Issues[i].Vials++
	}
	return nil
}

// stretch is how much of a sensor's series is in memory at once.
const stretch = 31 * 24 * time.Hour

// watchedHours adds up, over all storage units, how long a sensor watched each and how long none did: from the period's
// start or the record's, whichever is later, until its end or now.
func watchedHours(ctx context.Context, v View, p waste.Period, began, now time.Time) (watched, unwatched float64, err error) {
	from, to := p.From, earlier(p.To, now)
	if from.Before(began) {
		from = began
	}
	for _, r := range v.Site().Rooms {
		for _, u := range r.Units {
			for low := from; low.Before(to); low = low.Add(stretch) {
				high := earlier(low.Add(stretch), to)
				var sensors []thermal.Watch
				if sensors, err = watchesOf(ctx, v, u.Code, low, high); err != nil {
					return 0, 0, err
				}
				seen := thermal.Watched(sensors, low, high)
				watched += seen.Hours()
				unwatched += (high.Sub(low) - seen).Hours()
			}
		}
	}
	return watched, unwatched, nil
}

// watchesOf reads every sensor that spoke for a unit between from and to.
func watchesOf(ctx context.Context, v View, unit string, from, to time.Time) (sensors []thermal.Watch, err error) {
	for _, s := range v.Site().Sensors {
		for _, a := range s.Assignments {
			w := thermal.Watch{MaxGap: s.MaxGap, From: a.From, To: a.To}
			if w.To.IsZero() {
				w.To = to
			}
			if a.Unit != unit || !w.From.Before(to) || !from.Before(w.To) {
				continue
			}
			if w.Series, _, err = v.Readings(ctx, s.Code, from.Add(-s.MaxGap), to.Add(s.MaxGap)); err != nil {
				return nil, err
			}
			sensors = append(sensors, w)
		}
	}
	return sensors, nil
}
