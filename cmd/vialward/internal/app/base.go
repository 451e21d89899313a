// Package app builds and runs the parts: database, operations, sender, schedule, intake, pages, metrics. It is the only
// package that sees everything.
package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	netmail "net/mail"
	"os"
	"path/filepath"
	"strings"
	"time"

	"vialward/cmd/vialward/internal/config"
	"vialward/cmd/vialward/internal/passwords"
	"vialward/db"
	"vialward/db/local"
	"vialward/tracker"
)

// database is the name of the record on a private Postgres.
const database = "vialward"

// Base is what every command needs: configuration, database, operations.
type Base struct {
	Config  config.Config
	Log     *slog.Logger
	DB      *db.DB
	Tracker *tracker.Tracker

	claim  *claim        // nil for a command
	server *local.Server // nil with a DSN, or for a command beside a running daemon
	dsn    string
}

// Open reads the configuration, connects and migrates. Beside a running daemon it shares that one's private Postgres.
func Open(ctx context.Context, configFile string, stderr io.Writer) (*Base, error) {
	b, err := Begin(configFile, stderr)
	if err != nil {
		return nil, err
	}
	if b.Config.Log.Level == "info" { // a command's own words are enough
		b.Config.Log.Level = "warn"
		b.Log = Logger(b.Config.Log, stderr)
	}
	if err := b.connect(ctx); err != nil {
		return nil, errors.Join(err, b.Close())
	}
	return b, nil
}

// Begin reads the configuration and nothing else.
func Begin(configFile string, stderr io.Writer) (*Base, error) {
	c, err := config.Load(configFile, os.Getenv)
	if err != nil {
		return nil, err
	}
	return &Base{Config: c, Log: Logger(c.Log, stderr)}, nil
}

// connect starts or finds the database, brings its schema up to date and makes the operations.
func (b *Base) connect(ctx context.Context) error {
	if err := b.find(ctx); err != nil {
		return err
	}
	if err := db.Migrate(ctx, b.dsn); err != nil {
		return err
	}
	return b.open(ctx)
}

// open makes the operations over the database that was found, as it is.
func (b *Base) open(ctx context.Context) error {
	store, err := db.Open(ctx, b.dsn)
	if err != nil {
		return err
	}
	b.use(store)
	return nil
}

// use takes a connected database and makes the operations over it.
func (b *Base) use(store *db.DB) {
	b.DB = store
	b.Tracker = &tracker.Tracker{
		Store: store, Now: time.Now, Log: b.Log, MailDomain: domainOf(b.Config.Mail.From), Door: tracker.NewDoor(passwords.Standard()),
	}
	if name := b.Config.HTTP.PublicName; name != "" {
		b.Tracker.URL = "https://" + name
	}
}

func (b *Base) find(ctx context.Context) error {
	if b.dsn = string(b.Config.Database.DSN); b.dsn != "" {
		return nil
	}
	folder := filepath.Join(b.Config.State.Folder, "postgres")
	for told := false; b.server == nil; told = true {
		server, err := local.Start(ctx, local.Options{StateFolder: folder, Log: b.Log, Durable: true})
		switch {
		case err == nil:
			b.server = server
		case !errors.Is(err, local.ErrInUse):
			return err
		case b.claim == nil:
			b.dsn, err = local.Running(folder, database)
			return err
		default: // a command has it, and takes it along when it ends
			if !told {
				b.Log.Info("waiting for a command that uses the private Postgres", "folder", folder)
			}
			if err := pause(ctx, glance); err != nil {
				return err
			}
		}
	}
	b.dsn = b.server.DSN(database)
	return db.Create(ctx, b.server.DSN("postgres"), database, "")
}

// How soon is tried again what somebody else has to end or to begin first.
const (
	glance     = 200 * time.Millisecond
	awayForNow = time.Second
)

func pause(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// Close ends what Open began, the database server last.
func (b *Base) Close() error {
	if b.DB != nil {
		b.DB.Close()
	}
	var err error
	if b.server != nil {
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		err = b.server.Stop(ctx)
	}
	if b.claim != nil {
		err = errors.Join(err, b.claim.let())
	}
	return err
}

// domainOf is the right side of the sender's address, for Message-IDs.
func domainOf(from string) string {
	a, err := netmail.ParseAddress(from)
	if err != nil {
		return ""
	}
	_, domain, _ := strings.Cut(a.Address, "@")
	return domain
}

// Logger writes to stderr in the form the configuration names.
func Logger(c config.Log, stderr io.Writer) *slog.Logger {
	var level slog.Level
	if err := level.UnmarshalText([]byte(c.Level)); err != nil {
		level = slog.LevelInfo
	}
	o := &slog.HandlerOptions{Level: level}
	if c.Format == "json" {
		return slog.New(slog.NewJSONHandler(stderr, o))
	}
	return slog.New(slog.NewTextHandler(stderr, o))
}

// relayName is how messages name the relay.
func relayName(c config.Mail) string {
	if c.Relay == "" {
		return "none"
	}
	return fmt.Sprintf("%s (%s)", c.Relay, c.TLS)
}
