package main

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"vialward/cmd/vialward/internal/app"
	"vialward/tracker"
	"vialward/tracker/chain"
)

type recordCommands struct {
	Recount recountRecord `cmd:"" may:"check-record" help:"Fold every event anew and compare with the vials' rows."`
	Verify  verifyRecord  `cmd:"" may:"check-record" help:"Walk the whole record from outside and name the first event that was tampered with."`
}

type recountRecord struct{ atSite }

func (o recountRecord) Run(c *call) error {
	return o.with(c, func(b *app.Base, site string) error {
		n, differs, err := b.Tracker.Recount(c.ctx, site)
		if err != nil {
			return err
		}
		out := struct {
			Vials   int      `json:"vials"`
			Differs []string `json:"differs"`
		}{n, append([]string{}, differs...)}
		text := fmt.Sprintf("%d vials recounted from their events, %d differ\n", n, len(differs))
		for _, d := range differs {
			text += "  " + d + "\n"
		}
		c.print(out, text)
		if len(differs) > 0 {
			c.exit = exitFailed
		}
		return nil
	})
}

type verifyRecord struct {
	Site string   `help:"Site code; every site if left out." placeholder:"CODE"`
	Head []string `help:"A head of the record as a list or a mail has it, in quotes; may be given again." placeholder:"EVENT:HASH" sep:"none"`
}

func (o verifyRecord) Run(c *call) error {
	heads := make([]chain.Head, len(o.Head))
	for i, s := range o.Head {
		h, err := chain.ParseHead(s)
		if err != nil {
			return usage("--head: %w", err)
		}
		heads[i] = h
	}
	all, err := app.Verify(c.ctx, c.configFile, c.stderr, o.Site, heads, func(site string, events int64) {
		fmt.Fprintf(c.stderr, "vialward: %s: %d events\n", site, events)
	})
	if errors.Is(err, tracker.ErrWhichSite) {
		return usage("%w", err)
	}
	if err != nil {
		return err
	}
	out, text := verifiedDocument{Sites: []verifiedSite{}}, ""
	for _, v := range all {
		out.Sites = append(out.Sites, verifiedOf(v))
		text += verifiedText(v, heads)
		if !v.Sound() {
			c.exit = exitFailed
		}
	}
	if len(all) == 0 {
		text = "there is no site yet, and nothing to walk\n"
	}
	c.print(out, text)
	return nil
}

type verifiedDocument struct {
	Sites []verifiedSite `json:"sites"`
}

type verifiedSite struct {
	Site       string          `json:"site"`
	Sound      bool            `json:"sound"`
	Head       string          `json:"head"`
	Events     int64           `json:"events"`
	Vials      int64           `json:"vials"`
	Cases      int64           `json:"cases"`
	Deliveries int64           `json:"deliveries"`
	Readings   int64           `json:"readings"`
	TookSecs   float64         `json:"took_seconds"`
	First      *verifiedFault  `json:"first_fault"`
	Faults     []verifiedFault `json:"faults"`
	More       int             `json:"more_faults"`
	Remarks    []string        `json:"remarks"`
}

type verifiedFault struct {
	Event int64      `json:"event"` // 0 = it is about none
	Kind  chain.Kind `json:"kind"`
	Why   string     `json:"why"`
}

func verifiedOf(v tracker.Verification) verifiedSite {
	out := verifiedSite{
		Site: v.Site, Sound: v.Sound(), Head: v.Head.String(), Events: v.Events, Vials: v.Vials, Cases: v.Cases, Deliveries: v.Intakes, Readings: v.Readings,
		TookSecs: v.Took.Seconds(), Faults: []verifiedFault{}, More: v.More, Remarks: append([]string{}, v.Remarks...),
	}
	for _, f := range v.Faults {
		out.Faults = append(out.Faults, verifiedFault{f.Seq, f.Kind, f.Say})
	}
	if len(out.Faults) > 0 {
		out.First = &out.Faults[0]
	}
	return out
}

// mostShown is how many faults are listed for a person; a document has them all.
const mostShown = 20

func verifiedText(v tracker.Verification, heads []chain.Head) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %d events, %d vials, %d cases, %d deliveries with %d readings walked in %s\n", v.Site, v.Events, v.Vials, v.Cases, v.Intakes,
		v.Readings, v.Took.Round(time.Millisecond))
	fmt.Fprintf(&b, "  head %s\n", v.Head.Spaced())
	for _, r := range v.Remarks {
		fmt.Fprintf(&b, "  odd: %s\n", r)
	}
	if v.Sound() {
		b.WriteString("  SOUND: each event follows from the one before it, and each row is the one its event speaks for\n")
		if len(heads) == 0 {
			b.WriteString("  whether the whole was rewritten only a head from elsewhere can tell: give the one on an old list or mail with --head\n")
		} else {
			fmt.Fprintf(&b, "  it comes by the %s given\n", headsWord(len(heads)))
		}
		return b.String()
	}
	fmt.Fprintf(&b, "  BROKEN, first: %s\n", v.Faults[0].Say)
	for i, f := range v.Faults[1:] {
		if i == mostShown {
			fmt.Fprintf(&b, "  and %d more; --json lists them\n", len(v.Faults)-1-mostShown+v.More)
			break
		}
		fmt.Fprintf(&b, "  then: %s\n", f.Say)
	}
	b.WriteString("  Copy the database as it is before anything else is done to it, and keep the lists and mails with their heads.\n")
	return b.String()
}

func headsWord(n int) string {
	if n == 1 {
		return "head"
	}
	return fmt.Sprintf("%d heads", n)
}
