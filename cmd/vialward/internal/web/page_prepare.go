package web

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/stock"
)

// preparePage is a batch from the wish for it to its record: what it takes, lots, times, steps, and beside them what
// follows from what is typed so far.
type preparePage struct {
	F          *form
	Products   []option
	Areas      []option
	People     []personLine
	Me         string
	Name       string // of the product chosen; "" = none yet
	Components []componentField
	Steps      []stepField
	HasPowder  bool

	Takes   []fact // materials for the number wanted
	Follow  []fact // volumes, concentration, full vials
	BUD     *budTable
	Supply  string
	Missing []string // of components, for which the date may yet be earlier
	Not     string   // what keeps it from being recorded as it stands
	May     string   // why this person may not; "" = they may
}

func (preparePage) Title() string { return "Prepare a batch" }

// Script of the page.
func (preparePage) Script() string { return "live.js" }

type option struct{ Code, Name string }

// componentField is the row of one component, and of its second lot.
type componentField struct {
	N                 int
	Name, Hint        string
	Lot, Ends, Maker  field
	Lot2, Ends2       field
	Compounded, ISO5  bool
	Opened            field
	CompoundedName    string
	ISO5Name, ISO5Say string
}

type stepField struct {
	N    int
	Name string
	At   field
	By   string
}

const preparePath = "/prepare"

func (s *Server) preparing() []served {
	d := doing{path: preparePath, template: "prepare", op: access.Prepare, waits: true, show: preparePageOf, do: prepareBatch, beside: map[string]string{
		"count": "count", "yield": "count", "area": "area", "draft": "product", "times": "started", "future": "started", "order": "order",
	}}
	look, drop := d, d
	look.path, look.page, look.do, look.keeps = preparePath+"/look", preparePath, lookAtBatch, true
	drop.path, drop.page, drop.do = preparePath+"/drop", preparePath, func(context.Context, *acting, *form) (string, error) { return preparePath, nil }
	return append(s.doings(d), s.does(look), s.does(drop))
}

func preparePageOf(ctx context.Context, v *visit, f *form) (content, error) {
	p := &preparePage{F: f, Me: v.asks.Person.Code}
	for _, x := range v.site.Products {
		if x.ApprovedBy != "" && x.DraftBecause == "" {
			p.Products = append(p.Products, option{x.Code, x.FullName()})
		}
	}
	for _, x := range v.site.Areas {
		category, why := x.CategoryAt(v.now)
		say := "no preparation: " + why
		if category != "" {
			say = "category " + category
		}
		p.Areas = append(p.Areas, option{x.Code, strings.TrimSpace(x.Code+" "+x.Name) + ", " + say})
	}
	for _, x := range v.site.People {
		if access.MayAsk(v.site, x.Code, access.SignStep, v.now) == nil {
			p.People = append(p.People, personLine{Code: x.Code, Name: nameOf(x)})
		}
	}
	if v.asks.Person.Code == "" {
		p.May = "choose as whom you look around to prepare one."
	} else if no := v.mayNot(access.Prepare); no != nil {
		p.May = upperFirst(no.Error()) + "."
	}
	product, chosen := v.chosen(f.Get("product"))
	if !chosen {
		return p, nil
	}
	p.Name = product.FullName()
	looked := &form{values: f.values, wrong: map[string]string{}, zone: v.zone, now: v.now}
	typed, _, err := typedBatch(ctx, v.view, looked)
	if err != nil {
		return nil, err
	}
	for name, say := range looked.wrong { // empty fields are not wrong yet
		if strings.TrimSpace(f.Get(name)) != "" {
			f.fault(name, "%s", say)
		}
	}
	p.fields(product)
	if p.Supply, err = v.supplyWords(ctx, product.Code); err != nil {
		return nil, err
	}
	return p, v.follow(ctx, p, product, typed, looked)
}

func (v *visit) chosen(code string) (stock.Product, bool) {
	i := slices.IndexFunc(v.site.Products, func(x stock.Product) bool { return x.Code == code })
	if i < 0 {
		return stock.Product{}, false
	}
	return v.site.Products[i], true
}

