package main

import (
	"fmt"
	"strings"
	"time"

	"vialward/tracker"
	"vialward/tracker/walltime"
)

type tokenCommands struct {
	Make   makeToken   `cmd:"" may:"make-token" help:"Make an API token; it is shown once."`
	List   listTokens  `cmd:"" may:"make-token" help:"One's own tokens, or with --all everybody's: what each is for, its last use, its end."`
	Revoke revokeToken `cmd:"" may:"make-token" help:"End a token for good."`
}

type makeToken struct {
	person
	Person  string   `arg:"" help:"Whose token: what it does is theirs, and it may do what they may."`
	Scope   []string `default:"act" placeholder:"SCOPE,..." help:"act as the person, read, readings (write them), or read,readings."`
	Sensor  []string `help:"With scope readings: the only sensors it may write."`
	Name    string   `required:"" help:"What it is for."`
	Expires string   `help:"When it ends (RFC 3339); a year from now if left out."`
}

func (o makeToken) Run(c *call) error {
	expires, err := instant(o.Expires)
	if err != nil {
		return err
	}
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor) error {
		token, err := t.MakeToken(c.ctx, site, who, tracker.Token{Person: o.Person, Scopes: o.Scope, Sensors: o.Sensor, Name: o.Name, Ends: expires})
		if err != nil {
			return err
		}
		c.print(map[string]string{"token": token}, token+"\n")
		return nil
	})
}

type listTokens struct {
	person
	All bool `help:"Everybody's; an administrator may."`
}

// tokenRow is a token as it is printed; times are RFC 3339 with the site's offset.
type tokenRow struct {
	Number  int64    `json:"number"`
	Person  string   `json:"person"`
	Name    string   `json:"name"`
	Scopes  []string `json:"scopes"`
	Sensors []string `json:"sensors,omitempty"` // none = all
	MadeAt  string   `json:"made_at"`
	UsedAt  *string  `json:"used_at"`
	EndsAt  *string  `json:"ends_at"`
	Revoked *string  `json:"revoked_at"`
}

func (o listTokens) Run(c *call) error {
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor) error {
		person := who.Person.Code
		if o.All {
			person = ""
		}
		all, err := t.Tokens(c.ctx, site, who, person)
		if err != nil {
			return err
		}
		zone, err := zoneOf(c, t, site)
		if err != nil {
			return err
		}
		out := struct {
			Tokens []tokenRow `json:"tokens"`
		}{[]tokenRow{}}
		var text strings.Builder
		for _, k := range all {
			stamp := func(at time.Time) *string {
				if at.IsZero() {
					return nil
				}
				s := at.In(zone).Format(time.RFC3339)
				return &s
			}
			out.Tokens = append(out.Tokens, tokenRow{k.Number, k.Person, k.Name, k.Scopes, k.Sensors, *stamp(k.MadeAt), stamp(k.UsedAt), stamp(k.Ends), stamp(k.Revoked)})
			fmt.Fprintf(&text, "%d  %s  %s: %s  %s\n", k.Number, k.Person, k.Name, strings.Join(k.Scopes, " and "), howItStands(k, t.Now(), zone))
		}
		c.print(out, text.String())
		return nil
	})
}

// howItStands says when a token was used and when it ends or ended.
func howItStands(k tracker.Token, now time.Time, zone *time.Location) string {
	used := "never used"
	if !k.UsedAt.IsZero() {
		used = "used " + walltime.Say(k.UsedAt, zone)
	}
	switch {
	case !k.Revoked.IsZero():
		return used + ", revoked " + walltime.Say(k.Revoked, zone)
	case k.Ends.IsZero():
		return used
	case !k.Ends.After(now):
		return used + ", ended " + walltime.Say(k.Ends, zone)
	}
	return used + ", ends " + walltime.Say(k.Ends, zone)
}

// zoneOf a site, for times as its people read them.
func zoneOf(c *call, t *tracker.Tracker, site string) (zone *time.Location, err error) {
	err = t.Store.Read(c.ctx, site, func(v tracker.View) error {
		zone = v.Site().Location()
		return nil
	})
	return zone, err
}

type revokeToken struct {
	person
	Number int64 `arg:"" help:"Number of the token, as the list has it."`
}

func (o revokeToken) Run(c *call) error {
	return o.work(c, func(t *tracker.Tracker, site string, who tracker.Actor) error {
		k, err := t.RevokeToken(c.ctx, site, who, o.Number)
		if err != nil {
			return err
		}
		c.print(map[string]any{"number": k.Number, "person": k.Person, "name": k.Name}, fmt.Sprintf("token %d of %s (%s) is revoked\n", k.Number, k.Person, k.Name))
		return nil
	})
}
