package web

import (
	"context"
	"fmt"
	"strings"

	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/stock"
)

// issuePage says which vials go out, from which shelf, and lists those that wards have had past their date.
type issuePage struct {
	F            *form
	Products     []option
	Destinations []option
	Rooms        []option
	Asked        bool
	Take         []pickLine
	Short        int
	Stays        []staysLine
	ScanLink     string // with nothing in hand, to scan them one by one
	Overdue      []overdueLine
	MayGive      bool
	MayIssue     bool
	ShortLink    string
	GiveLink     string
	ScanPath     string
}

func (issuePage) Title() string { return "Issue" }

type pickLine struct {
	Code, Link, Name, Where string
	BUD                     moment
	OutLeft                 string
}

type staysLine struct {
	Why    string
	Vials  []pickLine
	Number int
	More   int
}

type overdueLine struct {
	pickLine
	Dest string
}

// staysWords says why a vial is not handed out.
var staysWords = map[string]string{
	"on_hold": "ON HOLD: do not use, do not discard", "expired": "EXPIRED: past its beyond-use date", "short_life": "ends too soon for this destination",
	"unverified": "NOT CHECKED: nobody has verified it yet",
}

func (s *Server) issuing() []served {
	d := doing{path: "/issue", template: "issue", op: access.Short, show: issuePageOf, do: recordShort, beside: map[string]string{"count": "count", "destination": "dest"}, back: issueBack}
	show := s.shows(d)
	d.path, d.page = "/issue/short", "/issue"
	return []served{show, s.does(d)}
}

func issueBack(f *form) string {
	to := "/issue"
	for _, name := range []string{"product", "dest", "count", "room"} {
		if f.Get(name) != "" {
			to = with(to, name, f.Get(name))
		}
	}
	return to
}

func issuePageOf(ctx context.Context, v *visit, f *form) (content, error) {
	p := &issuePage{
		F: f, MayGive: v.mayNot(access.Give) == nil, MayIssue: v.mayNot(access.Issue) == nil, ShortLink: v.link("/issue/short"), GiveLink: v.link("/scan/give"), ScanPath: v.link("/scan"),
	}
	for _, x := range v.site.Products {
		p.Products = append(p.Products, option{x.Code, x.FullName()})
	}
	for _, x := range v.site.Destinations {
		p.Destinations = append(p.Destinations, option{x.Code, strings.TrimSuffix(x.Code+", "+x.Name, ", ")})
	}
	for _, x := range v.site.Rooms {
		p.Rooms = append(p.Rooms, option{x.Code, upperFirst(x.Words())})
	}
	if err := v.fillPicks(ctx, p); err != nil {
		return nil, err
	}
	late, err := v.view.Find(ctx, tracker.VialQuery{States: []stock.State{stock.WithWard}, BUDUntil: v.now})
	if err != nil {
		return nil, err
	}
	for _, x := range late {
		l, err := v.pickLine(ctx, x)
		if err != nil {
			return nil, err
		}
		p.Overdue = append(p.Overdue, overdueLine{l, x.Dest})
	}
	return p, nil
}

func (v *visit) fillPicks(ctx context.Context, p *issuePage) error {
	f := p.F
	product, dest := f.Get("product"), f.Get("dest")
	if product == "" && dest == "" {
		return nil
	}
	if _, there := v.chosen(product); !there {
		f.fault("product", "Choose what is wanted.")
	}
	to, there := v.site.Destination(dest)
	if !there {
		f.fault("dest", "Choose where it goes.")
	}
	count := f.number("count", 1, mostInHand, "Say how many are wanted.")
	if !f.ok() {
		return nil
	}
	picks, err := tracker.PicksFor(ctx, v.view, product, f.Get("room"), to, count, v.now)
	if err != nil {
		return err
	}
	p.Asked, p.Short, p.ScanLink = true, picks.Short, with(with(v.link("/scan"), "do", "issue"), "dest", dest)
	for _, x := range picks.Take {
		l, err := v.pickLine(ctx, x.Vial)
		if err != nil {
			return err
		}
		if x.OutLeft != nil {
			l.OutLeft = fmt.Sprintf("%d min of its allowed time out left, by the decisions on record", *x.OutLeft)
		}
		p.Take = append(p.Take, l)
	}
	const most = 10
	for _, s := range picks.Stays {
		line := staysLine{Why: staysWords[s.Why], Number: len(s.Vials), More: max(0, len(s.Vials)-most)}
		for _, x := range s.Vials[:min(most, len(s.Vials))] {
			l, err := v.pickLine(ctx, x)
			if err != nil {
				return err
			}
			line.Vials = append(line.Vials, l)
		}
		p.Stays = append(p.Stays, line)
	}
	return nil
}

func (v *visit) pickLine(ctx context.Context, x stock.Vial) (pickLine, error) {
	product, err := v.product(ctx, x.Product, x.Version)
	return pickLine{Code: x.Code, Link: v.link("/vials/", x.Code), Name: product.FullName(), Where: v.whereNow(x), BUD: v.at(x.BUD)}, err
}

// recordShort says what was wanted and not there: waste has to be read beside it.
func recordShort(ctx context.Context, a *acting, f *form) (string, error) {
	s := tracker.Shortage{Product: f.text("product", "Choose what was wanted."), Vials: f.number("short", 1, 999, "Say how many were missing."), To: f.Get("dest"), Order: strings.TrimSpace(f.Get("order"))}
	if !f.ok() {
		return "", nil
	}
	_, err := a.t.FellShort(ctx, a.site, a.who, s)
	return with(issueBack(f), "noted", "1"), err
}
