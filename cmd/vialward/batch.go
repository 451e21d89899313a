package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

type batchCommands struct {
	Prepare   prepareBatch `cmd:"" may:"prepare" help:"Record a prepared batch; its beyond-use date is computed."`
	TakeOver  takeOver     `cmd:"" may:"take-over" help:"Record stock that was there before the record; BUD as on its label."`
	Step      signStep     `cmd:"" may:"sign-step" help:"Sign the next step of a batch's record."`
	Close     closeBatch   `cmd:"" may:"close-batch" help:"End a batch's record: vials, yield and what was thrown away are accounted for."`
	Labels    printLabels  `cmd:"" may:"label" help:"Print labels of a batch, from the record."`
	Count     countLabels  `cmd:"" name:"count-labels" may:"label" help:"Account for a batch's printed labels: on vials, on its record, spoiled."`
	Materials materials    `cmd:"" may:"read" help:"What so many finished vials take: source vials, diluent, containers, syringes, labels."`
	Show      showBatch    `cmd:"" may:"read" help:"A batch with every limit its date was chosen from."`
}

type prepareBatch struct {
	person
	File      string   `help:"The whole preparation as a JSON document, - for standard input; instead of the flags below." placeholder:"FILE"`
	Product   string   `help:"Product code."`
	Count     int      `help:"Finished vials for stock."`
	Area      string   `help:"Preparation area."`
	Started   string   `help:"Start of preparation (RFC 3339)." placeholder:"TIME"`
	Completed string   `help:"Completion; now if left out." placeholder:"TIME"`
	Diluent   string   `help:"Diluent the batch ended in; may be left out when only one that can be was given."`
	Component []string `help:"NAME,LOT,expires=2026-12 (or beyond_use=2026-12-31) and, if known, amount=, maker=, opened_at=, used_at=; repeat for each lot." sep:"none" placeholder:"COMPONENT"`
	Order     string   `help:"Order reference; no patient identity."`

	mixFlags
}

func (p prepareBatch) Run(c *call) error {
	args, err := p.arguments(c)
	if err != nil {
		return err
	}
	return p.work(c, func(t *tracker.Tracker, site string, who tracker.Actor) error {
		done, err := t.Prepare(c.ctx, site, who, args)
		if err != nil {
			return err
		}
		return c.printPrepared(t, site, done)
	})
}

func (p prepareBatch) arguments(c *call) (args tracker.Prepare, err error) {
	if p.File != "" {
		f, err := c.open(p.File)
		if err != nil {
			return args, err
		}
		text, err := io.ReadAll(io.LimitReader(f, 1<<20))
		if err = errors.Join(err, f.Close()); err != nil {
			return args, fmt.Errorf("read %s: %w", p.File, err)
		}
		d := json.NewDecoder(bytes.NewReader(text))
		d.DisallowUnknownFields()
		if err := d.Decode(&args); err != nil {
			return args, usage("%s is not a preparation: %w", p.File, err)
		}
		return args, nil
	}
	if args, err = p.flags(); err != nil {
		return args, err
	}
	args.Mix, err = p.mix()
	return args, err
}

// flags are the preparation but for what went in.
func (p prepareBatch) flags() (args tracker.Prepare, err error) {
	args = tracker.Prepare{Product: p.Product, Count: p.Count, Area: p.Area, Diluent: p.Diluent, Order: p.Order}
	if args.StartedAt, err = instant(p.Started); err != nil {
		return args, err
	}
	if args.CompletedAt, err = instant(p.Completed); err != nil {
		return args, err
	}
	for _, text := range p.Component {
		x, err := component(text)
		if err != nil {
			return args, err
		}
		args.Components = append(args.Components, x)
	}
	return args, nil
}

func (c *call) printPrepared(t *tracker.Tracker, site string, done tracker.Prepared) error {
	return t.Store.Read(c.ctx, site, func(v tracker.View) error {
		as := present.Of(v, t.Now())
		text := batchText(done.Batch, as.Zone)
		for _, x := range done.Vials {
			text += "  " + x.Code + "\n"
		}
		c.print(as.Prepared(done), text)
		return nil
	})
}

func batchText(b stock.Batch, zone *time.Location) string {
	var s strings.Builder
	fmt.Fprintf(&s, "batch %s, %s version %d, %d vials\nBUD %s, governed by %s\n", b.Code, b.Product, b.Version, b.Made, walltime.Say(b.BUD, zone), b.Governs)
	for _, k := range b.Candidates {
		fmt.Fprintf(&s, "  %-10s %s  %s\n", k.Limit, walltime.Say(k.BeyondUse, zone), k.Source)
	}
	if m := b.Mixture; m != nil {
		fmt.Fprintf(&s, "%d source vials of %s, pool %s mL, mass balance %s %%, %d full vials expected\n", m.SourceVials, m.Powder,
			stock.SayMilli(int64(m.Pool)), stock.SayMilli(m.MassBalance), m.FullVials)
		for _, w := range m.Warnings {
			s.WriteString("  " + w + "\n")
		}
	}
	s.WriteString(recordText(b, zone))
	return s.String()
}

type takeOver struct {
	person
	Product string `arg:"" help:"Product code."`
	Count   int    `arg:"" help:"How many vials of one batch."`
	BUD     string `name:"bud" required:"" help:"As on the label: a date (means the start of that day) or RFC 3339."`
	Made    string `required:"" help:"Date of preparation, as on the label." placeholder:"2025-10-10"`
	To      string `required:"" help:"Shelf, as UNIT/SHELF." placeholder:"R1/A"`
	Note    string `help:"Anything worth knowing."`
}

func (o takeOver) Run(c *call) error {
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor) error {
		done, err := t.TakeOver(c.ctx, site, who, tracker.TakeOver{Product: o.Product, Count: o.Count, BUD: o.BUD, Made: o.Made, To: o.To, Note: o.Note})
		if err != nil {
			return err
		}
		return c.printPrepared(t, site, done)
	})
}

type showBatch struct {
	atSite
	Batch string `arg:"" help:"Batch code."`
}

func (o showBatch) Run(c *call) error {
	return o.reading(c, func(v tracker.View, now time.Time) error {
		b, err := v.Batch(c.ctx, o.Batch)
		if err != nil {
			return err
		}
		vials, err := v.Find(c.ctx, tracker.VialQuery{Batch: o.Batch})
		if err != nil {
			return err
		}
		text := batchText(b, v.Site().Location())
		for _, x := range vials {
			text += fmt.Sprintf("  %s  %s %s\n", x.Code, x.State, x.Place())
		}
		document, err := present.BatchWithVialsOf(c.ctx, v, b, vials, now)
		if err != nil {
			return err
		}
		for _, broken := range document.Broken {
			text += broken + "\n"
		}
		c.print(document, text)
		return nil
	})
}
