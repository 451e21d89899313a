package app

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"vialward/alerts"
	"vialward/alerts/mail"
	"vialward/cmd/vialward/internal/config"
	"vialward/cmd/vialward/internal/schedule"
	"vialward/db"
	"vialward/tracker"
)

// Tried is one thing `vialward check` looked at.
type Tried struct {
	What string `json:"what"`
	OK   bool   `json:"ok"`
	Say  string `json:"say"`
}

// Check tries what a daemon needs: database, relay, zones, clock, folders; and says when each job wakes next. A wrong
// configuration is an error; everything else is tried and listed.
func Check(ctx context.Context, configFile string, stderr io.Writer) ([]Tried, error) {
	b, err := Begin(configFile, stderr)
	if err != nil {
		return nil, err
	}
	tried := []Tried{{"configuration", true, "read and sound"}}
	say := func(what string, err error, fine string) {
		if err != nil {
			tried = append(tried, Tried{what, false, err.Error()})
			return
		}
		tried = append(tried, Tried{what, true, fine})
	}
	pending, err := b.look(ctx)
	say("database", err, schemaInWords(pending))
	if err == nil && len(pending) == 0 {
		skew, err := b.DB.Skew(ctx, time.Now())
		if err == nil && skew.Abs() > 5*time.Second {
			err = fmt.Errorf("this machine and the database disagree by %s; set both by a time server", skew.Round(time.Millisecond))
		}
		say("clock", err, "agrees with the database's")
		tried = append(tried, checkSites(ctx, b)...)
	}
	if b.Config.HTTP.TLSCert != "" {
		tried = append(tried, checkCertificate(b.Config.HTTP, time.Now()))
	}
	tried = append(tried, checkRelay(ctx, b.Config.Mail), checkState(b.Config.State.Folder))
	if b.Config.Intake.Folder != "" {
		tried = append(tried, checkFolder("watched folder", b.Config.Intake.Folder))
	}
	tried = append(tried, checkSchedule(ctx, b)...)
	if err := b.Close(); err != nil {
		say("database server", err, "")
	}
	return tried, nil
}

// look opens the database and changes nothing in it. pending names the migrations a daemon would apply at its start; while
// there are any, what is in the database may not be what this program reads, and it is not opened further.
func (b *Base) look(ctx context.Context) (pending []string, err error) {
	if err := b.find(ctx); err != nil {
		return nil, err
	}
	if pending, err = db.Pending(ctx, b.dsn); err != nil || len(pending) > 0 {
		return pending, err
	}
	return nil, b.open(ctx)
}

func schemaInWords(pending []string) string {
	switch len(pending) {
	case 0:
		return "open, schema up to date"
	case 1:
		return "open; one migration waits for the next start of a daemon: " + pending[0] + ". Sites and clock are looked at after that"
	}
	return fmt.Sprintf("open; %d migrations wait for the next start of a daemon: %s to %s. Sites and clock are looked at after that",
		len(pending), pending[0], pending[len(pending)-1])
}

func checkSites(ctx context.Context, b *Base) []Tried {
	sites, err := b.DB.Sites(ctx)
	if err != nil {
		return []Tried{{"sites", false, err.Error()}}
	}
	if len(sites) == 0 {
		return []Tried{{"sites", false, "none is set up; load one with: vialward site load FILE.toml"}}
	}
	var tried []Tried
	for _, s := range sites {
		err := b.DB.Read(ctx, s, func(v tracker.View) error {
			if _, err := time.LoadLocation(v.Site().Zone); err != nil {
				return fmt.Errorf("zone %s is not known on this machine; install its zone data (tzdata)", v.Site().Zone)
			}
			if _, wrong := alerts.NewPolicy(v.Site(), "check.invalid"); len(wrong) > 0 {
				return fmt.Errorf("routes: %v", wrong)
			}
			return nil
		})
		t := Tried{"site " + s, err == nil, "zone known, every mail reaches somebody"}
		if err != nil {
			t.Say = err.Error()
		}
		tried = append(tried, t)
	}
	return tried
}

func checkRelay(ctx context.Context, c config.Mail) Tried {
	if c.Relay == "" {
		return Tried{"mail relay", false, "none is configured: mails would wait in the outbox for ever"}
	}
	if err := mail.Probe(ctx, Relay(c)); err != nil {
		return Tried{"mail relay", false, fmt.Sprintf("%s: %v; look at mail.relay, mail.tls and mail.ca_file", relayName(c), err)}
	}
	return Tried{"mail relay", true, relayName(c) + " takes our greeting"}
}

// checkState makes the folder as the daemon would: over a database elsewhere nothing has needed it yet.
func checkState(folder string) Tried {
	if err := makeState(folder); err != nil {
		return Tried{"state folder", false, err.Error()}
	}
	return checkFolder("state folder", folder)
}

func checkFolder(what, folder string) Tried {
	f, err := os.CreateTemp(folder, ".vialward-check-*")
	if err != nil {
		return Tried{what, false, fmt.Sprintf("cannot write to %s: %v", folder, err)}
	}
	name := f.Name()
	_ = f.Close() // nothing was written
	if err := os.Remove(name); err != nil {
		return Tried{what, false, err.Error()}
	}
	return Tried{what, true, filepath.Clean(folder) + " can be written"}
}

func checkSchedule(ctx context.Context, b *Base) []Tried {
	s, err := schedule.New(ctx, b.Log, (&parts{base: b}).jobs())
	if err != nil {
		return []Tried{{"schedule", false, err.Error()}}
	}
	var tried []Tried
	for _, w := range s.Next(time.Now()) {
		tried = append(tried, Tried{"job " + w.Name, true, "wakes next " + w.At.Format(time.RFC3339)})
	}
	return tried
}
