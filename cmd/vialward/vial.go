package main

import (
	"fmt"
	"strings"
	"time"

	"vialward/cmd/vialward/internal/app"
	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/walltime"
)

// vialCommands is what can be recorded of vials, one subcommand each.
type vialCommands struct {
	Label    labelVials     `cmd:"" may:"label" help:"Labels are on."`
	Verify   verifyVials    `cmd:"" may:"verify" help:"Labelled vials checked, by another person than the preparer."`
	Place    placeVials     `cmd:"" may:"place" help:"Put vials on a shelf, or move them."`
	Issue    issueVials     `cmd:"" may:"issue" help:"Hand vials out to a destination."`
	Give     giveVials      `cmd:"" may:"give" help:"Issued vials were given."`
	Return   returnVials    `cmd:"" may:"return" help:"Issued vials came back; they are on hold."`
	Enter    enterVials     `cmd:"" may:"enter" help:"Vials were punctured."`
	Hold     holdVials      `cmd:"" may:"hold" help:"Put vials on hold."`
	Lift     liftVials      `cmd:"" may:"lift" help:"Take a hold of the vials' own off."`
	Shorten  shortenVials   `cmd:"" may:"shorten" help:"Give vials an earlier beyond-use date."`
	Relabel  relabelVials   `cmd:"" may:"relabel" help:"New labels are on."`
	Discard  discardVials   `cmd:"" may:"discard" help:"Vials were thrown away."`
	Lose     loseVials      `cmd:"" may:"lose" help:"Vials cannot be found."`
	Void     voidVials      `cmd:"" may:"void" help:"The record of these vials was wrong; two pharmacists."`
	Send     sendVials      `cmd:"" may:"send" help:"Vials left for another site."`
	Find     findVials      `cmd:"" may:"find" help:"A vial was found where the record does not have it."`
	Count    countVials     `cmd:"" may:"count" help:"Blind count of a product on a shelf or in a unit."`
	Recall   recallVials    `cmd:"" may:"recall" help:"Hold everything made from a lot, and trace it."`
	Correct  correctCause   `cmd:"" name:"correct-cause" may:"correct-cause" help:"Another cause for vials that were discarded or lost; the first one stays."`
	Show     showVial       `cmd:"" may:"read" help:"A vial's whole life."`
	Exposure exposureOfVial `cmd:"" may:"read" help:"How cold a vial has been kept, and what is proposed."`
	List     listVials      `cmd:"" may:"read" help:"Stock, by unit."`
}

type someVials struct {
	acting
	Vials []string `arg:"" help:"Vial codes."`
}

// handled runs one operation and prints the vials as they are now.
func (s someVials) handled(c *call, op func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) (tracker.Handled, error)) error {
	return s.work(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) error {
		done, err := op(t, site, who, at)
		if err != nil {
			return err
		}
		return t.Store.Read(c.ctx, site, func(v tracker.View) error {
			c.printHandled(done, present.Of(v, t.Now()))
			return nil
		})
	})
}

func (c *call) printHandled(done tracker.Handled, as present.As) {
	var text strings.Builder
	for _, v := range done.Vials {
		fmt.Fprintf(&text, "%-16s %-10s %-8s BUD %s", v.Code, v.State, v.Place(), walltime.Say(v.BUD, as.Zone))
		if h := v.HoldsInWords(); h != "" {
			fmt.Fprintf(&text, "  ON HOLD: %s", h)
		}
		text.WriteByte('\n')
	}
	c.print(as.Handled(done), text.String())
}

type labelVials struct{ someVials }

func (o labelVials) Run(c *call) error {
	return o.handled(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) (tracker.Handled, error) {
		return t.Label(c.ctx, site, who, o.Vials, at)
	})
}

type verifyVials struct{ someVials }

func (o verifyVials) Run(c *call) error {
	return o.handled(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) (tracker.Handled, error) {
		return t.Verify(c.ctx, site, who, o.Vials, at)
	})
}

type toPlace struct {
	someVials
	To   string `required:"" help:"Shelf, as UNIT/SHELF." placeholder:"R1/A"`
	Note string `help:"Anything worth knowing."`
}

func (o toPlace) place(at time.Time) tracker.Place {
	return tracker.Place{Vials: o.Vials, To: o.To, At: at, Note: o.Note}
}

type placeVials struct {
	toPlace
	Preview       bool `help:"Say what the place would make of each vial, and record nothing."`
	AcceptShorter bool `help:"The place is a warmer one, and the earlier date it gives is accepted."`
}

func (o placeVials) Run(c *call) error {
	if o.Preview {
		return o.preview(c)
	}
	return o.handled(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) (tracker.Handled, error) {
		p := o.place(at)
		p.AcceptShorter = o.AcceptShorter
		return t.Place(c.ctx, site, who, p)
	})
}

// preview prints what placing would do, a vial a line.
func (o placeVials) preview(c *call) error {
	at, err := instant(o.At)
	if err != nil {
		return err
	}
	return o.with(c, func(b *app.Base, site string) error {
		return b.Tracker.Store.Read(c.ctx, site, func(v tracker.View) error {
			all, err := b.Tracker.PreviewPlace(c.ctx, v, o.place(at))
			if err != nil {
				return err
			}
			as := present.Of(v, b.Tracker.Now())
			var text strings.Builder
			for _, p := range all {
				fmt.Fprintf(&text, "%-16s %s\n", p.Vial.Code, present.PlacingInWords(p, as.Zone))
			}
			c.print(as.PlacingList(o.To, all), text.String())
			return nil
		})
	})
}

