package dbtest

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"vialward/db"
	"vialward/db/local"
)

const (
	prefix         = "test_"          // of every database of a test
	templatePrefix = "test_template_" // of migrated ones; the hash of the migrations follows
	servers        = 64               // more test processes than this never run side by side
	templateLock   = 0x7669616c7761   // advisory lock of whoever makes a template
)

// server is where this process's tests have their databases.
type server struct {
	admin    string // address of its maintenance database, as a superuser
	process  string // what tells this process's databases from others'
	template string
}

func begin(ctx context.Context) (*server, error) {
	s := &server{process: fmt.Sprintf("%d_%x", os.Getpid(), time.Now().UnixNano())}
	s.admin = os.Getenv("VIALWARD_TEST_DSN")
	shared := s.admin != ""
	if !shared {
		p, err := private(ctx)
		if err != nil {
			return nil, err
		}
		s.admin = p.DSN("postgres") // never stopped: the kernel stops it when this process ends
	}
	hash, err := migrationsHash()
	if err != nil {
		return nil, err
	}
	s.template = templatePrefix + hash
	if !shared {
		if err := s.clear(ctx); err != nil {
			return nil, err
		}
	}
	if err := s.makeTemplate(ctx); err != nil {
		return nil, fmt.Errorf("make the template database: %w", err)
	}
	return s, nil
}

// private starts the first server that no other test process has.
func private(ctx context.Context) (*local.Server, error) {
	base := os.Getenv("VIALWARD_TEST_STATE")
	if base == "" {
		base = filepath.Join(os.TempDir(), fmt.Sprintf("vialward-test-%d", os.Getuid()))
	}
	// Without fsync an outage of the machine can spoil a server: after one the next folder is used.
	boot, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return nil, fmt.Errorf("tell this run of the machine from the last: %w", err)
	}
	for n := range servers {
		p, err := local.Start(ctx, local.Options{
			StateFolder: filepath.Join(base, fmt.Sprintf("%.8s-%d", boot, n)),
			Settings:    map[string]string{"max_connections": "300", "autovacuum": "off"},
		})
		if !errors.Is(err, local.ErrInUse) {
			return p, err
		}
	}
	return nil, fmt.Errorf("all %d test servers in %s are in use", servers, base)
}

// clear drops what killed tests and older migrations left on a private server.
func (s *server) clear(ctx context.Context) error {
	c, err := pgx.Connect(ctx, s.admin)
	if err != nil {
		return fmt.Errorf("connect to the test server: %w", err)
	}
	defer func() { _ = c.Close(ctx) }()
	rows, err := c.Query(ctx, "select datname from pg_database where starts_with(datname, $1) and datname <> $2",
		prefix, s.template)
	if err != nil {
		return fmt.Errorf("list old test databases: %w", err)
	}
	old, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return fmt.Errorf("list old test databases: %w", err)
	}
	for _, name := range old {
		if _, err := c.Exec(ctx, "drop database "+pgx.Identifier{name}.Sanitize()+" with (force)"); err != nil {
			return fmt.Errorf("drop the old test database %s: %w", name, err)
		}
	}
	return nil
}

// makeTemplate migrates one database for all processes of these migrations. It gets its name when it is finished.
func (s *server) makeTemplate(ctx context.Context) error {
	c, err := pgx.Connect(ctx, s.admin)
	if err != nil {
		return err
	}
	defer func() { _ = c.Close(ctx) }() // which lets go of the lock
	if _, err := c.Exec(ctx, "select pg_advisory_lock($1)", templateLock); err != nil {
		return err
	}
	var there bool
	err = c.QueryRow(ctx, "select exists (select from pg_database where datname = $1)", s.template).Scan(&there)
	if err != nil || there {
		return err
	}
	making := prefix + s.process + "_template"
	if _, err := c.Exec(ctx, "create database "+making+" template template0"); err != nil {
		return err
	}
	if err := db.Migrate(ctx, s.address(making)); err != nil {
		_, drop := c.Exec(ctx, "drop database "+making+" with (force)")
		return errors.Join(err, drop)
	}
	_, err = c.Exec(ctx, "alter database "+making+" rename to "+s.template)
	return err
}

// address is the address of one database, in the hostile zone.
func (s *server) address(database string) string {
	const zone = "-c timezone=" + Zone
	u, err := url.Parse(s.admin)
	if err != nil || u.Scheme == "" { // key=value pairs, of which the last counts
		return s.admin + " dbname=" + database + " options='" + zone + "'"
	}
	u.Path = "/" + database
	q := u.Query()
	q.Set("options", zone)
	u.RawQuery = strings.ReplaceAll(q.Encode(), "+", "%20")
	return u.String()
}

func (s *server) exec(ctx context.Context, statement string) error {
	c, err := pgx.Connect(ctx, s.admin)
	if err != nil {
		return fmt.Errorf("connect to the test server: %w", err)
	}
	defer func() { _ = c.Close(ctx) }()
	if _, err := c.Exec(ctx, statement); err != nil {
		return fmt.Errorf("%s: %w", statement, err)
	}
	return nil
}

// migrationsHash tells one set of migrations from another. The files are read where they lie: a test runs in its
// package's folder, below the module's.
func migrationsHash() (string, error) {
	dir, err := os.Getwd()
	if err != nil {
		return "", fmt.Errorf("find the module: %w", err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			break
		}
		if up := filepath.Dir(dir); up != dir {
			dir = up
			continue
		}
		return "", errors.New("find the module: no go.mod above the test's folder")
	}
	files, err := filepath.Glob(filepath.Join(dir, "db", "migrations", "*.sql"))
	if err != nil || len(files) == 0 {
		return "", fmt.Errorf("no migrations in %s/db: %w", dir, err)
	}
	sum := sha256.New()
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			return "", fmt.Errorf("read a migration: %w", err)
		}
		sum.Write([]byte(filepath.Base(f) + " " + strconv.Itoa(len(text)) + "\n"))
		sum.Write(text)
	}
	return hex.EncodeToString(sum.Sum(nil))[:16], nil
}
