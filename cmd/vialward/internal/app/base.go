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

	server *local.Server // nil with a DSN, or beside a running daemon
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
	b.Tracker = &tracker.Tracker{Store: store, Now: time.Now, Log: b.Log, MailDomain: domainOf(b.Config.Mail.From)}
}

func (b *Base) find(ctx context.Context) error {
	if b.dsn = string(b.Config.Database.DSN); b.dsn != "" {
		return nil
	}
	folder := filepath.Join(b.Config.State.Folder, "postgres")
	server, err := local.Start(ctx, local.Options{StateFolder: folder, Log: b.Log, Durable: true})
	if errors.Is(err, local.ErrInUse) {
		b.dsn, err = local.Running(folder, database)
		return err
	}
	if err != nil {
		return err
	}
	b.server, b.dsn = server, server.DSN(database)
	return db.Create(ctx, server.DSN("postgres"), database, "")
}

// Close ends what Open began, the database server last.
func (b *Base) Close() error {
	if b.DB != nil {
		b.DB.Close()
	}
	if b.server == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	return b.server.Stop(ctx)
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