type returnVials struct{ toPlace }

func (o returnVials) Run(c *call) error {
	return o.handled(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) (tracker.Handled, error) {
		return t.Return(c.ctx, site, who, o.place(at))
	})
}

type findVials struct{ toPlace }

func (o findVials) Run(c *call) error {
	return o.handled(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) (tracker.Handled, error) {
		return t.Find(c.ctx, site, who, o.place(at))
	})
}

type issueVials struct {
	someVials
	To    string `required:"" help:"Destination code."`
	Order string `help:"Order reference; no patient identity."`
	Label int    `help:"Number of the label scanned; left out when the code was typed."`
}

func (o issueVials) Run(c *call) error {
	return o.handled(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) (tracker.Handled, error) {
		return t.Issue(c.ctx, site, who, tracker.Issue{Vials: o.Vials, To: o.To, Order: o.Order, Label: o.Label, At: at})
	})
}

type giveVials struct{ someVials }

func (o giveVials) Run(c *call) error {
	return o.handled(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) (tracker.Handled, error) {
		return t.Give(c.ctx, site, who, o.Vials, at)
	})
}

type enterVials struct {
	someVials
	ISO5 bool `name:"iso5" help:"Punctured in ISO class 5 air."`
}

func (o enterVials) Run(c *call) error {
	return o.handled(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) (tracker.Handled, error) {
		return t.Enter(c.ctx, site, who, tracker.Enter{Vials: o.Vials, ISO5: o.ISO5, At: at})
	})
}

type holdVials struct {
	someVials
	Kind   string `default:"manual" help:"manual, recall, count or test pending."`
	Reason string `required:"" help:"Why."`
}

func (o holdVials) Run(c *call) error {
	return o.handled(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) (tracker.Handled, error) {
		return t.Hold(c.ctx, site, who, tracker.Hold{Vials: o.Vials, Kind: o.Kind, Reason: o.Reason, At: at})
	})
}

type liftVials struct {
	someVials
	Kind   string `required:"" help:"The hold to take off."`
	Reason string `required:"" help:"On what basis."`
}

func (o liftVials) Run(c *call) error {
	return o.handled(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) (tracker.Handled, error) {
		return t.Lift(c.ctx, site, who, tracker.Hold{Vials: o.Vials, Kind: o.Kind, Reason: o.Reason, At: at})
	})
}

type shortenVials struct {
	someVials
	BUD    string `name:"bud" required:"" help:"The earlier beyond-use date (RFC 3339)."`
	Reason string `required:"" help:"Why."`
}

func (o shortenVials) Run(c *call) error {
	bud, err := instant(o.BUD)
	if err != nil {
		return err
	}
	return o.handled(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) (tracker.Handled, error) {
		return t.Shorten(c.ctx, site, who, tracker.Shorten{Vials: o.Vials, BUD: bud, Reason: o.Reason, At: at})
	})
}

type relabelVials struct {
	someVials
	Reason string `help:"Why."`
}

func (o relabelVials) Run(c *call) error {
	return o.handled(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) (tracker.Handled, error) {
		return t.Relabel(c.ctx, site, who, o.Vials, o.Reason, at)
	})
}

// closing is what discarding, losing, voiding and sending share.
type closing struct {
	someVials
	Reason    string `help:"Code of one of the site's reasons; for voiding, what was wrong."`
	Container string `help:"Disposal container; the product's own if left out."`
	Witness   string `help:"The second person, by code." placeholder:"PERSON"`
	To        string `help:"Where vials are sent."`
	Case      int64  `help:"Case it belongs to."`
	Note      string `help:"Anything worth knowing."`
}

func (o closing) close(at time.Time) tracker.Close {
	return tracker.Close{
		Vials: o.Vials, Reason: o.Reason, Container: o.Container, Witness: o.Witness, To: o.To, Case: o.Case, Note: o.Note, At: at,
	}
}

type discardVials struct{ closing }

func (o discardVials) Run(c *call) error {
	return o.handled(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) (tracker.Handled, error) {
		return t.Discard(c.ctx, site, who, o.close(at))
	})
}

type loseVials struct{ closing }

func (o loseVials) Run(c *call) error {
	return o.handled(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) (tracker.Handled, error) {
		return t.Lose(c.ctx, site, who, o.close(at))
	})
}

type voidVials struct{ closing }

func (o voidVials) Run(c *call) error {
	return o.handled(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) (tracker.Handled, error) {
		return t.Void(c.ctx, site, who, o.close(at))
	})
}

type sendVials struct{ closing }

func (o sendVials) Run(c *call) error {
	return o.handled(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) (tracker.Handled, error) {
		return t.Send(c.ctx, site, who, o.close(at))
	})
}

type countVials struct {
	acting
	Place   string `arg:"" help:"Unit or shelf, as R1 or R1/A."`
	Product string `arg:"" help:"Product code."`
	Counted int    `arg:"" help:"How many stand there."`
	Reason  string `help:"Of a variance."`
	Witness string `help:"The second person, by code." placeholder:"PERSON"`
}

func (o countVials) Run(c *call) error {
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) error {
		done, err := t.Count(c.ctx, site, who, tracker.Count{Place: o.Place, Product: o.Product, Counted: o.Counted, Reason: o.Reason, Witness: o.Witness, At: at})
		if err != nil {
			return err
		}
		c.print(present.CountedOf(done), fmt.Sprintf("counted %d, expected %d\n", done.Counted, done.Expected))
		return nil
	})
}
