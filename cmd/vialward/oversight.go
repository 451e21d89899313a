package main

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"vialward/cmd/vialward/internal/app"
	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/sweep"
	"vialward/tracker/walltime"
)

type sweepCommands struct {
	Print   printSweep   `cmd:"" may:"read" help:"Print a list by its number, or as it would be now."`
	List    listSweeps   `cmd:"" may:"read" help:"The newest lists, and who confirmed them."`
	Confirm confirmSweep `cmd:"" may:"confirm-sweep" help:"A list was worked."`
}

type printSweep struct {
	atSite
	Number int `arg:"" optional:"" help:"Running number; left out: as it would be now, without a number."`
}

func (o printSweep) Run(c *call) error {
	return o.with(c, func(b *app.Base, site string) error {
		return b.Tracker.Store.Read(c.ctx, site, func(v tracker.View) error {
			if o.Number == 0 {
				l, err := b.Tracker.Preview(c.ctx, v, b.Tracker.Now())
				if err == nil {
					c.print(present.Sweep{List: l}, sweep.Text(l))
				}
				return err
			}
			rows, err := v.Sweeps(c.ctx, 1<<30)
			if err != nil {
				return err
			}
			for _, r := range rows {
				if r.Number == o.Number {
					document, err := present.SweepOf(c.ctx, v, r, b.Tracker.Now())
					if err != nil {
						return err
					}
					text := sweep.Text(r.List)
					if document.Broken != "" {
						text += "signature broken: " + document.Broken + "\n"
					}
					c.print(document, text)
					return nil
				}
			}
			return tracker.NotFound("sweep", fmt.Sprint(o.Number))
		})
	})
}

type listSweeps struct {
	atSite
	Limit int `default:"20" help:"How many."`
}

func (o listSweeps) Run(c *call) error {
	return o.reading(c, func(v tracker.View, _ time.Time) error {
		rows, err := v.Sweeps(c.ctx, o.Limit)
		if err != nil {
			return err
		}
		zone := v.Site().Location()
		type row struct {
			Number      int     `json:"number"`
			Slot        string  `json:"slot"`
			MadeAt      string  `json:"made_at"`
			Summary     string  `json:"summary"`
			ConfirmedAt *string `json:"confirmed_at"`
			ConfirmedBy string  `json:"confirmed_by,omitempty"`
		}
		out := struct {
			Sweeps []row `json:"sweeps"`
		}{Sweeps: []row{}}
		var text strings.Builder
		for _, r := range rows {
			x := row{Number: r.Number, Slot: r.Slot, MadeAt: r.Made.In(zone).Format(time.RFC3339), Summary: sweep.Summary(r.List), ConfirmedBy: r.ConfirmedBy}
			word := "NOT CONFIRMED"
			if !r.ConfirmedAt.IsZero() {
				at := r.ConfirmedAt.In(zone).Format(time.RFC3339)
				x.ConfirmedAt, word = &at, "confirmed by "+r.ConfirmedBy+" "+walltime.Say(r.ConfirmedAt, zone)
			}
			out.Sweeps = append(out.Sweeps, x)
			fmt.Fprintf(&text, "%03d  %s  %s  %s\n", r.Number, r.Slot, x.Summary, word)
		}
		c.print(out, text.String())
		return nil
	})
}

type confirmSweep struct {
	acting
	List listCode `arg:"" help:"Running number of the list, or the code on its pages."`
}

// listCode is a list as a person names it.
type listCode struct {
	site   string // of the code; "" = a bare number
	number int
}

// UnmarshalText reads "53" or "SWEEP-QUILL-053".
func (l *listCode) UnmarshalText(text []byte) error {
	if site, number, ok := sweep.ParseCode(string(text)); ok {
		l.site, l.number = site, number
		return nil
	}
	n, err := strconv.Atoi(string(text))
	if err != nil || n < 1 {
		return fmt.Errorf("%q is neither a list's running number nor the code on its pages (SWEEP-SITE-053)", text)
	}
	l.number = n
	return nil
}

func (o confirmSweep) Run(c *call) error {
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) error {
		if o.List.site != "" && !strings.EqualFold(o.List.site, site) {
			return stock.Refuse("list", "", "that is a list of site %s, and this is %s", o.List.site, site)
		}
		row, err := t.ConfirmSweep(c.ctx, site, who, o.List.number, at)
		if err != nil {
			return err
		}
		c.print(map[string]any{"number": row.Number, "confirmed_by": row.ConfirmedBy}, fmt.Sprintf("sweep %03d confirmed by %s\n", row.Number, row.ConfirmedBy))
		return t.Store.Read(c.ctx, site, func(v tracker.View) error {
			if warning := access.Warning(v.Site(), who.Person.Code, access.Confirm, t.Now()); warning != "" {
				fmt.Fprintln(c.stderr, "vialward: worth a look:", warning)
			}
			return nil
		})
	})
}

type caseCommands struct {
	List    listCases   `cmd:"" may:"read" help:"Cases, newest first."`
	Show    showCase    `cmd:"" may:"read" help:"A case, its excursions and every vial it touched."`
	Release releaseCase `cmd:"" may:"release" help:"Take a case's holds off vials; a pharmacist decides."`
}

