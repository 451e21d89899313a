package main

import (
	"fmt"
	"time"

	"vialward/tracker"
)

type correctCause struct {
	person
	Vials  []string `arg:"" help:"Vial codes."`
	Reason string   `required:"" help:"Code of one of the site's reasons."`
	Note   string   `required:"" help:"Why the first one was wrong."`
}

func (o correctCause) Run(c *call) error {
	s := someVials{acting: acting{person: o.person}, Vials: o.Vials} // a correction is of now
	return s.handled(c, func(t *tracker.Tracker, site string, who tracker.Actor, _ time.Time) (tracker.Handled, error) {
		return t.CorrectCause(c.ctx, site, who, tracker.Correction{Vials: o.Vials, Reason: o.Reason, Note: o.Note})
	})
}

type stockCommands struct {
	Short stockShort `cmd:"" may:"fall-short" help:"Vials of a product were wanted and not there."`
}

type stockShort struct {
	acting
	Product string `arg:"" help:"Product code."`
	Vials   int    `arg:"" help:"How many were wanted and not there."`
	To      string `help:"Destination that wanted them." placeholder:"CODE"`
	Order   string `help:"Order reference; no patient identity."`
	Note    string `help:"Anything worth knowing."`
}

func (o stockShort) Run(c *call) error {
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) error {
		seq, err := t.FellShort(c.ctx, site, who, tracker.Shortage{Product: o.Product, Vials: o.Vials, To: o.To, Order: o.Order, Note: o.Note, At: at})
		if err != nil {
			return err
		}
		c.print(struct {
			Event   int64  `json:"event"`
			Product string `json:"product"`
			Vials   int    `json:"vials"`
		}{seq, o.Product, o.Vials}, fmt.Sprintf("recorded: %d of %s wanted and not there\n", o.Vials, o.Product))
		return nil
	})
}
