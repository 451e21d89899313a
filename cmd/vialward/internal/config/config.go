// Package config is what people write for the daemon: its one configuration, site files and layouts of logs. Each is
// TOML, read whole, with every mistake listed at once, its line and what to do about it.
package config

import (
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/netip"
	"os"
	"path/filepath"
	"syscall"
	"time"
)

// Config is the daemon's configuration, checked: what is in it can be used as it stands. Paths are absolute.
type Config struct {
	Database Database
	State    State
	HTTP     HTTP
	Mail     Mail
	Intake   Intake
	Schedule Schedule
	Metrics  Metrics
	Log      Log

	origin map[string]string // of each key that is not a default: "file", "password_file" or the variable's name
}

// Database to use.
type Database struct {
	DSN Secret // "" = the private Postgres under the state folder
}

// State is where the daemon keeps what is not in the database.
type State struct {
	Folder string
}

// HTTP is where pages and the API are served, and how they are reached from other machines: over TLS, here or at a proxy,
// by one name.
type HTTP struct {
	Listen     string // host:port
	MaxBodyMB  int    // longest request taken
	TLSCert    string // files of PEM; "" = no TLS here
	TLSKey     string
	PublicName string         // host or host:port; "" = from this machine only
	Proxies    []netip.Prefix // whose word on where a request came from counts
}

// Mail is the relay that takes the mails.
type Mail struct {
	Relay        string // host:port; "" = none: mails wait in the outbox
	TLS          string // starttls, implicit or none
	Username     string // "" = no AUTH
	Password     Secret
	PasswordFile string
	From         string
	Hello        string
	CAFile       string
	RootCAs      *x509.CertPool // of CAFile; nil = the machine's
	Timeout      time.Duration
}

// Intake is the watched folder.
type Intake struct {
	Folder  string        // "" = none is watched
	Settle  time.Duration // a file is taken when it has not grown for so long
	Layouts []LayoutRule  // the first that fits the file's name counts; none = the plain form
}

// LayoutRule says by which layout files are read.
type LayoutRule struct {
	Files  string // "T4*.csv", of the name alone
	Layout string // path of the layout file
}

// Schedule is when jobs are woken: cron expressions in UTC, or "@every 30s". Waking only asks the record what is due.
type Schedule struct {
	Slots      string // sweeps, reminders
	Silence    string // sensors that said nothing, queues that stand still
	Partitions string // of readings, made ahead
	Recount    string // the record checked against the vials
}

// Metrics at /metrics.
type Metrics struct {
	SnapshotEvery time.Duration
}

// Log on standard error.
type Log struct {
	Level  string // debug, info, warn, error
	Format string // text, json
}

// Names of the environment variables that are read. A variable wins over the file.
const (
	EnvDSN          = "VIALWARD_DSN"
	EnvState        = "VIALWARD_STATE"
	EnvMailPassword = "VIALWARD_MAIL_PASSWORD" //nolint:gosec // the name of a variable, not a password
)

// Load reads the configuration file, or takes the defaults where path is "", and looks up secrets with env
// (os.Getenv). The error holds Problems where the configuration is at fault.
func Load(path string, env func(string) string) (Config, error) {
	var text []byte
	var mode fs.FileMode
	if path != "" {
		var err error
		if path, err = filepath.Abs(path); err != nil {
			return Config{}, fmt.Errorf("find the configuration file: %w", err)
		}
		if text, mode, err = readWithMode(path); err != nil {
			return Config{}, fmt.Errorf("read the configuration file: %w", err)
		}
	}
	r := newReader(path, text, env)
	c := r.read(mode)
	if len(r.problems) > 0 {
		sortProblems(r.problems)
		if path == "" {
			return Config{}, fmt.Errorf("configuration: %w", Problems(r.problems))
		}
		return Config{}, fmt.Errorf("configuration %s: %w", path, Problems(r.problems))
	}
	return c, nil
}

// readWithMode reads a file and its permissions from one descriptor, so that they belong together.
func readWithMode(path string) (text []byte, mode fs.FileMode, err error) {
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0) // a pipe that nobody writes to would hold the start up
	if err != nil {
		return nil, 0, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	info, err := f.Stat()
	if err != nil {
		return nil, 0, err
	}
	if !info.Mode().IsRegular() {
		return nil, 0, fmt.Errorf("%s is not a file", path)
	}
	if info.Size() > tooLarge {
		return nil, 0, fmt.Errorf("%s has %d MB; is it the right file?", path, info.Size()>>20)
	}
	text, err = io.ReadAll(f)
	return text, info.Mode().Perm(), err
}

// StateFolder is where state is kept unless told otherwise: VIALWARD_STATE, else the system's place for root and the
// user's own for others.
func StateFolder(env func(string) string) string {
	if folder := env(EnvState); folder != "" {
		return folder
	}
	if os.Geteuid() == 0 {
		return "/var/lib/vialward"
	}
	return filepath.Join(env("HOME"), ".local", "state", "vialward")
}
