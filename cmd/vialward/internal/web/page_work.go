package web

import (
	"context"
	"net/http"
	"strings"

	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/label"
	"vialward/tracker/stock"
)

// workPage is what is still to be done with a batch: steps to sign, labels, the check, its end.
type workPage struct {
	F           *form
	Code, Name  string
	Link        string
	BUD         moment
	Signed      []stepLine
	Next        string // step; "" = all are signed
	Unlabelled  int
	Unchecked   int
	Open        bool // not closed
	Dissolved   bool // source vials went in: yield is measured
	Labelled    int
	Sources     int
	People      []personLine
	Me          string
	TwoPersons  bool
	Disposal    string
	SharpsInto  string
	Closing     []fact
	LabelsLink  string
	VerifyLink  string
	LabelOnLink string
	StepsLink   string
	CloseLink   string
}

func (p workPage) Title() string { return "Work on batch " + p.Code }

const workPath = "/batches/{code}/work"

func (s *Server) working() []served {
	step := doing{path: "/batches/{code}/steps", page: workPath, template: "work", op: access.SignStep, show: workPageOf, do: signNextStep, beside: map[string]string{"steps": "at", "same_person": "by", "future": "at", "competency": "by"}}
	end := doing{path: "/batches/{code}/close", page: workPath, template: "work", op: access.CloseBatch, show: workPageOf, do: endBatch, beside: map[string]string{"left": "left", "witness": "witness", "yield": "explains"}}
	back := func(f *form) string { return "/batches/" + f.Get("batch") + "/work" }
	step.back, end.back = back, back
	return []served{s.shows(step), s.does(step), s.does(end)}
}

func batchAsked(r *http.Request) (string, error) {
	code, err := label.ParseBatchCode(r.PathValue("code"))
	if err != nil {
		return "", wrong(http.StatusBadRequest, "%s.", upperFirst(err.Error()))
	}
	return code.String(), nil
}

func workPageOf(ctx context.Context, v *visit, f *form) (content, error) {
	code, err := batchAsked(v.r)
	if err != nil {
		return nil, err
	}
	b, err := v.view.Batch(ctx, code)
	if err != nil {
		return nil, err
	}
	product, err := v.product(ctx, b.Product, b.Version)
	if err != nil {
		return nil, err
	}
	vials, err := v.view.Find(ctx, tracker.VialQuery{Batch: code})
	if err != nil {
		return nil, err
	}
	p := &workPage{
		F: f, Code: b.Code, Name: product.FullName(), Link: v.link("/batches/", b.Code), BUD: v.at(b.BUD), Open: b.Closing == nil && !b.TakenOver,
		Dissolved: b.Mixture != nil, Me: v.asks.Person.Code, TwoPersons: product.TwoPersons, Disposal: product.Disposal, SharpsInto: product.Sharps,
		Closing: v.closingFacts(b.Closing), LabelsLink: v.link("/batches/" + b.Code + "/labels"),
		StepsLink: v.link("/batches/" + b.Code + "/steps"), CloseLink: v.link("/batches/" + b.Code + "/close"),
	}
	if b.Mixture != nil {
		p.Sources = b.Mixture.SourceVials
	}
	for _, s := range b.Steps {
		p.Signed = append(p.Signed, v.stepLine(s))
	}
	if n := len(b.Steps); p.Open && n < len(tracker.Steps()) {
		p.Next = tracker.Steps()[n]
	}
	for _, x := range v.site.People {
		if access.MayAsk(v.site, x.Code, access.SignStep, v.now) == nil {
			p.People = append(p.People, personLine{Code: x.Code, Name: nameOf(x)})
		}
	}
	on, check := v.link("/scan"), v.link("/scan")
	for _, x := range vials {
		switch {
		case x.State.Closed():
		case x.Label == 0:
			p.Unlabelled++
			on = with(on, "vial", x.Code)
		case x.State == stock.InPreparation:
			p.Unchecked++
		}
		if x.Label > 0 && x.State != stock.WasVoided {
			p.Labelled++
		}
	}
	p.LabelOnLink, p.VerifyLink = with(on, "do", "label"), with(check, "do", "verify")
	return p, nil
}

func signNextStep(ctx context.Context, a *acting, f *form) (string, error) {
	code, err := batchAsked(a.r)
	if err != nil {
		return "", err
	}
	d := tracker.StepDone{Name: f.text("step", "Say which step."), By: f.Get("by"), At: f.moment("at")}
	if d.At.IsZero() && f.Wrong("at") == "" {
		d.At = f.now
	}
	if !f.ok() {
		return "", nil
	}
	_, err = a.t.SignStep(ctx, a.site, a.who, code, d)
	return "/batches/" + code + "/work", err
}

func endBatch(ctx context.Context, a *acting, f *form) (string, error) {
	code, err := batchAsked(a.r)
	if err != nil {
		return "", err
	}
	c := tracker.CloseBatch{
		Filled: f.number("filled", 0, 999, "Count the full vials."), Rejected: f.count("rejected"), Samples: f.count("samples"), Left: f.maybeVolume("left"),
		Explains: strings.TrimSpace(f.Get("explains")), Witness: f.Get("witness"), Note: strings.TrimSpace(f.Get("note")), At: f.moment("closed"),
	}
	for _, d := range []struct{ what, name string }{{stock.SourceVials, "spent"}, {stock.Sharps, "sharps"}, {stock.RejectedVials, "rejected"}} {
		if n := f.count(d.name); n > 0 {
			c.Disposed = append(c.Disposed, stock.Disposal{What: d.what, Count: n, Container: strings.TrimSpace(f.Get(d.name + "-into"))})
		}
	}
	if v := f.maybeVolume("residue"); v != nil && *v > 0 {
		c.Disposed = append(c.Disposed, stock.Disposal{What: stock.Residue, Volume: *v, Container: strings.TrimSpace(f.Get("residue-into"))})
	}
	if !f.ok() {
		return "", nil
	}
	_, err = a.t.CloseBatch(ctx, a.site, a.who, code, c)
	return "/batches/" + code + "/work", err
}

// count is a number that may be left out: none.
func (f *form) count(name string) int {
	if strings.TrimSpace(f.Get(name)) == "" {
		return 0
	}
	return f.number(name, 0, 9999, "")
}
