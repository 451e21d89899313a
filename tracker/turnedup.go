package tracker

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"vialward/tracker/stock"
)

// placedWarmer gathers what follows for vials that turned up in a place: an earlier date where its class is warmer, a hold
// where the place is wrong for them or has no date.
type placedWarmer struct {
	until map[time.Time][]string // new beyond-use date -> vials
	wrong map[string][]string    // why -> vials
}

func (w *placedWarmer) note(v stock.Vial, bud time.Time, err error) {
	var no *stock.Refusal
	switch {
	case errors.As(err, &no):
		if w.wrong == nil {
			w.wrong = map[string][]string{}
		}
		w.wrong[no.Say] = append(w.wrong[no.Say], v.Code)
	case bud.Before(v.BUD):
		if w.until == nil {
			w.until = map[time.Time][]string{}
		}
		w.until[bud] = append(w.until[bud], v.Code)
	}
}

// record adds the rule's events behind the one that says where the vials are.
func (w *placedWarmer) record(ctx context.Context, tx Tx, e stock.Event, after []stock.Vial) ([]stock.Vial, error) {
	var err error
	for _, bud := range sortedKeys(w.until, time.Time.Compare) {
		b := stock.Body{BUD: stock.Ref(bud), Reason: "sterility or stability in " + e.Body.To + ", a warmer place"}
		if after, err = recordSome(ctx, tx, event(tx, stock.Shortened, Rule, e.At, e.EnteredAt, b), after, w.until[bud]); err != nil {
			return nil, err
		}
	}
	for _, why := range sortedKeys(w.wrong, strings.Compare) {
		b := stock.Body{Hold: stock.HoldManual, Reason: fmt.Sprintf("turned up at %s: %s", e.Body.To, why)}
		if after, err = recordSome(ctx, tx, event(tx, stock.Held, Rule, e.At, e.EnteredAt, b), after, w.wrong[why]); err != nil {
			return nil, err
		}
	}
	return after, nil
}

// holdIfRecalled holds what turned up and was recalled while it was lost.
func holdIfRecalled(ctx context.Context, tx Tx, e stock.Event, after []stock.Vial) ([]stock.Vial, error) {
	recalls, err := openRecalls(ctx, tx)
	if err != nil || len(recalls) == 0 {
		return after, err
	}
	byReason := map[string][]string{}
	for _, v := range after {
		b, err := tx.Batch(ctx, v.Batch)
		if err != nil {
			return nil, err
		}
		if why := recalled(recalls, b.Code, b.Components); why != "" && !holdsOf(v, stock.HoldRecall) {
			byReason[why] = append(byReason[why], v.Code)
		}
	}
	for _, why := range sortedKeys(byReason, strings.Compare) {
		b := stock.Body{Hold: stock.HoldRecall, Reason: why}
		if after, err = recordSome(ctx, tx, event(tx, stock.Held, Rule, e.At, e.EnteredAt, b), after, byReason[why]); err != nil {
			return nil, err
		}
	}
	return after, nil
}

func holdsOf(v stock.Vial, kind string) bool {
	return slices.ContainsFunc(v.Holds, func(h stock.Hold) bool { return h.Kind == kind })
}

// recordSome records one event of some of the vials and answers all of them as they are after it.
func recordSome(ctx context.Context, tx Tx, e stock.Event, vials []stock.Vial, codes []string) ([]stock.Vial, error) {
	var some []stock.Vial
	for _, v := range vials {
		if slices.Contains(codes, v.Code) {
			some = append(some, v)
		}
	}
	changed, err := recordAll(ctx, tx, e, some)
	if err != nil {
		return nil, err
	}
	all := slices.Clone(vials)
	for _, v := range changed {
		all[slices.IndexFunc(all, func(o stock.Vial) bool { return o.Code == v.Code })] = v
	}
	return all, nil
}

func sortedKeys[K comparable, V any](m map[K]V, compare func(a, b K) int) []K {
	keys := make([]K, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, compare)
	return keys
}

func isRefusal(err error) bool {
	_, ok := refusalOf(err)
	return ok
}

func refusalOf(err error) (*stock.Refusal, bool) {
	var no *stock.Refusal
	return no, errors.As(err, &no)
}

func isNoDate(err error) bool {
	var no *stock.Refusal
	return errors.As(err, &no) && (no.Code == "no_date" || no.Code == "unconfirmed")
}
