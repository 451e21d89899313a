package tracker

import (
	"errors"
	"slices"
	"time"

	"vialward/tracker/beyonduse"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// budInput is what a product and its site say of a beyond-use date; the stability rows are those of the diluent and the
// concentration.
func budInput(s *stock.Site, product stock.Product, components []stock.Component, started time.Time, category, diluent string, c stock.Concentration) (beyonduse.Input, error) {
	table, err := beyonduse.Shipped().With(s.Limits)
	if err != nil {
		return beyonduse.Input{}, stock.Refuse("limits", "", "%s", err)
	}
	in := beyonduse.Input{
		Zone: s.Location(), StartedAt: started, Storage: product.Storage, Table: table, Components: components,
		Sterility: beyonduse.Sterility{Category: category, Method: product.Method, Tested: product.Tested, Nonsterile: product.Nonsterile},
		Stability: beyonduse.StabilityOf(product, diluent, c),
	}
	if product.CapHours > 0 {
		limit := time.Duration(product.CapHours) * time.Hour
		in.Cap = &limit
	}
	return in, nil
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

// warmerBUD is the date of a vial placed in a warmer class, and what made it so: never later than it had. It follows the
// row of the diluent the batch ended in, at its concentration. Where that is not known, of stock taken over, the vial may
// be any that could have been kept as it was, and the shortest of them counts.
func warmerBUD(s *stock.Site, p stock.Product, b stock.Batch, v stock.Vial, class stock.Storage, at time.Time) (beyonduse.Answer, error) {
	earliest := beyonduse.Answer{BeyondUse: v.BUD}
	diluents, categories := []string{b.Diluent}, []string{b.Category}
	if b.Diluent == "" {
		diluents = diluentsKept(p)
	}
	if b.Category == "" {
		categories = categoriesKept(p)
	}
	for _, diluent := range diluents {
		for _, category := range categories {
			in, err := budInput(s, p, nil, b.StartedAt, category, diluent, p.Concentration())
			if err != nil {
				return earliest, err
			}
			in.Storage = class
			a, err := compute(beyonduse.Warmer(in, v.BUD, at, s.WarmLimitFromStart))
			if no, ok := refusalOf(err); ok {
				return earliest, stock.Refuse(no.Code, v.Code, "in %s storage: %s", class, no.Say)
			}
			if err != nil {
				return earliest, err
			}
			if a.BeyondUse.Before(earliest.BeyondUse) || earliest.GovernedBy == "" {
				earliest = a
			}
		}
	}
	return earliest, nil
}

// diluentsKept are those in which the product can be kept in its own class; one without a name stands for none.
func diluentsKept(p stock.Product) []string {
	var all []string
	for _, r := range p.Stability {
		if r.Storage == p.Storage && r.Covers(p.Concentration()) && !slices.Contains(all, r.Diluent) {
			all = append(all, r.Diluent)
		}
	}
	if len(all) == 0 {
		return []string{""}
	}
	return all
}

// categoriesKept are those, up to the product's, in which the chapter lets it be kept in its own class: the area may have
// been allowed less than the product.
func categoriesKept(p stock.Product) []string {
	var all []string
	for _, c := range []string{beyonduse.Category1, beyonduse.Category2, beyonduse.Category3} {
		s := beyonduse.Sterility{Category: c, Method: p.Method, Tested: p.Tested, Nonsterile: p.Nonsterile}
		if beyonduse.Lower(c, p.Category) == c && beyonduse.Shipped().Has(s, p.Storage) {
			all = append(all, c)
		}
	}
	if len(all) == 0 {
		return []string{p.Category}
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
