package web

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"vialward/tracker"
	"vialward/tracker/label"
	"vialward/tracker/stock"
	"vialward/tracker/sweep"
)

// findPage answers what was typed or scanned into the find field, where it is not one thing alone.
type findPage struct {
	Asked string
	Say   string // when it looked like a vial's code and is none
	Found []found
}

func (findPage) Title() string { return "Find" }

// found is one thing in the record.
type found struct{ What, Name, Link, More string }

// longestFind bounds what is looked for.
const longestFind = 200

func findPageOf(ctx context.Context, v *visit) (content, error) {
	q := strings.TrimSpace(v.r.URL.Query().Get("q"))
	p := findPage{Asked: q}
	if q == "" {
		p.Say = "Type or scan a vial's code, a batch, a product or a component's lot; or type the code on a list."
		return p, nil
	}
	if len(q) > longestFind {
		p.Asked, p.Say = q[:40]+" ...", fmt.Sprintf("That is longer than %d characters: scan one code at a time.", longestFind)
		return p, nil
	}
	for _, look := range []func(context.Context, string, *findPage) error{v.findSweep, v.findVial, v.findBatch, v.findUnit, v.findProduct, v.findLot} {
		if err := look(ctx, q, &p); err != nil {
			return nil, err
		}
	}
	if len(p.Found) > 0 {
		p.Say = ""
	} else if p.Say == "" {
		p.Say = fmt.Sprintf("Nothing in the record of %s is called %q. A vial that is not in the record is not to be used: put it aside and ask.", v.site.Name, q)
	}
	return p, nil
}

// findVial takes a code as typed, or GS1 data as scanned. The code of a vial that is here leads straight to it.
func (v *visit) findVial(ctx context.Context, q string, p *findPage) error {
	code, e, err := label.Read(q, v.now.In(v.zone).Year())
	if err != nil {
		if looksLikeCode(q) {
			p.Say = upperFirst(err.Error()) + "."
		}
		return nil //nolint:nilerr // it is something else then, or the page says why
	}
	if code == "" {
		if e.Lot != "" {
			return v.findLot(ctx, e.Lot, p)
		}
		return nil
	}
	vials, err := v.view.Find(ctx, tracker.VialQuery{Codes: []string{code}})
	if err != nil {
		return err
	}
	if len(vials) == 0 {
		p.Say = fmt.Sprintf("Vial %s is not in the record of %s. Do not use it; put it aside and ask a pharmacist.", code, v.site.Name)
		return nil
	}
	to := v.link("/vials/", code)
	if e.Label > 0 {
		to = with(to, "label", plainText(e.Label))
	}
	return elsewhere(to)
}

// looksLikeCode: mostly digits and long enough, so that a mistyped code is told what is wrong with it.
func looksLikeCode(q string) bool {
	digits := 0
	for _, r := range q {
		if r >= '0' && r <= '9' {
			digits++
		}
	}
	return digits >= 8
}

// findSweep takes the code on a list's pages to the list.
func (v *visit) findSweep(_ context.Context, q string, _ *findPage) error {
	site, number, ok := sweep.ParseCode(q)
	if !ok || !strings.EqualFold(site, v.site.Code) {
		return nil
	}
	return elsewhere(v.link("/sweeps/", plainText(number)))
}

func (v *visit) findBatch(ctx context.Context, q string, _ *findPage) error {
	code, err := label.ParseBatchCode(q)
	if err != nil {
		return nil //nolint:nilerr // it is something else then
	}
	_, err = v.view.Batch(ctx, code.String())
	if errors.Is(err, tracker.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	return elsewhere(v.link("/batches/", code.String()))
}

func (v *visit) findUnit(_ context.Context, q string, p *findPage) error {
	for _, r := range v.site.Rooms {
		for _, u := range r.Units {
			if strings.EqualFold(u.Code, q) || contains(u.Name, q) {
				p.Found = append(p.Found, found{"Storage unit", u.Code, v.link("/units/", u.Code), strings.TrimPrefix(u.Name+", "+r.Words(), ", ")})
			}
		}
	}
	return nil
}

func (v *visit) findProduct(_ context.Context, q string, p *findPage) error {
	for _, x := range v.site.Products {
		if strings.EqualFold(x.Code, q) || contains(x.Name, q) {
			p.Found = append(p.Found, found{"Product", x.FullName(), with(v.link("/stock"), "product", x.Code), "its stock"})
		}
	}
	return nil
}

func (v *visit) findLot(ctx context.Context, q string, p *findPage) error {
	vials, err := v.view.Find(ctx, tracker.VialQuery{ComponentLot: q})
	if err != nil {
		return err
	}
	count := map[string]int{}
	var batches []stock.Vial
	for _, x := range vials {
		if count[x.Batch]++; count[x.Batch] == 1 {
			batches = append(batches, x)
		}
	}
	slices.SortFunc(batches, func(a, b stock.Vial) int { return compareText(b.Batch, a.Batch) })
	for _, x := range batches {
		product, err := v.product(ctx, x.Product, x.Version)
		if err != nil {
			return err
		}
		p.Found = append(p.Found, found{"Batch made from lot " + q, x.Batch, v.link("/batches/", x.Batch), fmt.Sprintf("%s, %s", product.FullName(), many(count[x.Batch], "vial"))})
	}
	return nil
}

func contains(name, part string) bool {
	return len(part) > 1 && strings.Contains(strings.ToLower(name), strings.ToLower(part))
}
