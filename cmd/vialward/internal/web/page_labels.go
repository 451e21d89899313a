package web

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"vialward/cmd/vialward/internal/render"
	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/label"
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

// printedFor is how long printed labels may be fetched: after that they are printed again, and counted.
const printedFor = 15 * time.Minute

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

func labelsEvent(ctx context.Context, v tracker.View, seq int64) (stock.Event, error) {
	all, err := v.Events(ctx, tracker.EventQuery{AfterSeq: seq - 1, Limit: 1})
	if err != nil {
		return stock.Event{}, err
	}
	if len(all) == 0 || all[0].Seq != seq || all[0].Kind != stock.LabelsPrinted {
		return stock.Event{}, wrong(http.StatusNotFound, "Record %d is no printing of labels.", seq)
	}
	return all[0], nil
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

// file answers with a document that is no page.
func (s *Server) file(read func(ctx context.Context, v *visit) (media, name string, text []byte, err error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		media, name, text, err := s.makeFile(r, read)
		if err != nil {
			s.sorry(w, r, err)
			return
		}
		h := w.Header()
		h.Set("Content-Type", media)
		h.Set("Content-Disposition", fmt.Sprintf("inline; filename=%q", name))
		h.Set("Cache-Control", "no-store")
		_, _ = w.Write(text) //nolint:gosec // G705: a PDF or SVG of ours, its texts escaped by who drew it; whoever asked may have gone
	}
}

func (s *Server) makeFile(r *http.Request, read func(ctx context.Context, v *visit) (media, name string, text []byte, err error)) (media, name string, text []byte, err error) {
	ctx := r.Context()
	asks, err := s.visitorOf(ctx, r)
	if err == nil && asks.site == "" {
		err = wrong(http.StatusNotFound, "Say of which site: add ?site= and its code.")
	}
	if err != nil {
		return "", "", nil, err
	}
	err = s.Tracker.Store.Read(ctx, asks.site, func(view tracker.View) error {
		v, err := s.visit(r, view, asks, access.Read)
		if err != nil {
			return err
		}
		media, name, text, err = read(ctx, v)
		return err
	})
	return media, name, text, err
}

// labelsPDF are labels that were just printed, as the printer takes them: made from the record again, to the byte.
func labelsPDF(ctx context.Context, v *visit) (media, name string, text []byte, err error) {
	seq, err := strconv.ParseInt(strings.TrimSuffix(v.r.PathValue("file"), ".pdf"), 10, 64)
	if err != nil {
		return "", "", nil, wrong(http.StatusNotFound, "There are no labels called %q.", v.r.PathValue("file"))
	}
	e, err := labelsEvent(ctx, v.view, seq)
	if err != nil {
		return "", "", nil, err
	}
	if v.now.Sub(e.EnteredAt) > printedFor {
		return "", "", nil, wrong(http.StatusGone, "These labels were printed %s. Print them again from their batch, so that they are counted.", v.at(e.EnteredAt).Say)
	}
	size, ok := v.site.LabelSize(e.Body.Note)
	if !ok {
		return "", "", nil, wrong(http.StatusGone, "The site has no label %q any more. Print them again in another size.", e.Body.Note)
	}
	vials, err := v.view.Find(ctx, tracker.VialQuery{Codes: e.Vials})
	if err != nil {
		return "", "", nil, err
	}
	slices.SortFunc(vials, func(a, b stock.Vial) int { return a.Serial - b.Serial })
	var labels []render.Label
	for _, x := range vials {
		x.BUD = *e.Body.BUD
		l, err := drawnLabel(ctx, v.view, x, e.Body.Label)
		if err != nil {
			return "", "", nil, err
		}
		for range e.Body.Number {
			labels = append(labels, l)
		}
	}
	var b bytes.Buffer
	if err := render.LabelPDF(&b, size, labels, e.EnteredAt); err != nil {
		return "", "", nil, wrong(http.StatusUnprocessableEntity, "%s.", upperFirst(err.Error()))
	}
	return "application/pdf", fmt.Sprintf("labels-%d.pdf", seq), b.Bytes(), nil
}

// labelPicture is what a vial's next label looks like. It is no label: nothing was printed.
func labelPicture(ctx context.Context, v *visit) (media, name string, text []byte, err error) {
	code, err := label.CheckCode(strings.TrimSuffix(v.r.PathValue("file"), ".svg"))
	if err != nil {
		return "", "", nil, wrong(http.StatusBadRequest, "%s.", upperFirst(err.Error()))
	}
	found, err := v.view.Find(ctx, tracker.VialQuery{Codes: []string{code}})
	if err != nil {
		return "", "", nil, err
	}
	size, ok := v.site.LabelSize(v.r.URL.Query().Get("size"))
	if len(found) == 0 || !ok {
		return "", "", nil, wrong(http.StatusNotFound, "There is no such vial, or no label of that size.")
	}
	number, _, err := tracker.NextLabel(ctx, v.view, found[0], "")
	if err != nil {
		return "", "", nil, err
	}
	l, err := drawnLabel(ctx, v.view, found[0], number)
	if err != nil {
		return "", "", nil, err
	}
	svg, err := render.LabelSVG(size, l)
	if err != nil {
		return "", "", nil, wrong(http.StatusUnprocessableEntity, "%s.", upperFirst(err.Error()))
	}
	return "image/svg+xml", code + ".svg", []byte(svg), nil
}

func drawnLabel(ctx context.Context, v tracker.View, x stock.Vial, number int) (render.Label, error) {
	facts, product, err := tracker.FactsFor(ctx, v, x, number)
	if err != nil {
		return render.Label{}, err
	}
	l, err := render.LabelFrom(tracker.PrintedLabel{Vial: x.Code, Number: number, Facts: facts, GTIN: product.GTIN})
	if err != nil {
		return l, wrong(http.StatusUnprocessableEntity, "%s.", upperFirst(strings.ReplaceAll(err.Error(), "\n", "; ")))
	}
	return l, nil
}

// Second says what a product that wants darkness takes besides.
func (p labelsPage) Second() string {
	if p.Light {
		return " It is kept from light: print a second one, in the size for the overwrap."
	}
	return ""
}
