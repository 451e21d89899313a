package config

import (
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// file is the configuration as written. example.toml explains every key.
type file struct {
	Database struct {
		DSN string `toml:"dsn"`
	} `toml:"database"`
	State struct {
		Folder string `toml:"folder"`
	} `toml:"state"`
	HTTP struct {
		Listen     string   `toml:"listen"`
		MaxBodyMB  *int     `toml:"max_body_mb"`
		TLSCert    string   `toml:"tls_cert"`
		TLSKey     string   `toml:"tls_key"`
		PublicName string   `toml:"public_name"`
		Proxies    []string `toml:"proxies"`
	} `toml:"http"`
	Mail     mailFile   `toml:"mail"`
	Intake   intakeFile `toml:"intake"`
	Schedule struct {
		Slots      string `toml:"slots"`
		Silence    string `toml:"silence"`
		Partitions string `toml:"partitions"`
		Recount    string `toml:"recount"`
	} `toml:"schedule"`
	Metrics struct {
		SnapshotEvery string `toml:"snapshot_every"`
	} `toml:"metrics"`
	Log struct {
		Level  string `toml:"level"`
		Format string `toml:"format"`
	} `toml:"log"`
}

type mailFile struct {
	Relay        string `toml:"relay"`
	TLS          string `toml:"tls"`
	Username     string `toml:"username"`
	PasswordFile string `toml:"password_file"`
	From         string `toml:"from"`
	Hello        string `toml:"hello"`
	CAFile       string `toml:"ca_file"`
	Timeout      string `toml:"timeout"`
}

type intakeFile struct {
	Folder  string `toml:"folder"`
	Settle  string `toml:"settle"`
	Layouts []struct {
		Files  string `toml:"files,required"`
		Layout string `toml:"layout,required"`
	} `toml:"layouts"`
}

// reader turns a file into a Config and collects what is wrong with it.
type reader struct {
	*document
	file   file
	path   string // of the configuration file; "" = none
	env    func(string) string
	origin map[string]string
}

func newReader(path string, text []byte, env func(string) string) *reader {
	r := &reader{path: path, env: env, origin: map[string]string{}}
	r.document = open(text, &r.file)
	return r
}

// read fills in defaults, environment and file, in that order of weight but for secrets: there the environment wins.
func (r *reader) read(mode fs.FileMode) Config {
	if !r.parsed {
		return Config{}
	}
	f := r.file
	c := Config{
		Database: Database{DSN: Secret(r.fromEnv("database.dsn", EnvDSN, f.Database.DSN))},
		State:    State{Folder: r.folder("state.folder", r.fromEnv("state.folder", EnvState, f.State.Folder))},
		HTTP: HTTP{
			Listen: r.text("http.listen", f.HTTP.Listen, "127.0.0.1:8080"), MaxBodyMB: 64, PublicName: r.text("http.public_name", f.HTTP.PublicName, ""),
			TLSCert: r.beside(r.text("http.tls_cert", f.HTTP.TLSCert, "")), TLSKey: r.beside(r.text("http.tls_key", f.HTTP.TLSKey, "")),
			Proxies: r.proxies(f.HTTP.Proxies),
		},
		Mail:   r.mail(f.Mail),
		Intake: r.intake(f.Intake),
		Schedule: Schedule{
			Slots:      r.cron("schedule.slots", f.Schedule.Slots, "* * * * *"),
			Silence:    r.cron("schedule.silence", f.Schedule.Silence, "* * * * *"),
			Partitions: r.cron("schedule.partitions", f.Schedule.Partitions, "10 2 * * *"),
			Recount:    r.cron("schedule.recount", f.Schedule.Recount, "40 2 * * *"),
		},
		Metrics: Metrics{SnapshotEvery: r.duration("metrics.snapshot_every", f.Metrics.SnapshotEvery, 5*time.Second, time.Second, 5*time.Minute)},
		Log: Log{
			Level:  r.oneOf("log.level", f.Log.Level, "info", "debug", "warn", "error"),
			Format: r.oneOf("log.format", f.Log.Format, "text", "json"),
		},
		origin: r.origin,
	}
	if n := f.HTTP.MaxBodyMB; n != nil {
		c.HTTP.MaxBodyMB = *n
		r.origin["http.max_body_mb"] = "file"
		if *n < 1 || *n > 1024 {
			r.wrong("http.max_body_mb", "%d MB is out of reach: use 1 to 1024", *n)
		}
	}
	r.checkHTTP(c.HTTP)
	r.checkDSN(c.Database.DSN.Reveal())
	if holdsPassword(f.Database.DSN) && mode&0o007 != 0 {
		r.wrong("database.dsn", "it holds a password, and everyone on this machine may read the file (%04o): chmod o= %s, or give it in %s", mode, r.path, EnvDSN)
	}
	return c
}

func (r *reader) text(key, value, standard string) string {
	if value == "" {
		return standard
	}
	r.origin[key] = "file"
	return value
}

func (r *reader) fromEnv(key, variable, value string) string {
	if v := r.env(variable); v != "" {
		r.origin[key] = variable
		return v
	}
	return r.text(key, value, "")
}

// blame says what is wrong with a value where it came from.
func (r *reader) blame(key, format string, args ...any) {
	if from := r.origin[key]; strings.HasPrefix(from, "VIALWARD_") {
		r.problems = append(r.problems, Problem{Key: from, Say: fmt.Sprintf(format, args...)})
		return
	}
	r.wrong(key, format, args...)
}

// beside takes paths of the file as relative to its folder, so that it does not matter where the daemon was started.
func (r *reader) beside(path string) string {
	if path == "" || filepath.IsAbs(path) || r.path == "" {
		return path
	}
	return filepath.Join(filepath.Dir(r.path), path)
}

func (r *reader) folder(key, value string) string {
	if value == "" {
		value = StateFolder(r.env)
	} else if r.origin[key] == "file" {
		value = r.beside(value)
	}
	if !filepath.IsAbs(value) {
		r.blame(key, "%q is not an absolute path: begin it with /", value)
	}
	return value
}

func (r *reader) oneOf(key, value, standard string, others ...string) string {
	value = r.text(key, value, standard)
	if value == standard {
		return value
	}
	if slices.Contains(others, value) {
		return value
	}
	r.wrong(key, "%q is not one of %s", value, strings.Join(append([]string{standard}, others...), ", "))
	return standard
}

// duration reads "5 s", "10 min", "1 h", with or without the space.
func (r *reader) duration(key, value string, standard, least, most time.Duration) time.Duration {
	if r.text(key, value, "") == "" {
		return standard
	}
	d, err := time.ParseDuration(strings.ReplaceAll(strings.ReplaceAll(value, " ", ""), "min", "m"))
	switch {
	case err != nil:
		r.wrong(key, "%q is not a length of time: write it as \"5 s\", \"10 min\" or \"1 h\"", value)
	case d < least || d > most:
		r.wrong(key, "%s is out of reach: use %s to %s", sayDuration(d), sayDuration(least), sayDuration(most))
	default:
		return d
	}
	return standard
}

// sayDuration as it would be written in the file.
func sayDuration(d time.Duration) string {
	switch {
	case d >= time.Hour && d%time.Hour == 0:
		return fmt.Sprintf("%d h", d/time.Hour)
	case d >= time.Minute && d%time.Minute == 0:
		return fmt.Sprintf("%d min", d/time.Minute)
	case d%time.Second == 0:
		return fmt.Sprintf("%d s", d/time.Second)
	default:
		return d.String()
	}
}
