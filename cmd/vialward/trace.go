package main

import (
	"fmt"
	"strings"
	"time"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/walltime"
)

type traceCommands struct {
	Lot traceLot `cmd:"" may:"read" help:"Everything a component's lot went into: batches, vials, places, issues."`
}

type traceLot struct {
	atSite
	Lot string `arg:"" help:"The lot, as printed."`
}

func (o traceLot) Run(c *call) error {
	return o.reading(c, func(v tracker.View, now time.Time) error {
		t, err := tracker.TraceLot(c.ctx, v, o.Lot)
		if err != nil {
			return err
		}
		as := present.Of(v, now)
		zone := v.Site().Location()
		var text strings.Builder
		for _, r := range t.Recalls {
			fmt.Fprintf(&text, "RECALL %d since %s: %s\n", r.Body.Number, walltime.Say(r.At, zone), r.Body.Reason)
		}
		for _, b := range t.Batches {
			fmt.Fprintf(&text, "batch %s  %s  started %s  BUD %s\n", b.Code, b.Product, walltime.Say(b.StartedAt, zone), walltime.Say(b.BUD, zone))
		}
		places := map[string][]string{}
		for _, s := range t.Stays {
			places[s.Vial] = append(places[s.Vial], s.Place())
		}
		for _, x := range t.Vials {
			fmt.Fprintf(&text, "%-18s %-10s stood at %s", x.Code, x.State, strings.Join(places[x.Code], ", "))
			if h := x.HoldsInWords(); h != "" {
				fmt.Fprintf(&text, "  ON HOLD: %s", h)
			}
			text.WriteByte('\n')
		}
		for _, i := range t.Issues {
			fmt.Fprintf(&text, "%-18s issued to %s %s by %s\n", i.Vial, i.To, walltime.Say(i.At, zone), i.By)
		}
		fmt.Fprintf(&text, "%d vials of %d batches, as of %s\n", len(t.Vials), len(t.Batches), walltime.Say(now, zone))
		c.print(as.Trace(t), text.String())
		return nil
	})
}
