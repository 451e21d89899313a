package web

import (
	"context"
	"fmt"
	"net/http"
	"slices"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// stockPage is what there is, by storage unit in walking order and by product; or, narrowed, vial by vial.
type stockPage struct {
	Asked     string // what it was narrowed to, in words
	Units     []unitStockLines
	Elsewhere []stockLine // in a preparation area, or with a ward
	Products  []productStock
	Vials     []vialLine // narrowed only
	Cut       bool
	All       int
}

func (stockPage) Title() string { return "Stock" }

type unitStockLines struct {
	Code, Name, Room, Link string
	Stock                  stockCount
	Lines                  []stockLine
}

// stockLine is vials of one batch, place and standing.
type stockLine struct {
	Name, Batch, Link string
	Count             int
	Serials           string
	BUD               moment
	Where             string
	Standing          standingWord
}

// productStock is a product over all units.
type productStock struct {
	Code, Name, Link string
	Stock            stockCount
	Next             moment // BUD of what is usable
}

// vialLine is one vial in a list.
type vialLine struct {
	Code, Link, Name, Batch, Where string
	BUD                            moment
	Standing                       standingWord
}

const mostVials = 500

// stockQuery narrows the page.
type stockQuery struct{ unit, product, hold, only string }

var stockOnly = map[string]string{"past": "past the beyond-use date", "unchecked": "not checked", "ward": "issued, not reported given or returned", "hold": "on hold"}

func (v *visit) stockQuery() (stockQuery, error) {
	f := v.r.URL.Query()
	q := stockQuery{f.Get("unit"), f.Get("product"), f.Get("hold"), f.Get("only")}
	if _, _, ok := v.site.UnitAt(q.unit); q.unit != "" && !ok {
		return q, wrong(http.StatusNotFound, "There is no storage unit %q at %s.", q.unit, v.site.Name)
	}
	if q.only != "" && stockOnly[q.only] == "" {
		return q, wrong(http.StatusBadRequest, "Stock can be narrowed to past, unchecked, ward or hold, not to %q.", q.only)
	}
	return q, nil
}

func (q stockQuery) narrowed() bool { return q != stockQuery{} }

func (q stockQuery) words(v *visit) string {
	words := ""
	add := func(s string) {
		if words != "" {
			words += ", "
		}
		words += s
	}
	if q.only != "" {
		add(stockOnly[q.only])
	}
	if q.hold != "" {
		add("on hold: " + q.hold)
	}
	if q.unit != "" {
		add("in " + q.unit)
	}
	if q.product != "" {
		name := q.product
		for _, p := range v.site.Products {
			if p.Code == q.product {
				name = p.FullName()
			}
		}
		add(name)
	}
	return words
}

func (q stockQuery) takes(s shown, x stock.Vial) bool {
	switch {
	case q.hold != "" && !slices.ContainsFunc(x.Holds, func(h stock.Hold) bool { return h.Kind == q.hold }):
		return false
	case q.only == "past":
		return !s.now.Before(x.BUD) && x.State != stock.WithWard
	case q.only == "unchecked":
		return x.State == stock.InPreparation
	case q.only == "ward":
		return x.State == stock.WithWard
	case q.only == "hold":
		return len(x.Holds)+len(x.Touches) > 0
	}
	return true
}

func stockPageOf(ctx context.Context, v *visit) (content, error) {
	q, err := v.stockQuery()
	if err != nil {
		return nil, err
	}
	vials, err := v.view.Find(ctx, tracker.VialQuery{
		Unit: q.unit, Product: q.product, States: []stock.State{stock.InPreparation, stock.Available, stock.WithWard},
	})
	if err != nil {
		return nil, err
	}
	vials = slices.DeleteFunc(vials, func(x stock.Vial) bool { return !q.takes(v.shown, x) })
	p := stockPage{Asked: q.words(v), All: len(vials)}
	if q.narrowed() {
		p.Cut = len(vials) > mostVials
		for _, x := range vials[:min(len(vials), mostVials)] {
			l, err := v.vialLine(ctx, x)
			if err != nil {
				return nil, err
			}
			p.Vials = append(p.Vials, l)
		}
		return p, nil
	}
	return p, v.fillStock(ctx, &p, vials)
}

func (v *visit) vialLine(ctx context.Context, x stock.Vial) (vialLine, error) {
	product, err := v.product(ctx, x.Product, x.Version)
	return vialLine{x.Code, v.link("/vials/", x.Code), product.FullName(), x.Batch, v.whereNow(x), v.at(x.BUD), v.standingOf(x)}, err
}

func (v *visit) fillStock(ctx context.Context, p *stockPage, vials []stock.Vial) error {
	byUnit := map[string][]stock.Vial{}
	for _, x := range vials {
		byUnit[x.Unit] = append(byUnit[x.Unit], x)
	}
	for _, r := range v.site.Rooms {
		for _, u := range r.Units {
			l := unitStockLines{Code: u.Code, Name: u.Name, Room: r.Words(), Link: v.link("/units/", u.Code)}
			for _, x := range byUnit[u.Code] {
				l.Stock.add(v.shown, x)
			}
			var err error
			if l.Lines, err = v.stockLines(ctx, byUnit[u.Code]); err != nil {
				return err
			}
			p.Units = append(p.Units, l)
		}
	}
	var err error
	if p.Elsewhere, err = v.stockLines(ctx, byUnit[""]); err != nil {
		return err
	}
	return v.byProduct(ctx, p, vials)
}

func (v *visit) byProduct(ctx context.Context, p *stockPage, vials []stock.Vial) error {
	index := map[string]int{}
	next := map[string]stock.Vial{}
	for _, x := range vials {
		if x.State == stock.WithWard {
			continue
		}
		i, ok := index[x.Product]
		if !ok {
			product, err := v.product(ctx, x.Product, x.Version)
			if err != nil {
				return err
			}
			i = len(p.Products)
			index[x.Product] = i
			p.Products = append(p.Products, productStock{Code: x.Product, Name: product.FullName(), Link: with(v.link("/stock"), "product", x.Product)})
		}
		p.Products[i].Stock.add(v.shown, x)
		n, known := next[x.Product]
		if v.standingOf(x).Word == wordUsable && (!known || x.BUD.Before(n.BUD)) {
			next[x.Product] = x
		}
	}
	for code, x := range next {
		p.Products[index[code]].Next = v.at(x.BUD)
	}
	slices.SortFunc(p.Products, func(a, b productStock) int { return compareText(a.Name, b.Name) })
	return nil
}

// stockLines groups vials of one batch, shelf, date and standing, in the order in which they come.
func (v *visit) stockLines(ctx context.Context, vials []stock.Vial) ([]stockLine, error) {
	type key struct {
		batch, where, standing string
		bud                    int64
	}
	index, serials := map[key]int{}, map[key][]int{}
	var lines []stockLine
	for _, x := range vials {
		s := v.standingOf(x)
		k := key{x.Batch, v.whereNow(x), fmt.Sprint(s.Word, s.Why), x.BUD.UnixMicro()}
		serials[k] = append(serials[k], x.Serial)
		if i, ok := index[k]; ok {
			lines[i].Count++
			continue
		}
		product, err := v.product(ctx, x.Product, x.Version)
		if err != nil {
			return nil, err
		}
		index[k] = len(lines)
		lines = append(lines, stockLine{Name: product.FullName(), Batch: x.Batch, Link: v.link("/batches/", x.Batch), Count: 1, BUD: v.at(x.BUD), Where: k.where, Standing: s})
	}
	for k, i := range index {
		slices.Sort(serials[k])
		lines[i].Serials = stock.SayNumbers(serials[k])
	}
	return lines, nil
}
