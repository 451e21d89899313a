package main

import (
	"fmt"
	"io"
	"strings"

	"vialward/cmd/vialward/internal/present"
	"vialward/cmd/vialward/internal/render"
	"vialward/tracker"
	"vialward/tracker/stock"
)

type printLabels struct {
	person
	Batch  string   `arg:"" help:"Batch code."`
	Vial   []string `help:"Only these; repeat. Left out: every vial of the batch that is still here." placeholder:"CODE"`
	Size   string   `required:"" help:"Which label of the site's." placeholder:"CODE"`
	Each   int      `help:"How many of each." default:"1" placeholder:"N"`
	Reason string   `help:"Why labels that were printed before are printed again."`
	PDF    string   `required:"" name:"pdf" type:"path" help:"File they are written to, one a page, in exact millimetres." placeholder:"FILE"`
}

func (o printLabels) Run(c *call) error {
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor) error {
		vials := o.Vial
		var size stock.LabelSize
		err := t.Store.Read(c.ctx, site, func(v tracker.View) error {
			size, _ = v.Site().LabelSize(o.Size)
			if len(vials) > 0 {
				return nil
			}
			all, err := v.Find(c.ctx, tracker.VialQuery{Batch: o.Batch})
			for _, x := range all {
				if !x.State.Closed() {
					vials = append(vials, x.Code)
				}
			}
			return err
		})
		if err != nil {
			return err
		}
		labels, seq, err := t.Print(c.ctx, site, who, tracker.PrintLabels{Vials: vials, Size: o.Size, Each: o.Each, Reason: o.Reason})
		if err != nil {
			return err
		}
		done, err := present.PrintedOf(labels, seq)
		if err != nil {
			return err
		}
		var pages []render.Label
		for _, p := range labels {
			l, err := render.LabelFrom(p)
			if err != nil {
				return err
			}
			for range p.Each {
				pages = append(pages, l)
			}
		}
		if err := toFile(o.PDF, func(w io.Writer) error { return render.LabelPDF(w, size, pages, t.Now()) }); err != nil {
			return err
		}
		text := fmt.Sprintf("%d labels of %s in %s, record %d\n\n", len(pages), o.Size, o.PDF, seq)
		for _, l := range done.Labels {
			text += fmt.Sprintf("  %s  label %d  %s\n", l.Vial, l.Label, strings.ReplaceAll(l.Text, "\x1d", " "))
		}
		c.print(done, text)
		return nil
	})
}

type countLabels struct {
	person
	Batch    string `arg:"" help:"Batch code."`
	OnRecord int    `help:"Labels on the batch's paper record." placeholder:"N"`
	Spoiled  int    `help:"Labels that were spoiled, and destroyed." placeholder:"N"`
	Note     string `help:"Anything worth knowing."`
}

func (o countLabels) Run(c *call) error {
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor) error {
		n, err := t.CountLabels(c.ctx, site, who, o.Batch, tracker.CountLabels{OnRecord: o.OnRecord, Spoiled: o.Spoiled, Note: o.Note})
		if err != nil {
			return err
		}
		c.print(n, fmt.Sprintf("%d printed = %d on vials + %d on the record + %d spoiled\n", n.Printed, n.OnVials, n.OnRecord, n.Spoiled))
		return nil
	})
}
