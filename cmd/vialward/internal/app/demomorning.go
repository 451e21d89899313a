package app

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"vialward/cmd/vialward/internal/config"
	"vialward/cmd/vialward/internal/demo"
	"vialward/db"
	"vialward/db/local"
)

// Databases of the demo's private Postgres: the played morning, kept; the copy a visitor changes, made anew at each
// start; and the one being played.
const (
	morningDB = "morning"
	todayDB   = "today"
	playingDB = "playing"
)

// morning starts the private Postgres and answers the address of a fresh copy of the morning. The days are played at
// the first start, and again after the program has changed: whatever a new one would tell differently is told anew.
func (s *show) morning(ctx context.Context) (string, error) {
	server, err := local.Start(ctx, local.Options{StateFolder: filepath.Join(s.o.StateFolder, "postgres"), Log: s.base.Log})
	if errors.Is(err, local.ErrInUse) {
		return "", fmt.Errorf("another demo is running from %s; stop it, or set %s to another folder: %w", s.o.StateFolder, config.EnvState, err)
	}
	if err != nil {
		return "", err
	}
	s.base.server = server
	admin := server.DSN("postgres")
	key, err := toldBy()
	if err != nil {
		return "", err
	}
	label := filepath.Join(s.o.StateFolder, "morning")
	there, err := db.Exists(ctx, admin, morningDB)
	if err != nil {
		return "", err
	}
	if !there || !labelled(label, key) {
		if err := s.makeMorning(ctx, server, admin, label, key); err != nil {
			return "", err
		}
	}
	if err := db.Drop(ctx, admin, todayDB); err != nil {
		return "", err
	}
	return server.DSN(todayDB), unused(ctx, func() error { return db.Create(ctx, admin, todayDB, morningDB) })
}

// makeMorning plays into a database of its own; only a whole telling is ever called the morning, and it gets its label
// last.
func (s *show) makeMorning(ctx context.Context, server *local.Server, admin, label, key string) error {
	if err := os.Remove(label); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("forget the old morning: %w", err)
	}
	for _, name := range []string{morningDB, playingDB} {
		if err := db.Drop(ctx, admin, name); err != nil {
			return err
		}
	}
	if err := db.Create(ctx, admin, playingDB, ""); err != nil {
		return err
	}
	if err := s.play(ctx, server.DSN(playingDB)); err != nil {
		return err
	}
	if err := unused(ctx, func() error { return db.Rename(ctx, admin, playingDB, morningDB) }); err != nil {
		return err
	}
	if err := os.WriteFile(label, []byte(key+"\n"), 0o600); err != nil {
		return fmt.Errorf("label the morning: %w", err)
	}
	return nil
}

// unused tries again for a moment: a connection that was closed is gone from the server a little later.
func unused(ctx context.Context, f func() error) error {
	for end := time.Now().Add(5 * time.Second); ; {
		err := f()
		if err == nil || time.Now().After(end) || ctx.Err() != nil {
			return err
		}
		select {
		case <-ctx.Done():
		case <-time.After(50 * time.Millisecond):
		}
	}
}

func labelled(label, key string) bool {
	text, err := os.ReadFile(label) //nolint:gosec // in the demo's own state folder
	return err == nil && strings.TrimSpace(string(text)) == key
}

// toldBy names what tells the story: the story's version and this very program, migrations and rules included.
func toldBy() (string, error) {
	path, err := os.Executable()
	if err != nil {
		return "", fmt.Errorf("find this program: %w", err)
	}
	f, err := os.Open(path) //nolint:gosec // this program
	if err != nil {
		return "", fmt.Errorf("read this program: %w", err)
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", fmt.Errorf("read this program: %w", err)
	}
	return demo.Version + "-" + hex.EncodeToString(h.Sum(nil)), nil
}
