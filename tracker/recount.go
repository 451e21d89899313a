package tracker

import (
	"context"
	"fmt"
	"reflect"

	"vialward/tracker/stock"
)

// Recount folds every event of a site anew and compares the sums with the vial rows: the events are the truth, the rows
// must agree. It answers one sentence a vial that differs, and how many vials it counted.
func (t *Tracker) Recount(ctx context.Context, site string) (vials int, differs []string, err error) {
	err = t.Store.Read(ctx, site, func(v View) error {
		events, err := v.Events(ctx, EventQuery{})
		if err != nil {
			return err
		}
		sums, err := Fold(events)
		if err != nil {
			return err
		}
		rows, err := v.Find(ctx, VialQuery{})
		if err != nil {
			return err
		}
		vials = len(rows)
		for _, row := range rows {
			sum, ok := sums[row.Code]
			if !ok {
				differs = append(differs, row.Code+" has a row and no event")
				continue
			}
			delete(sums, row.Code)
			if d := difference(sum, row); d != "" {
				differs = append(differs, row.Code+": "+d)
			}
		}
		for code := range sums {
			differs = append(differs, code+" has events and no row")
		}
		return nil
	})
	return vials, differs, err
}

// Fold makes the vials out of a site's events, from the first to the last.
func Fold(events []stock.Event) (map[string]stock.Vial, error) {
	sums := map[string]stock.Vial{}
	for i, e := range events {
		if e.Seq != int64(i+1) {
			return nil, fmt.Errorf("event %d stands where %d belongs", e.Seq, i+1)
		}
		for n, code := range e.Vials {
			v := sums[code]
			if v.Code == "" {
				v = stock.Vial{Site: e.Site, Code: code, Serial: n + 1}
			}
			next, err := v.Apply(e)
			if err != nil {
				return nil, fmt.Errorf("event %d does not follow: %w", e.Seq, err)
			}
			sums[code] = next
		}
	}
	return sums, nil
}

func difference(sum, row stock.Vial) string {
	row.Touches = nil // of excursions, not of the vial's own events
	if len(row.Holds) == 0 && len(sum.Holds) == 0 {
		row.Holds, sum.Holds = nil, nil
	}
	for i := range sum.Holds {
		sum.Holds[i].Since = sum.Holds[i].Since.UTC()
	}
	a, b := reflect.ValueOf(sum), reflect.ValueOf(row)
	for i := range a.NumField() {
		name := a.Type().Field(i).Name
		if !reflect.DeepEqual(a.Field(i).Interface(), b.Field(i).Interface()) {
			return fmt.Sprintf("%s is %v by its events and %v in its row", name, a.Field(i).Interface(), b.Field(i).Interface())
		}
	}
	return ""
}
