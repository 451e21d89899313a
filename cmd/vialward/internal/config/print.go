package config

import (
	_ "embed"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// Example is a configuration file with every key, its default and what it is for.
//
//go:embed example.toml
var Example string

// Setting is one key as it is in force.
type Setting struct {
	Key   string `json:"key"`   // dotted
	Value any    `json:"value"` // text or whole number; secrets masked
	From  string `json:"from"`  // "default", "file", "password_file" or the environment variable
}

// Settings in force, in the order of Example. Secrets are masked.
func (c Config) Settings() []Setting {
	var s []Setting
	add := func(key string, value any) {
		from := c.origin[key]
		if from == "" {
			from = "default"
		}
		s = append(s, Setting{key, value, from})
	}
	add("database.dsn", c.Database.DSN.Masked())
	add("state.folder", c.State.Folder)
	add("http.listen", c.HTTP.Listen)
	add("http.max_body_mb", c.HTTP.MaxBodyMB)
	add("http.tls_cert", c.HTTP.TLSCert)
	add("http.tls_key", c.HTTP.TLSKey)
	add("http.public_name", c.HTTP.PublicName)
	add("http.proxies", proxiesInWords(c.HTTP.Proxies))
	add("mail.relay", c.Mail.Relay)
	add("mail.tls", c.Mail.TLS)
	add("mail.from", c.Mail.From)
	add("mail.username", c.Mail.Username)
	add("mail.password_file", c.Mail.PasswordFile)
	add("mail.password", c.Mail.Password.Masked())
	add("mail.hello", c.Mail.Hello)
	add("mail.ca_file", c.Mail.CAFile)
	add("mail.timeout", sayDuration(c.Mail.Timeout))
	add("intake.folder", c.Intake.Folder)
	add("intake.settle", sayDuration(c.Intake.Settle))
	for i, l := range c.Intake.Layouts {
		add(item("intake.layouts", i+1), l.Files+" -> "+l.Layout)
		s[len(s)-1].From = "file"
	}
	add("schedule.slots", c.Schedule.Slots)
	add("schedule.silence", c.Schedule.Silence)
	add("schedule.partitions", c.Schedule.Partitions)
	add("schedule.recount", c.Schedule.Recount)
	add("metrics.snapshot_every", sayDuration(c.Metrics.SnapshotEvery))
	add("log.level", c.Log.Level)
	add("log.format", c.Log.Format)
	return s
}

// Print writes the settings in force, one a line with where it comes from. Secrets are masked.
func (c Config) Print(w io.Writer) error {
	var b strings.Builder
	section := ""
	for _, s := range c.Settings() {
		table, key, _ := strings.Cut(s.Key, ".")
		if table != section {
			if section != "" {
				b.WriteString("\n")
			}
			b.WriteString("[" + table + "]\n")
			section = table
		}
		value := fmt.Sprint(s.Value)
		if text, ok := s.Value.(string); ok {
			value = strconv.Quote(text)
		}
		line := fmt.Sprintf("%s = %s", key, value)
		fmt.Fprintf(&b, "%-44s # %s\n", line, s.From)
	}
	if _, err := io.WriteString(w, b.String()); err != nil {
		return fmt.Errorf("print the configuration: %w", err)
	}
	return nil
}
