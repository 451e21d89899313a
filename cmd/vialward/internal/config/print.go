package config

import (
	_ "embed"
	"fmt"
	"io"
	"strings"

	"github.com/BurntSushi/toml"
)

// Example is a configuration file with every key, its default and what it is for.
//
//go:embed example.toml
var Example string

// Setting is one key as it is in force.
type Setting struct {
	Key   string `json:"key"`   // dotted
	Value any    `json:"value"` // text, several texts or a whole number; secrets masked
	From  string `json:"from"`  // "default", "file", "password_file" or the environment variable

	masked bool // not the value itself
}

// Settings in force, in the order of Example. Secrets are masked.
func (c Config) Settings() []Setting {
	var s []Setting
	add := func(key string, value any) {
		from := c.origin[key]
		if from == "" {
			from = "default"
		}
		s = append(s, Setting{Key: key, Value: value, From: from})
	}
	secret := func(key string, value Secret) {
		add(key, value.Masked())
		s[len(s)-1].masked = value.Masked() != value.Reveal()
	}
	secret("database.dsn", c.Database.DSN)
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
	secret("mail.password", c.Mail.Password)
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

// Print writes the settings in force as a configuration file that may be read again, one a line with where it comes
// from. What is empty or masked stands behind "#": read again it is what it was, and a secret has to be given anew.
func (c Config) Print(w io.Writer) error {
	var b strings.Builder
	unset := func(table string) string {
		if table == "mail" && c.Mail.Relay == "" { // a file has either a relay or none of this
			return "# "
		}
		return ""
	}
	section := ""
	for _, s := range c.Settings() {
		table, key, _ := strings.Cut(s.Key, ".")
		if strings.HasPrefix(key, "layouts[") {
			continue // tables of their own, behind the keys of theirs
		}
		if table != section {
			if section == "intake" {
				c.printLayouts(&b)
			}
			if section != "" {
				b.WriteString("\n")
			}
			b.WriteString(unset(table) + "[" + table + "]\n")
			section = table
		}
		line := s.line(key)
		if !strings.HasPrefix(line, "#") {
			line = unset(table) + line
		}
		fmt.Fprintf(&b, "%-44s # %s\n", line, s.From)
	}
	if _, err := io.WriteString(w, b.String()); err != nil {
		return fmt.Errorf("print the configuration: %w", err)
	}
	return nil
}

func (c Config) printLayouts(b *strings.Builder) {
	for _, l := range c.Intake.Layouts {
		fmt.Fprintf(b, "[[intake.layouts]]\n%s\n%s\n", Setting{Value: l.Files}.line("files"), Setting{Value: l.Layout}.line("layout"))
	}
}

// line is the setting as TOML, behind "#" where a file must not say so.
func (s Setting) line(key string) string {
	text, err := toml.Marshal(map[string]any{key: s.Value})
	line := strings.TrimSpace(string(text))
	if err != nil { // a path that is no text
		return fmt.Sprintf("# %s = %q", key, s.Value)
	}
	if words, ok := s.Value.([]string); s.Value == any("") || ok && len(words) == 0 || s.masked {
		return "# " + line
	}
	return line
}
