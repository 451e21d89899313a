package main

import (
	"errors"
	"time"

	"vialward/cmd/vialward/internal/app"
	"vialward/tracker"
	"vialward/tracker/access"
)

// atSite is the flag of every command about a site. A command has no flag that it would not heed.
type atSite struct {
	Site string `help:"Site code; may be left out when there is only one." placeholder:"CODE"`
}

// person is the flags of a command by which a person does something on the machine itself, now or at times of its own.
type person struct {
	atSite
	As           string `help:"Person who acts, by code, and proves it by their password; the record says it was on the machine." placeholder:"PERSON"`
	PasswordFile string `type:"path" placeholder:"FILE" help:"File with that password, readable by its owner only; without it the password is asked for."`
}

// acting is a person's flags, of something that may have happened earlier.
type acting struct {
	person
	At string `help:"When it happened (RFC 3339); now if left out." placeholder:"TIME"`
}

// work is person.work with the instant at which it happened; the zero one is now.
func (a acting) work(c *call, f func(t *tracker.Tracker, site string, who tracker.Actor, at time.Time) error) error {
	at, err := instant(a.At)
	if err != nil {
		return err
	}
	return a.person.work(c, func(t *tracker.Tracker, site string, who tracker.Actor) error { return f(t, site, who, at) })
}

// work opens what a command needs, finds site and person, and closes it again.
func (a person) work(c *call, f func(t *tracker.Tracker, site string, who tracker.Actor) error) error {
	return a.with(c, func(b *app.Base, site string) error {
		who, err := a.prove(c, b.Tracker, site)
		if err != nil {
			return err
		}
		return f(b.Tracker, site, who)
	})
}

// prove is the person named, by their password.
func (a person) prove(c *call, t *tracker.Tracker, site string) (tracker.Actor, error) {
	if a.As == "" {
		return tracker.Actor{}, usage("say who acts: --as PERSON")
	}
	err := t.Store.Read(c.ctx, site, func(v tracker.View) error {
		if _, ok := v.Site().Person(a.As); !ok { // whoever is on the machine can list them
			return usage("there is no person %q at site %s; see: vialward site show", a.As, site)
		}
		return access.MayAsk(v.Site(), a.As, c.op, t.Now())
	})
	if err != nil {
		return tracker.Actor{}, err
	}
	password, err := c.secret(a.PasswordFile, "--password-file", "Password of "+a.As)
	if err != nil {
		return tracker.Actor{}, err
	}
	return t.ProveActor(c.ctx, site, a.As, password, tracker.ViaMachine, tracker.From{})
}

// with opens the base and settles the site.
func (a atSite) with(c *call, f func(b *app.Base, site string) error) (err error) {
	b, err := c.base()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	site := a.Site
	if site == "" {
		all, err := b.Tracker.Store.Sites(c.ctx)
		if err != nil {
			return err
		}
		if len(all) != 1 {
			return usage("say which site: --site CODE (there are %d)", len(all))
		}
		site = all[0]
	}
	return f(b, site)
}

// reading is with, on one unchanging view.
func (a atSite) reading(c *call, f func(v tracker.View, now time.Time) error) error {
	return a.with(c, func(b *app.Base, site string) error {
		return b.Tracker.Store.Read(c.ctx, site, func(v tracker.View) error { return f(v, b.Tracker.Now()) })
	})
}

// base opens configuration, database and operations; not the daemon's moving parts.
func (c *call) base() (*app.Base, error) {
	return app.Open(c.ctx, c.configFile, c.stderr)
}

// instant reads a time flag; an offset is required, so that no zone is guessed.
func instant(s string) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		return t, usage("%q is not a time with its offset; write it as 2025-11-12T08:30:00-05:00", s)
	}
	return t, nil
}
