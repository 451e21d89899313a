package tracker

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"vialward/tracker/beyonduse"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// budInput is what a product and its site say of a beyond-use date.
func budInput(s *stock.Site, product stock.Product, components []stock.Component, started time.Time, category, diluent string) (beyonduse.Input, error) {
	table, err := beyonduse.Shipped().With(s.Limits)
	if err != nil {
		return beyonduse.Input{}, stock.Refuse("limits", "", "%s", err)
	}
	if diluent == "" {
		if diluent, err = onlyDiluent(product); err != nil {
			return beyonduse.Input{}, err
		}
	}
	in := beyonduse.Input{
		Zone: s.Location(), StartedAt: started, Storage: product.Storage, Table: table, Components: components,
		Sterility: beyonduse.Sterility{Category: category, Method: product.Method, Tested: product.Tested, Nonsterile: product.Nonsterile},
		Stability: beyonduse.StabilityOf(product, diluent),
	}
	if product.CapHours > 0 {
		limit := time.Duration(product.CapHours) * time.Hour
		in.Cap = &limit
	}
	return in, nil
}

func onlyDiluent(product stock.Product) (string, error) {
	diluent := ""
	for _, r := range product.Stability {
		if diluent != "" && r.Diluent != diluent {
			return "", stock.Refuse("diluent", "", "%s has stability data in more than one diluent; say which was used", product.FullName())
		}
		diluent = r.Diluent
	}
	return diluent, nil
}

// compute turns reasons against a date into a refusal, and refuses what nobody has confirmed.
func compute(a beyonduse.Answer, err error) (beyonduse.Answer, error) {
	var no *beyonduse.NoDate
	if errors.As(err, &no) {
		return a, stock.Refuse("no_date", "", "no beyond-use date: %s", no)
	}
	if err != nil {
		return a, err
	}
	for _, c := range a.Candidates {
		if !c.Confirmed {
			return a, stock.Refuse("unconfirmed", "", "the %s limit (%s) waits for a pharmacist's confirmation in the site file", c.Limit, c.Source)
		}
	}
	return a, nil
}

func componentEnds(components []stock.Component, zone *time.Location) []time.Time {
	ends := make([]time.Time, len(components))
	for i, c := range components {
		if c.Expires != "" {
			ends[i], _ = beyonduse.EndOfExpiry(c.Expires, zone) // it was read without error a moment ago
		}
		if c.BeyondUse != "" {
			if end, _ := beyonduse.EndOfBeyondUse(c.BeyondUse, zone); ends[i].IsZero() || end.Before(ends[i]) {
				ends[i] = end
			}
		}
	}
	return ends
}

// warmerBUD is the date of a vial placed in a warmer class: never later than it had.
func warmerBUD(s *stock.Site, p stock.Product, b stock.Batch, v stock.Vial, class stock.Storage, at time.Time) (time.Time, error) {
	earliest := v.BUD
	for _, diluent := range diluents(p) { // the record does not say which was used, so the shortest counts
		in, err := budInput(s, p, nil, b.StartedAt, b.Category, diluent)
		if err != nil {
			return v.BUD, err
		}
		in.Storage = class
		a, err := compute(beyonduse.Warmer(in, v.BUD, at, s.WarmLimitFromStart))
		if err != nil {
			return v.BUD, fmt.Errorf("vial %s in %s storage: %w", v.Code, class, err)
		}
		if a.BeyondUse.Before(earliest) {
			earliest = a.BeyondUse
		}
	}
	return earliest, nil
}

// diluents a product has stability data in; one without a name stands for a product without any.
func diluents(p stock.Product) []string {
	var all []string
	for _, r := range p.Stability {
		if !slices.Contains(all, r.Diluent) {
			all = append(all, r.Diluent)
		}
	}
	if len(all) == 0 {
		return []string{""}
	}
	return all
}

// enteredBUD is how long a punctured vial may be used: 12 hours when it was done in ISO 5 air, else not beyond that
// instant (USP <797>: a compounded single-dose vial that is entered, R, quoted).
func enteredBUD(iso5 bool, at time.Time) time.Time {
	if iso5 {
		return walltime.CutMinute(at.Add(12 * time.Hour))
	}
	return walltime.CutMinute(at)
}
