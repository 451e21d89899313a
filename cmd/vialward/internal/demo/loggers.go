package demo

import (
	"context"
	"crypto/sha256"
	"embed"
	"fmt"
	"strings"
	"time"

	"vialward/cmd/vialward/internal/config"
	"vialward/tracker"
	"vialward/tracker/templog"
)

//go:embed layouts/*.toml
var layoutFiles embed.FS

// logger is a data logger with its own way of writing things down.
type logger struct {
	code     string
	n        int
	every    time.Duration
	form     form
	row      func(s *Story, t time.Time, celsius float64) string
	sent     time.Time // up to where its readings were handed over
	offline  bool      // its gateway hands nothing over
	wallOnly bool      // writes the site's wall time without an offset
}

func loggers() (map[string]*logger, error) {
	local := func(form string) func(*Story, time.Time, float64) string {
		return func(s *Story, t time.Time, c float64) string {
			return fmt.Sprintf("%s,%.2f", t.In(s.zone).Format(form), c)
		}
	}
	offset := local("2006-01-02T15:04:05-07:00")
	all := []*logger{
		{code: "T1", every: 5 * time.Minute, row: func(_ *Story, t time.Time, c float64) string {
			return fmt.Sprintf("%s,%.2f", t.UTC().Format("2006-01-02T15:04:05Z"), c)
		}},
		{code: "T2", every: 5 * time.Minute, row: offset},
		{code: "T3", every: 5 * time.Minute, row: offset},
		{code: "T4", every: 5 * time.Minute, row: local("02/01/2006 15:04"), wallOnly: true},
		{code: "T5", every: 10 * time.Minute, row: func(_ *Story, t time.Time, c float64) string {
			return fmt.Sprintf("%s,%.2f", t.In(fixedClock).Format("2006-01-02 15:04"), c)
		}},
		{code: "T6", every: 15 * time.Minute, wallOnly: true, row: func(s *Story, t time.Time, c float64) string {
			return fmt.Sprintf("%s,%.1f", t.In(s.zone).Format("01/02/2006 03:04 PM"), c*9/5+32)
		}},
		{code: "T7", every: 5 * time.Minute, row: func(_ *Story, t time.Time, c float64) string {
			return fmt.Sprintf("T7,%s,%.2f", t.UTC().Format(time.RFC3339), c)
		}},
	}
	logs := map[string]*logger{}
	for n, l := range all {
		l.n = n
		logs[l.code] = l
		if l.code == "T7" {
			continue
		}
		var err error
		if l.form, err = readForm(l.code); err != nil {
			return nil, err
		}
	}
	return logs, nil
}

// fixedClock is T5's: standard time all year.
var fixedClock = time.FixedZone("UTC-05:00", -5*60*60)

// form is a layout file, and as what it reads; without a layout the plain form, as posted over HTTP.
type form struct {
	layout *templog.Layout
	text   string
}

func readForm(name string) (form, error) {
	text, err := layoutFiles.ReadFile("layouts/" + name + ".toml")
	if err != nil {
		return form{}, fmt.Errorf("layout of the demo: %w", err)
	}
	layout, err := config.ParseLayout(name+".toml", text)
	return form{&layout, string(text)}, err
}

// loggerCodes in the order in which they deliver.
func loggerCodes() []string { return []string{"T1", "T2", "T3", "T4", "T5", "T6", "T7"} }

// deliver hands over what a logger has measured since the last time, up to an instant.
func (s *Story) deliver(ctx context.Context, code string, upTo time.Time) error {
	l := s.logs[code]
	if l.offline {
		return nil
	}
	from := l.sent
	if l.wallOnly && s.clocksBack(upTo) {
		from = s.at(21, 0, 0).Add(-time.Second) // the whole night, so that its order tells the hours apart
	}
	return s.takeIn(ctx, l, from, upTo, "gateway", true)
}

// clocksBack is the hours in which a log of wall times has to begin before the change to be understood.
func (s *Story) clocksBack(t time.Time) bool {
	return t.After(s.at(21, 0, 59)) && t.Before(s.at(21, 2, 59))
}

// takeIn writes readings down in the logger's form and brings them to the tracker: from excluded, upTo included.
func (s *Story) takeIn(ctx context.Context, l *logger, from, upTo time.Time, source string, live bool) error {
	text := s.log(l, from, upTo)
	if l.sent.Before(upTo) {
		l.sent = upTo
	}
	if text == "" {
		return nil
	}
	if l.form.layout == nil {
		text, source = "sensor,at,celsius\n"+text, "http"
	}
	p, err := templog.NewParser(strings.NewReader(text), l.form.layout, templog.Options{})
	if err != nil {
		return fmt.Errorf("log of %s: %w", l.code, err)
	}
	digest := sha256.Sum256([]byte(text))
	in, err := s.t.TakeIn(ctx, Site, s.who(loggerPerson), tracker.Delivery{
		Source: source, Name: l.code + " " + upTo.In(s.zone).Format("2006-01-02 15:04"), Digest: digest[:], Layout: l.form.text, Live: live, Values: p,
	})
	if err != nil {
		return err
	}
	if in.Rows.Refused > 0 || in.Rows.Missing > 0 || in.Rows.Conflicting > 0 {
		return fmt.Errorf("log of %s: not all of it was taken: %+v %v", l.code, in.Rows, in.Refused)
	}
	return nil
}

// loggerPerson is who the gateways are in the record.
const loggerPerson = "loggers"

func (s *Story) log(l *logger, from, upTo time.Time) string {
	var b strings.Builder
	t := from.Truncate(l.every)
	if !t.After(from) {
		t = t.Add(l.every)
	}
	for ; !t.After(upTo); t = t.Add(l.every) {
		if c, alive := s.celsius(l, t); alive {
			b.WriteString(l.row(s, t, c) + "\n")
		}
	}
	return b.String()
}