func caseText(k tracker.Case, zone *time.Location) string {
	s := fmt.Sprintf("case %d  %s %s  %s  since %s", k.No, k.Unit, stock.ExcursionWord(k.Kind), k.State, walltime.Say(k.From, zone))
	if !k.To.IsZero() {
		s += " until " + walltime.Say(k.To, zone)
	}
	return s + "\n"
}

type listCases struct {
	atSite
	Unit string `help:"Only this storage unit."`
	Open bool   `help:"Only open ones."`
}

func (o listCases) Run(c *call) error {
	return o.reading(c, func(v tracker.View, now time.Time) error {
		all, err := v.Cases(c.ctx, tracker.CaseQuery{Unit: o.Unit, OpenOnly: o.Open})
		if err != nil {
			return err
		}
		text := ""
		for _, k := range all {
			text += caseText(k, v.Site().Location())
		}
		c.print(present.Of(v, now).CaseList(all), text)
		return nil
	})
}

type showCase struct {
	atSite
	Case int64 `arg:"" help:"Number of the case."`
}

func (o showCase) Run(c *call) error {
	return o.reading(c, func(v tracker.View, now time.Time) error {
		out, err := present.CaseOf(c.ctx, v, o.Case, now)
		if err != nil {
			return err
		}
		all, err := v.Cases(c.ctx, tracker.CaseQuery{No: o.Case})
		if err != nil {
			return err
		}
		text := caseText(all[0], v.Site().Location())
		for _, x := range out.Touched {
			word := "on hold"
			if x.Released {
				word = "released"
			}
			text += fmt.Sprintf("  %s  was at %s  now %s %s  %s\n", x.Vial.Code, x.Was.Place, x.Vial.State, x.Vial.Place, word)
		}
		for _, e := range out.Decided {
			text += fmt.Sprintf("  %s  %s by %s: %s", e.At, e.Kind, e.By, e.Body.Reason)
			if e.Body.BUD != nil {
				text += ", BUD " + walltime.Say(*e.Body.BUD, v.Site().Location())
			}
			text += "  " + strings.Join(e.Vials, " ") + "\n"
		}
		c.print(out, text)
		return nil
	})
}

type releaseCase struct {
	someVials
	Case    int64  `required:"" help:"Number of the case."`
	Basis   string `required:"" help:"On what basis."`
	Minutes *int   `help:"Minutes out of the refrigerator, as decided."`
	BUD     string `name:"bud" help:"An earlier beyond-use date (RFC 3339), if any."`
	Witness string `help:"The second person, where the product asks for two." placeholder:"PERSON"`
}

func (o releaseCase) Run(c *call) error {
	bud, err := instant(o.BUD)
	if err != nil {
		return err
	}
	r := tracker.Release{Case: o.Case, Vials: o.Vials, Basis: o.Basis, Minutes: o.Minutes, Witness: o.Witness}
	if !bud.IsZero() {
		r.BUD = &bud
	}
	return o.handled(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) (tracker.Handled, error) {
		r.At = at
		return t.Release(c.ctx, site, who, r)
	})
}

type unitCommands struct {
	Work planWork `cmd:"" may:"plan-work" help:"Plan work on a unit: mutes its page for that time, never the record."`
	Area setArea  `cmd:"" may:"set-area" help:"Say what a preparation area may do from now on."`
}

type planWork struct {
	person
	Unit   string `arg:"" help:"Storage unit."`
	From   string `required:"" help:"Beginning (RFC 3339)."`
	To     string `required:"" help:"End (RFC 3339); it ends by itself."`
	Reason string `required:"" help:"What is planned."`
}

func (o planWork) Run(c *call) error {
	from, err := instant(o.From)
	if err != nil {
		return err
	}
	to, err := instant(o.To)
	if err != nil {
		return err
	}
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor) error {
		if err := t.PlanWork(c.ctx, site, who, tracker.PlannedWork{Unit: o.Unit, From: from, To: to, Reason: o.Reason}); err != nil {
			return err
		}
		return t.Store.Read(c.ctx, site, func(v tracker.View) error {
			as := present.Of(v, t.Now())
			c.print(map[string]any{"unit": o.Unit, "from": as.Instant(from), "to": as.Instant(to)},
				fmt.Sprintf("%s: pages muted from %s to %s; the record is not\n", o.Unit, walltime.Say(from, as.Zone), walltime.Say(to, as.Zone)))
			return nil
		})
	})
}

type setArea struct {
	acting
	Area     string `arg:"" help:"Preparation area."`
	Category string `arg:"" help:"1, 2 or 3, or none for no preparation."`
	Reason   string `required:"" help:"Why."`
}

func (o setArea) Run(c *call) error {
	category := strings.TrimSpace(o.Category)
	if category == "none" {
		category = ""
	}
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) error {
		if err := t.SetArea(c.ctx, site, who, o.Area, stock.AreaStatus{From: at, Category: category, Reason: o.Reason}); err != nil {
			return err
		}
		c.print(map[string]string{"area": o.Area, "category": category}, fmt.Sprintf("%s: category %s\n", o.Area, o.Category))
		return nil
	})
}
