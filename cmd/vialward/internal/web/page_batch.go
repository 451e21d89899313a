package web

import (
	"context"
	"net/http"
	"strings"
	"time"

	"vialward/tracker"
	"vialward/tracker/label"
	"vialward/tracker/stock"
)

// batchPage is a batch's record and where its vials are.
type batchPage struct {
	Code, Name string
	Facts      []fact
	BUD        budTable
	Components []componentLine
	Mixture    []fact
	Steps      []stepLine
	Unsigned   []string // steps nobody signed yet
	Closing    []fact
	Open       bool // its record is not closed
	Vials      []vialLine
	Broken     []string // signatures that do not stand
	Rules      []fact
	WorkLink   string // "" = there was no work on it here
}

func (p batchPage) Title() string { return "Batch " + p.Code }

type componentLine struct{ Name, Lot, LotLink, Maker, Ends, Amount, Opened string }

type stepLine struct {
	Name, By string
	At       moment
	Entered  string // by whom and when, where that is another story
}

func batchPageOf(ctx context.Context, v *visit) (content, error) {
	code, err := label.ParseBatchCode(v.r.PathValue("code"))
	if err != nil {
		return nil, wrong(http.StatusBadRequest, "%s.", upperFirst(err.Error()))
	}
	b, err := v.view.Batch(ctx, code.String())
	if err != nil {
		return nil, err
	}
	product, err := v.product(ctx, b.Product, b.Version)
	if err != nil {
		return nil, err
	}
	p := batchPage{Code: b.Code, Name: product.FullName(), Facts: v.batchFacts(b), BUD: v.budTable(b, b.BUD), Mixture: mixtureFacts(b.Mixture, product), Rules: productFacts(product)}
	for _, c := range b.Components {
		p.Components = append(p.Components, v.componentLine(c))
	}
	for _, s := range b.Steps {
		p.Steps = append(p.Steps, v.stepLine(s))
	}
	if p.Open = b.Closing == nil && !b.TakenOver; p.Open {
		p.Unsigned = tracker.Steps()[len(b.Steps):]
	}
	p.Closing = v.closingFacts(b.Closing)
	if !b.TakenOver {
		p.WorkLink = v.link("/batches/" + b.Code + "/work")
	}
	vials, err := v.view.Find(ctx, tracker.VialQuery{Batch: b.Code})
	if err != nil {
		return nil, err
	}
	p.Broken, err = tracker.BrokenSignatures(ctx, v.view, vials)
	for _, x := range vials {
		l, err := v.vialLine(ctx, x)
		if err != nil {
			return nil, err
		}
		p.Vials = append(p.Vials, l)
	}
	return p, err
}

func (v *visit) batchFacts(b stock.Batch) []fact {
	out := []fact{{"Vials made", plainText(b.Made)}}
	if b.TakenOver {
		return append(out, fact{"Taken over", "it was there before the record began, with the date of its label"})
	}
	out = append(out, fact{"Preparation began", v.at(b.StartedAt).Say}, fact{"Completed", v.at(b.CompletedAt).Say}, fact{"Prepared by", v.who(b.PreparedBy)})
	if b.VerifiedBy != "" {
		out = append(out, fact{"Checked by", v.who(b.VerifiedBy)})
	}
	if b.Area != "" {
		out = append(out, fact{"Preparation area", b.Area})
	}
	if b.Category != "" {
		out = append(out, fact{"Category", b.Category + ", the lower of product and area"})
	}
	if b.Diluent != "" {
		out = append(out, fact{"Diluent", b.Diluent})
	}
	if b.Order != "" {
		out = append(out, fact{"Order", b.Order})
	}
	return out
}

func (v *visit) componentLine(c stock.Component) componentLine {
	l := componentLine{Name: c.Name, Lot: c.Lot, Maker: c.Maker, Amount: c.Amount}
	if c.Lot != "" {
		l.LotLink = with(v.link("/find"), "q", c.Lot)
	}
	var ends []string
	if c.Expires != "" {
		ends = append(ends, "expires "+v.ending(c.Expires))
	}
	if c.BeyondUse != "" {
		ends = append(ends, "beyond-use date "+v.ending(c.BeyondUse))
	}
	l.Ends = strings.Join(ends, ", ")
	if c.Opened != "" {
		l.Opened = c.Opened
		if !c.OpenedAt.IsZero() {
			l.Opened += ", opened " + v.at(c.OpenedAt).Say
		}
	}
	return l
}

// ending prints what stands on a component: a date or month as printed, an instant in the site's time.
func (v *visit) ending(printed string) string {
	if t, err := time.Parse(time.RFC3339, printed); err == nil {
		return v.at(t).Say
	}
	return printed
}
