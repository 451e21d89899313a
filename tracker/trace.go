package tracker

import (
	"context"
	"slices"
	"time"

	"vialward/tracker/stock"
)

// Trace is everything a component's lot went into, and where all of it was and is.
type Trace struct {
	Lot     string
	Recalls []stock.Event // that name the lot
	Batches []stock.Batch
	Vials   []stock.Vial // gone ones too
	Stays   []Stay       // by vial, then time
	Issues  []Issued     // in the order they happened
}

// Issued is one vial that left for a destination, whatever became of it since.
type Issued struct {
	Vial, To string
	At       time.Time
	By       string
}

// TraceLot follows a lot, as printed, to every batch, vial, place and issue: four statements and one a batch, whatever
// the number of vials. ErrNotFound where nothing in the record was made from it. The way back stands in each batch.
func TraceLot(ctx context.Context, v View, lot string) (Trace, error) {
	out := Trace{Lot: lot}
	var err error
	if lot == "" {
		return out, stock.Refuse("lot", "", "name a component's lot, as printed")
	}
	if out.Vials, err = v.Find(ctx, VialQuery{ComponentLot: lot}); err != nil {
		return out, err
	}
	if len(out.Vials) == 0 {
		return out, NotFound("lot", lot)
	}
	codes, batches := make([]string, 0, len(out.Vials)), map[string]bool{}
	inIt := map[string]bool{}
	for _, x := range out.Vials {
		codes, inIt[x.Code] = append(codes, x.Code), true
		if batches[x.Batch] {
			continue
		}
		batches[x.Batch] = true
		b, err := v.Batch(ctx, x.Batch)
		if err != nil {
			return out, err
		}
		out.Batches = append(out.Batches, b)
	}
	slices.SortFunc(out.Batches, func(a, b stock.Batch) int { return a.StartedAt.Compare(b.StartedAt) })
	if out.Stays, err = v.StaysOf(ctx, codes); err != nil {
		return out, err
	}
	issues, err := v.Events(ctx, EventQuery{Kinds: []stock.Kind{stock.Issued}, From: out.Batches[0].StartedAt})
	if err != nil {
		return out, err
	}
	for _, e := range issues {
		for _, code := range e.Vials {
			if inIt[code] {
				out.Issues = append(out.Issues, Issued{code, e.Body.To, e.At, e.By})
			}
		}
	}
	recalls, err := openRecalls(ctx, v)
	for _, e := range recalls {
		if e.Body.Note == lot || batches[e.Body.Batch] {
			out.Recalls = append(out.Recalls, e)
		}
	}
	return out, err
}
