package web

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
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

// printedFor is how long printed labels may be fetched: after that they are printed again, and counted.
const printedFor = 15 * time.Minute

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
