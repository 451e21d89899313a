package main

import (
	"fmt"
	"strings"
	"time"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

type signStep struct {
	acting
	Batch string `arg:"" help:"Batch code."`
	Step  string `arg:"" help:"The step, as 'area fit and cleaned'; batch show lists them."`
	By    string `help:"Who did it; the person who enters it if left out." placeholder:"PERSON"`
}

func (o signStep) Run(c *call) error {
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) error {
		b, err := t.SignStep(c.ctx, site, who, o.Batch, tracker.StepDone{Name: o.Step, By: o.By, At: at})
		if err != nil {
			return err
		}
		return c.printBatch(t, site, b)
	})
}

type closeBatch struct {
	acting
	Batch       string            `arg:"" help:"Batch code."`
	Filled      int               `required:"" help:"Full vials at the end of filling, good or not." placeholder:"N"`
	Rejected    int               `help:"Of them, those that failed inspection." placeholder:"N"`
	Samples     int               `help:"Of them, those kept as samples." placeholder:"N"`
	LeftML      string            `name:"left-ml" help:"Measured in the pool after the last full vial; it is thrown away as residue." placeholder:"ML"`
	Sharps      int               `required:"" help:"Needles and syringes thrown away." placeholder:"N"`
	SourceVials int               `help:"Spent source vials thrown away." placeholder:"N"`
	Container   map[string]string `help:"Another container than the master record's: sharps=NAME, 'spent source vials=NAME', residue=NAME, 'rejected vials=NAME'." placeholder:"WHAT=NAME"`
	Explanation string            `help:"A pharmacist's, of a yield outside its tolerance."`
	Witness     string            `help:"The second person, by code." placeholder:"PERSON"`
	Note        string            `help:"Anything worth knowing."`
}

func (o closeBatch) Run(c *call) error {
	left, err := maybeMillilitres("left-ml", o.LeftML)
	if err != nil {
		return err
	}
	args := tracker.CloseBatch{
		Filled: o.Filled, Rejected: o.Rejected, Samples: o.Samples, Left: left, Explains: o.Explanation, Witness: o.Witness, Note: o.Note,
		Disposed: []stock.Disposal{{What: stock.Sharps, Count: o.Sharps}},
	}
	if o.SourceVials > 0 {
		args.Disposed = append(args.Disposed, stock.Disposal{What: stock.SourceVials, Count: o.SourceVials})
	}
	if left != nil && *left > 0 {
		args.Disposed = append(args.Disposed, stock.Disposal{What: stock.Residue, Volume: *left})
	}
	if o.Rejected > 0 {
		args.Disposed = append(args.Disposed, stock.Disposal{What: stock.RejectedVials, Count: o.Rejected})
	}
	named := 0
	for i := range args.Disposed {
		if name, ok := o.Container[args.Disposed[i].What]; ok {
			args.Disposed[i].Container = name
			named++
		}
	}
	if named < len(o.Container) {
		return usage("--container names something that is not thrown away here: %v", o.Container)
	}
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) error {
		args.At = at
		b, err := t.CloseBatch(c.ctx, site, who, o.Batch, args)
		if err != nil {
			return err
		}
		return c.printBatch(t, site, b)
	})
}

// printBatch prints a batch without its vials.
func (c *call) printBatch(t *tracker.Tracker, site string, b stock.Batch) error {
	return t.Store.Read(c.ctx, site, func(v tracker.View) error {
		as := present.Of(v, t.Now())
		c.print(as.Batch(b), batchText(b, as.Zone))
		return nil
	})
}

// recordText is the steps and the end of a batch's record.
func recordText(b stock.Batch, zone *time.Location) string {
	var s strings.Builder
	for _, x := range b.Steps {
		fmt.Fprintf(&s, "  signed: %s, %s %s\n", x.Name, x.By, walltime.Say(x.At, zone))
	}
	if b.TakenOver {
		return s.String()
	}
	for _, name := range tracker.Steps()[len(b.Steps):] {
		fmt.Fprintf(&s, "  not signed: %s\n", name)
	}
	c := b.Closing
	if c == nil {
		return s.String() + "not closed\n"
	}
	fmt.Fprintf(&s, "closed %s by %s: %d filled = %d labelled + %d rejected + %d samples\n", walltime.Say(c.At, zone), c.By, c.Filled, c.Labelled, c.Rejected, c.Samples)
	if y := c.Yield; y != nil {
		word := "within"
		if y.Outside {
			word = "OUTSIDE"
		}
		fmt.Fprintf(&s, "  yield %s %%, %s 100 %% ± %s %%\n", stock.SayMilli(y.MilliPercent), word, stock.SayMilli(y.Tolerance))
	}
	for _, d := range c.Disposed {
		amount := fmt.Sprint(d.Count)
		if d.What == stock.Residue {
			amount = stock.SayMilli(int64(d.Volume)) + " mL"
		}
		fmt.Fprintf(&s, "  %s: %s into %s\n", d.What, amount, d.Container)
	}
	return s.String()
}
