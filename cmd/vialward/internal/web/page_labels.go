package web

import (
	"context"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/stock"
)

// labelsPage is the labels of a batch: what is printed next, for which vials, what stands on it, and where all that were
// printed are.
type labelsPage struct {
	F          *form
	Code, Name string
	Work       string
	Vials      []labelVial
	Sizes      []option
	Size       string
	Again      bool // some were printed before, and the reason is asked for
	Light      bool
	Picture    string // address of what one looks like; "" = there is none to print
	Printed    string // address of the labels just printed
	PrintedSay string
	Count      tracker.LabelCount
	PrintLink  string
	CountLink  string
}

type labelVial struct {
	Code   string
	Number int
	Again  bool
	Picked bool
	Say    string // how it stands
}

func (p labelsPage) Title() string { return "Labels of batch " + p.Code }

const labelsPath = "/batches/{code}/labels"

func (s *Server) labelling() []served {
	back := func(f *form) string { return "/batches/" + f.Get("batch") + "/labels" }
	d := doing{path: labelsPath, template: "labels", op: access.Label, show: labelsPageOf, do: printLabels, beside: map[string]string{"reason": "reason", "size": "size", "count": "each"}, back: back}
	count := doing{path: labelsPath + "/count", page: labelsPath, template: "labels", op: access.Label, show: labelsPageOf, do: countLabels, beside: map[string]string{"count": "spoiled"}, back: back}
	return append(s.doings(d), s.does(count),
		served{"GET /labels/{file}", access.Read, false, s.file(labelsPDF)},
		served{"GET " + labelsPath + "/{file}", access.Read, false, s.file(labelPicture)},
	)
}

func labelsPageOf(ctx context.Context, v *visit, f *form) (content, error) {
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
	p := &labelsPage{
		F: f, Code: code, Name: product.FullName(), Work: v.link("/batches/" + code + "/work"), Light: product.Light, Size: f.Get("size"),
		PrintLink: v.link("/batches/" + code + "/labels"), CountLink: v.link("/batches/" + code + "/labels/count"),
	}
	for _, l := range v.site.LabelSizes() {
		name := fmt.Sprintf("%s, %s x %s mm", orCode(l.Name, l.Code), l.Width.MM(), l.Height.MM())
		p.Sizes = append(p.Sizes, option{l.Code, name})
	}
	if p.Size == "" && len(p.Sizes) > 0 {
		p.Size = p.Sizes[0].Code
	}
	if p.Count, err = tracker.LabelsOf(ctx, v.view, code); err != nil {
		return nil, err
	}
	vials, err := v.view.Find(ctx, tracker.VialQuery{Batch: code})
	if err != nil {
		return nil, err
	}
	slices.SortFunc(vials, func(a, b stock.Vial) int { return a.Serial - b.Serial })
	for _, x := range vials {
		if x.State.Closed() {
			continue
		}
		l, err := v.labelVial(ctx, x, f)
		if err != nil {
			return nil, err
		}
		p.Again = p.Again || l.Again && l.Picked
		if l.Picked && p.Picture == "" {
			p.Picture = with(v.link("/batches/"+code+"/labels/"+x.Code+".svg"), "size", p.Size)
		}
		p.Vials = append(p.Vials, l)
	}
	return p, v.fillPrinted(ctx, p)
}

func orCode(name, code string) string {
	if name == "" {
		return code
	}
	return name
}

// labelVial says how a vial stands to its label; it is picked where it needs one, or was asked for.
func (v *visit) labelVial(ctx context.Context, x stock.Vial, f *form) (labelVial, error) {
	number, again, err := tracker.NextLabel(ctx, v.view, x, "")
	l := labelVial{Code: x.Code, Number: number, Again: again}
	relabel := slices.ContainsFunc(x.Holds, func(h stock.Hold) bool { return h.Kind == stock.HoldRelabel })
	switch {
	case relabel && !again:
		l.Say = fmt.Sprintf("waits for its new label, number %d", number)
	case again && number > x.Label:
		l.Say = fmt.Sprintf("label %d is printed and not on it yet", number)
	case again:
		l.Say = fmt.Sprintf("carries label %d", x.Label)
	case x.Label == 0:
		l.Say = "has no label"
	default:
		l.Say = fmt.Sprintf("carries label %d, which was not printed here", x.Label)
	}
	l.Picked = !again && (x.Label == 0 || relabel)
	if f.values.Has("vial") {
		l.Picked = f.Has("vial", x.Code)
	}
	return l, err
}

// fillPrinted adds what was printed just now.
func (v *visit) fillPrinted(ctx context.Context, p *labelsPage) error {
	seq, err := strconv.ParseInt(p.F.Get("printed"), 10, 64)
	if err != nil {
		return nil //nolint:nilerr // nothing was
	}
	e, err := labelsEvent(ctx, v.view, seq)
	if err != nil {
		return err
	}
	if v.now.Sub(e.EnteredAt) <= printedFor {
		p.Printed = v.link(fmt.Sprintf("/labels/%d.pdf", seq))
	}
	p.PrintedSay = fmt.Sprintf("%s, number %d, of %s each, record %d.", many(len(e.Vials)*e.Body.Number, "label"), e.Body.Label, e.Body.Note, seq)
	return nil
}

func printLabels(ctx context.Context, a *acting, f *form) (string, error) {
	code, err := batchAsked(a.r)
	if err != nil {
		return "", err
	}
	p := tracker.PrintLabels{Vials: f.All("vial"), Size: f.text("size", "Choose a size."), Reason: f.Get("reason"), Each: max(1, f.count("each"))}
	if len(p.Vials) == 0 {
		f.fault("vial", "Choose the vials whose labels are printed.")
	}
	if !f.ok() {
		return "", nil
	}
	size := p.Size
	_, seq, err := a.t.Print(ctx, a.site, a.who, p)
	return "/batches/" + code + "/labels?" + url.Values{"printed": {strconv.FormatInt(seq, 10)}, "size": {size}}.Encode(), err
}

func countLabels(ctx context.Context, a *acting, f *form) (string, error) {
	code, err := batchAsked(a.r)
	if err != nil {
		return "", err
	}
	n := tracker.CountLabels{OnRecord: f.count("onrecord"), Spoiled: f.count("spoiled"), Note: strings.TrimSpace(f.Get("note"))}
	if !f.ok() {
		return "", nil
	}
	_, err = a.t.CountLabels(ctx, a.site, a.who, code, n)
	return "/batches/" + code + "/labels?counted=1", err
}

// Second says what a product that wants darkness takes besides.
func (p labelsPage) Second() string {
	if p.Light {
		return " It is kept from light: print a second one, in the size for the overwrap."
	}
	return ""
}