func (p *preparePage) fields(product stock.Product) {
	f := p.F
	for i, u := range product.Components {
		at := func(what string) string { return fmt.Sprintf("c%d-%s", i, what) }
		c := componentField{
			N: i, Name: u.Name, Lot: f.Field(at("lot"), "Lot, scanned or typed"), Ends: f.Field(at("ends"), "End, as printed").With("2026-05 or 2026-05-31"),
			Maker: f.Field(at("maker"), "Maker"), Lot2: f.Field(at("lot2"), "A second lot"), Ends2: f.Field(at("ends2"), "Its end"),
			Opened: f.Field(at("opened"), "Opened before: when").Moment(), CompoundedName: at("compounded"), ISO5Name: at("iso5"),
			Compounded: f.Has(at("compounded"), "yes"), ISO5: f.Has(at("iso5"), "yes"),
		}
		var kinds []string
		for _, k := range []struct {
			is  bool
			say string
		}{{u.Powder, "source drug"}, {u.Diluent, "diluent"}, {u.Container, "container"}, {u.Optional, "if it is used"}} {
			if k.is {
				kinds = append(kinds, k.say)
			}
		}
		c.Hint = strings.Join(kinds, ", ")
		p.HasPowder = p.HasPowder || u.Powder
		p.Components = append(p.Components, c)
	}
	for i, name := range tracker.Steps() {
		by := f.Get(fmt.Sprintf("by-%d", i))
		if by == "" {
			by = p.Me
		}
		p.Steps = append(p.Steps, stepField{i, name, f.Field(fmt.Sprintf("step-%d", i), upperFirst(name)), by})
	}
}

// supplyWords: "11 on hand last 2.3 days".
func (v *visit) supplyWords(ctx context.Context, product string) (string, error) {
	s, err := tracker.SupplyOf(ctx, v.view, product, v.now)
	if err != nil {
		return "", err
	}
	say := fmt.Sprintf("%d on hand", s.OnHand)
	asked := fmt.Sprintf("%d issued in the last %s", s.Issued, many(s.Days, "day"))
	if s.Short > 0 {
		asked += fmt.Sprintf(", %d more wanted and not there", s.Short)
	}
	if tenths, known := s.TenthsOfDays(); known {
		say += fmt.Sprintf(" last %d.%d days: %s", tenths/10, tenths%10, asked)
	} else {
		say += "; nothing was asked for in the last " + many(s.Days, "day")
	}
	if s.OnHand > 0 {
		say += ". The first of them ends " + v.at(s.FirstBUD).Say
	}
	return say + ".", nil
}

// follow is what follows from what is typed: materials first, then the mixture, then every limit.
func (v *visit) follow(ctx context.Context, p *preparePage, product stock.Product, typed tracker.Prepare, looked *form) error {
	if typed.Count > 0 {
		m, err := tracker.MaterialsFor(ctx, v.view, tracker.Wanted{Product: product.Code, Vials: typed.Count})
		switch {
		case err == nil:
			p.Takes = takesFacts(m)
		case !isRefused(err):
			return err
		default:
			p.Takes = []fact{{"Not worked out", upperFirst(err.Error())}}
		}
	}
	if !looked.ok() {
		p.Not = "Fill in what is missing, and the beyond-use date stands here."
		return nil
	}
	if p.Missing = assumed(product, &typed); len(p.Missing) > 0 {
		p.Not = "Still missing: " + strings.Join(p.Missing, "; ") + "."
	}
	typed.CompletedAt = laterOf(typed.CompletedAt, typed.StartedAt)
	x, err := v.tracker.PreviewPrepare(ctx, v.view, v.asks, typed)
	if err != nil && !isRefused(err) {
		return err
	}
	if err != nil {
		p.Not = upperFirst(err.Error()) + "."
	}
	if x.Mixture != nil {
		p.Follow = mixtureFacts(x.Mixture, product)
	}
	if !x.Batch.BUD.IsZero() {
		x.Batch.Candidates = slices.DeleteFunc(x.Batch.Candidates, func(c stock.Candidate) bool { return c.BeyondUse.Year() >= assumedYear })
		t := v.budTable(x.Batch, x.Batch.BUD)
		p.BUD = &t
	}
	return nil
}

func takesFacts(m tracker.Materials) []fact {
	out := []fact{
		{"Source vials", fmt.Sprintf("%d of %s, each dissolved in %s", m.SourceVials, m.Source.Name, millilitres(m.DiluentEach))},
		{"Draw", fmt.Sprintf("%s from them, brought to %s with %s", millilitres(m.Concentrate), millilitres(m.BringTo), millilitres(m.MakeUp))},
		{"Diluent", fmt.Sprintf("%s of %s", millilitres(m.Diluent), strings.Join(m.Into, " or "))},
		{"Containers and labels", fmt.Sprintf("%d containers, %d labels with one for the record", m.Containers, m.Labels)},
	}
	for _, s := range m.Syringes {
		out = append(out, fact{"Syringes to " + s.Step, fmt.Sprintf("%d of %s", s.Count, millilitres(s.Size))})
	}
	return out
}
