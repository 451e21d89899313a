package tracker

import (
	"context"
	"fmt"

	"vialward/tracker/stock"
)

// foldAtOnce is how many events are read at a time.
const foldAtOnce = 10_000

// Recount folds every event of a site anew and compares the sums with the vial rows: the events are the truth, the rows
// must agree. It answers one sentence a vial that differs, and how many vials it counted.
func (t *Tracker) Recount(ctx context.Context, site string) (vials int, differs []string, err error) {
	err = t.Store.Read(ctx, site, func(v View) error {
		sums := Sums{}
		for last := int64(0); ; {
			events, err := v.Events(ctx, EventQuery{AfterSeq: last, Limit: foldAtOnce})
			if err != nil {
				return err
			}
			if len(events) == 0 {
				break
			}
			if err := sums.addAll(last, events); err != nil {
				return err
			}
			last += int64(len(events))
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
			if d := Differs(sum.Vial, row); d != "" {
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
	sums := Sums{}
	if err := sums.addAll(0, events); err != nil {
		return nil, err
	}
	vials := make(map[string]stock.Vial, len(sums))
	for code, s := range sums {
		vials[code] = s.Vial
	}
	return vials, nil
}

func (s Sums) addAll(after int64, events []stock.Event) error {
	for i, e := range events {
		if want := after + int64(i+1); e.Seq != want {
			return fmt.Errorf("event %d stands where %d belongs", e.Seq, want)
		}
		if err := s.Add(e); err != nil {
			return err
		}
	}
	return nil
}
