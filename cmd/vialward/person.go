package main

import (
	"fmt"
	"os/user"
	"strings"
	"time"

	"vialward/cmd/vialward/internal/app"
	"vialward/tracker"
	"vialward/tracker/walltime"
)

type personCommands struct {
	First    firstPerson    `cmd:"" may:"first-password" help:"Give the first administrator a password; as long as no administrator of the site has one."`
	List     listPeople     `cmd:"" may:"read" help:"People, their roles, and what they were assessed in."`
	Add      addPerson      `cmd:"" may:"add-person" help:"Somebody comes to the site."`
	Change   changePerson   `cmd:"" may:"change-person" help:"Change a person's name, address or roles, or say from when on they are gone."`
	Assess   assessPerson   `cmd:"" may:"assess" help:"A person was assessed: competent until then, or no more."`
	Password personPassword `cmd:"" may:"own-account" help:"Change one's own password, or as an administrator give out one to begin with."`
}

type firstPerson struct {
	atSite
	Person          string `arg:"" help:"An administrator of the site, by code."`
	NewPasswordFile string `type:"path" placeholder:"FILE" help:"File with the password, readable by its owner only; without it the password is asked for."`
}

func (o firstPerson) Run(c *call) error {
	return o.with(c, func(b *app.Base, site string) error {
		password, err := c.newSecret(o.NewPasswordFile, "A password for "+o.Person)
		if err != nil {
			return err
		}
		if err := b.Tracker.FirstAdministrator(c.ctx, site, account(), o.Person, password); err != nil {
			return err
		}
		c.print(map[string]string{"site": site, "person": o.Person}, fmt.Sprintf("%s can sign in, and give out passwords to the others\n", o.Person))
		return nil
	})
}

// account is whoever runs the program.
func account() tracker.Actor {
	if u, err := user.Current(); err == nil {
		return tracker.Account(u.Username)
	}
	return tracker.Account("someone")
}

type personPassword struct {
	person
	Person          string `arg:"" optional:"" help:"Who is given a password to begin with; left out: one's own is changed."`
	NewPasswordFile string `type:"path" placeholder:"FILE" help:"File with one's own new password, readable by its owner only; without it the password is asked for."`
}

func (o personPassword) Run(c *call) error {
	if o.Person == "" || o.Person == o.As {
		return o.own(c)
	}
	if o.NewPasswordFile != "" {
		return usage("a password for somebody else is made up, and changed by them: leave out --new-password-file")
	}
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor) error {
		start, until, err := t.ResetPassword(c.ctx, site, who, o.Person)
		if err != nil {
			return err
		}
		zone, err := zoneOf(c, t, site)
		if err != nil {
			return err
		}
		c.print(map[string]string{"person": o.Person, "start_password": start, "until": until.In(zone).Format(time.RFC3339)},
			fmt.Sprintf("%s\nGood until %s for %s to choose one of their own. Hand it over in person.\n", start, walltime.Say(until, zone), o.Person))
		return nil
	})
}

// own is asked for by the password there is, also by one that was given out.
func (o personPassword) own(c *call) error {
	return o.with(c, func(b *app.Base, site string) error {
		if o.As == "" {
			return usage("say who you are: --as PERSON")
		}
		old, err := c.secret(o.PasswordFile, "--password-file", "Password of "+o.As)
		if err != nil {
			return err
		}
		next, err := c.newSecret(o.NewPasswordFile, "New password of "+o.As)
		if err != nil {
			return err
		}
		if _, err := b.Tracker.SetPassword(c.ctx, site, o.As, old, next, tracker.From{}); err != nil {
			return err
		}
		c.print(map[string]string{"person": o.As}, o.As+" has a new password, and is signed out everywhere\n")
		return nil
	})
}

type sessionCommands struct {
	List listSessions `cmd:"" may:"own-account" help:"Where one is signed in, or with --all everybody."`
	End  endSession   `cmd:"" may:"own-account" help:"End a session."`
}

type listSessions struct {
	person
	All bool `help:"Everybody's; an administrator may."`
}

// sessionRow is a session as it is printed; times are RFC 3339 with the site's offset.
type sessionRow struct {
	Number  int64  `json:"number"`
	Person  string `json:"person"`
	By      string `json:"by"` // password, start or pin
	Browser string `json:"browser"`
	From    string `json:"from"`
	Since   string `json:"since"`
	Seen    string `json:"seen"`
	Ends    string `json:"ends"` // unless there is a request before
}

func (o listSessions) Run(c *call) error {
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor) error {
		whose := who.Person.Code
		if o.All {
			whose = ""
		}
		all, err := t.Sessions(c.ctx, site, who, whose)
		if err != nil {
			return err
		}
		zone, err := zoneOf(c, t, site)
		if err != nil {
			return err
		}
		stamp := func(at time.Time) string { return at.In(zone).Format(time.RFC3339) }
		out := struct {
			Sessions []sessionRow `json:"sessions"`
		}{[]sessionRow{}}
		var text strings.Builder
		for _, s := range all {
			out.Sessions = append(out.Sessions, sessionRow{s.Number, s.Person, s.Method, s.Browser, s.Address, stamp(s.StartedAt), stamp(s.SeenAt), stamp(s.Standing().Ends())})
			fmt.Fprintf(&text, "%d  %s  since %s, last seen %s, from %s, %s\n", s.Number, s.Person, walltime.Say(s.StartedAt, zone), walltime.Say(s.SeenAt, zone), s.Address, s.Browser)
		}
		c.print(out, text.String())
		return nil
	})
}

type endSession struct {
	person
	Number int64 `arg:"" help:"Number of the session, as the list has it."`
}

func (o endSession) Run(c *call) error {
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor) error {
		s, err := t.EndSession(c.ctx, site, who, o.Number)
		if err != nil {
			return err
		}
		c.print(map[string]any{"number": s.Number, "person": s.Person}, fmt.Sprintf("session %d of %s is over\n", s.Number, s.Person))
		return nil
	})
}
