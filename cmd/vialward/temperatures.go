package main

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"vialward/cmd/vialward/internal/app"
	"vialward/cmd/vialward/internal/config"
	"vialward/cmd/vialward/internal/intake"
	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/templog"
	"vialward/tracker/walltime"
)

type ingestCommand struct {
	person
	Files  []string `arg:"" help:"Temperature logs, - for standard input."`
	Layout string   `help:"Layout of the logs (TOML); without one the plain form is read." type:"path"`
	Zone   string   `help:"Zone of the logs' wall times (IANA name or fixed offset)."`
	Unit   string   `help:"Unit of the logs: Cel or [degF]." placeholder:"UNIT"`
}

type ingestResult struct {
	File    string            `json:"file"`
	Intake  int64             `json:"intake,omitempty"`
	Rows    templog.Rows      `json:"rows"`
	Refused []templog.Refusal `json:"refused"`
	NotRead *tracker.NotRead  `json:"not_read,omitempty"`
}

func (g ingestCommand) Run(c *call) error {
	how := intake.How{Layout: g.Layout, Unit: g.Unit, Source: "command"}
	if g.Zone != "" {
		zone, err := config.Zone(g.Zone)
		if err != nil {
			return usage("%w", err)
		}
		how.Zone = zone
	}
	return g.with(c, func(b *app.Base, site string) error {
		who, err := g.actor(c, b.Tracker, site)
		if err != nil {
			return err
		}
		out := struct {
			Files []ingestResult `json:"files"`
		}{}
		var text strings.Builder
		var errs []error
		for _, name := range g.Files {
			in, err := g.one(c, b.Tracker, site, who, name, how)
			if err != nil && in.NotRead == nil { // the other files are still taken
				errs = append(errs, err)
			}
			if err != nil && in.ID == 0 {
				continue
			}
			r := ingestResult{File: name, Intake: in.ID, Rows: in.Rows, Refused: in.Refused, NotRead: in.NotRead}
			if r.Refused == nil {
				r.Refused = []templog.Refusal{}
			}
			out.Files = append(out.Files, r)
			fmt.Fprintf(&text, "%s: %d values read = %d stored + %d known already + %d conflicting + %d missing + %d refused\n", name,
				in.Rows.Read, in.Rows.Stored, in.Rows.Duplicate, in.Rows.Conflicting, in.Rows.Missing, in.Rows.Refused)
			for _, x := range in.Refused {
				fmt.Fprintf(&text, "  line %d: %s\n", x.Line, x.Why)
			}
			if in.Rows.Refused > 0 || in.NotRead != nil {
				c.exit = exitRefused
			}
		}
		c.print(out, text.String())
		return errors.Join(errs...)
	})
}

func (g ingestCommand) one(c *call, t *tracker.Tracker, site string, who tracker.Actor, name string, how intake.How) (tracker.Intake, error) {
	if name == "-" {
		return intake.Text(c.ctx, t, site, who, "standard input", nil, c.stdin, how)
	}
	in, _, err := intake.File(c.ctx, t, site, who, name, how)
	return in, err
}

// actor is the person named, or whoever is on the machine: bringing readings needs no role.
func (g ingestCommand) actor(c *call, t *tracker.Tracker, site string) (tracker.Actor, error) {
	if g.As == "" {
		return account(), nil
	}
	return g.prove(c, t, site)
}

type intakeCommands struct {
	List     listIntakes    `cmd:"" may:"read" help:"The newest intakes and their classes."`
	Withdraw withdrawIntake `cmd:"" may:"withdraw-readings" help:"Set an intake's readings aside, kept."`
	Zone     declareZone    `cmd:"" may:"declare-zone" help:"Declare the zone a suspect sensor's clock stands in."`
}

type listIntakes struct {
	atSite
	Limit int `default:"50" help:"How many."`
}

func (o listIntakes) Run(c *call) error {
	return o.reading(c, func(v tracker.View, now time.Time) error {
		all, err := v.Intakes(c.ctx, o.Limit)
		if err != nil {
			return err
		}
		var text strings.Builder
		zone := v.Site().Location()
		for _, in := range all {
			aside := ""
			if in.Withdrawn {
				aside = ", withdrawn: set aside"
			}
			fmt.Fprintf(&text, "%6d  %s  %-8s %s  stored %d of %d%s\n", in.ID, walltime.Say(in.ReceivedAt, zone), in.Source, in.Name, in.Rows.Stored, in.Rows.Read, aside)
		}
		c.print(present.Of(v, now).IntakeList(all), text.String())
		return nil
	})
}

type withdrawIntake struct {
	person
	Intake int64  `arg:"" help:"Number of the intake."`
	Reason string `required:"" help:"Why."`
}

func (o withdrawIntake) Run(c *call) error {
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor) error {
		in, err := t.Withdraw(c.ctx, site, who, o.Intake, o.Reason)
		if err != nil {
			return err
		}
		c.print(map[string]any{"intake": in.ID, "withdrawn": true}, fmt.Sprintf("intake %d (%s) is set aside; take it in again under the right layout or zone\n", in.ID, in.Name))
		return nil
	})
}

type declareZone struct {
	person
	Sensor string `arg:"" help:"Sensor code."`
	Zone   string `arg:"" help:"Zone its clock stands in (IANA name or fixed offset), or \"set\" when the clock was set."`
	Reason string `required:"" help:"How it was found out."`
}

func (o declareZone) Run(c *call) error {
	if o.Zone != "set" {
		if _, err := config.Zone(o.Zone); err != nil {
			return usage("%w", err)
		}
	}
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor) error {
		if err := t.DeclareZone(c.ctx, site, who, o.Sensor, o.Zone, o.Reason); err != nil {
			return err
		}
		c.print(map[string]string{"sensor": o.Sensor, "zone": o.Zone}, fmt.Sprintf("%s: %s declared; its readings count again\n", o.Sensor, o.Zone))
		return nil
	})
}
