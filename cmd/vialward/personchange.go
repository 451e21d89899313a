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

type listPeople struct{ atSite }

func (o listPeople) Run(c *call) error {
	return o.reading(c, func(v tracker.View, now time.Time) error {
		var text strings.Builder
		for _, p := range v.Site().People {
			text.WriteString(personText(p, v.Site().Location(), now))
		}
		c.print(present.Of(v, now).PeopleOf(v.Site()), text.String())
		return nil
	})
}

// personText is a person's line, and one for each of their competencies.
func personText(p stock.Person, zone *time.Location, now time.Time) string {
	var s strings.Builder
	fmt.Fprintf(&s, "%-12s %-24s %s", p.Code, p.Name, strings.Join(p.Roles, ", "))
	if !p.Left.IsZero() {
		fmt.Fprintf(&s, "  LEFT %s", walltime.Say(p.Left, zone))
	}
	s.WriteByte('\n')
	for _, k := range p.Competencies {
		word := "until"
		if !now.Before(k.Until) {
			word = "LAPSED"
		}
		fmt.Fprintf(&s, "  %-12s %s %s, assessed by %s\n", k.What, word, walltime.Say(k.Until, zone), k.AssessedBy)
	}
	return s.String()
}

// changed prints a person as they are after a change.
func (c *call) changed(t *tracker.Tracker, site string, p stock.Person) error {
	return t.Store.Read(c.ctx, site, func(v tracker.View) error {
		c.print(present.Of(v, t.Now()).Person(p), personText(p, v.Site().Location(), t.Now()))
		return nil
	})
}

type addPerson struct {
	person
	Person string   `arg:"" help:"Code of the new person; it never changes."`
	Name   string   `help:"Name, as it is printed."`
	Mail   string   `help:"Mail address."`
	Role   []string `required:"" help:"technician, pharmacist, on call, manager, administrator, logger or inspector; several with commas."`
}

func (o addPerson) Run(c *call) error {
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor) error {
		p, err := t.AddPerson(c.ctx, site, who, stock.Person{Code: o.Person, Name: o.Name, Mail: o.Mail, Roles: o.Role})
		if err != nil {
			return err
		}
		return c.changed(t, site, p)
	})
}

type changePerson struct {
	person
	Person string   `arg:"" help:"Person, by code."`
	Name   *string  `help:"Name, as it is printed."`
	Mail   *string  `help:"Mail address; \"\" for none."`
	Role   []string `help:"All the roles they have from now on."`
	Left   string   `help:"When they leave the site (RFC 3339): from then on they may do nothing, and their name stays." placeholder:"TIME"`
}

func (o changePerson) Run(c *call) error {
	left, err := instant(o.Left)
	if err != nil {
		return err
	}
	change := tracker.PersonChange{Name: o.Name, Mail: o.Mail, Roles: o.Role}
	if !left.IsZero() {
		change.Left = &left
	}
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor) error {
		p, err := t.ChangePerson(c.ctx, site, who, o.Person, change)
		if err != nil {
			return err
		}
		return c.changed(t, site, p)
	})
}

type assessPerson struct {
	person
	Person string `arg:"" help:"Who was assessed, by code."`
	What   string `arg:"" help:"aseptic, verifying, releasing, hazardous, sweeping or alarm drill."`
	By     string `help:"Who assessed them, by code or in words; left out: whoever records it."`
	From   string `help:"From when it counts, or ended (RFC 3339); now if left out." placeholder:"TIME"`
	Until  string `help:"Until when it counts: its last day (2026-05-31), or RFC 3339." placeholder:"DAY"`
	Failed bool   `help:"It counts no more; instead of --until."`
	Note   string `help:"Anything worth knowing."`
}

func (o assessPerson) Run(c *call) error {
	from, err := instant(o.From)
	if err != nil {
		return err
	}
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor) error {
		zone, err := zoneOf(c, t, site)
		if err != nil {
			return err
		}
		until, err := lastDay(o.Until, zone)
		if err != nil {
			return err
		}
		p, err := t.Assess(c.ctx, site, who, o.Person, tracker.Assessment{
			What: o.What, AssessedBy: o.By, From: from, Until: until, Failed: o.Failed, Note: o.Note,
		})
		if err != nil {
			return err
		}
		return c.changed(t, site, p)
	})
}

// lastDay reads a day of the site's calendar, which counts to its end, or an instant.
func lastDay(s string, zone *time.Location) (time.Time, error) {
	if day, err := time.Parse(time.DateOnly, s); err == nil {
		return walltime.EndOfDay(day.Year(), day.Month(), day.Day(), zone), nil
	}
	return instant(s)
}
