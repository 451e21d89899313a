package db

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strconv"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
)

//go:embed migrations/*.sql
var migrations embed.FS

// Migrate brings the schema up to date as the owner, under an advisory lock: of several daemons one migrates and the
// others wait.
func Migrate(ctx context.Context, dsn string) error {
	cfg, err := pgx.ParseConfig(dsn)
	if err != nil {
		return fmt.Errorf("read the database address: %w", err)
	}
	conn := stdlib.OpenDB(*cfg)
	defer conn.Close()
	p, err := provider(conn)
	if err != nil {
		return err
	}
	_, err = p.Up(ctx)
	var pg *pgconn.PgError
	if errors.As(err, &pg) && pg.Code == "42501" { // insufficient privilege
		owner, name := pgx.Identifier{cfg.User}.Sanitize(), pgx.Identifier{cfg.Database}.Sanitize()
		return fmt.Errorf("migrate the database: %w. Its user has to own it and be in the role the daemon works as; once, as a superuser: "+
			"create role vialward_daemon nologin; grant vialward_daemon to %s; alter database %s owner to %s", err, owner, name, owner)
	}
	if err != nil {
		return away(fmt.Errorf("migrate the database: %w", err))
	}
	return nil
}

// Pending names the migrations that Migrate would apply, in their order, and changes nothing: not even the table in which
// the applied ones are noted is made.
func Pending(ctx context.Context, dsn string) ([]string, error) {
	cfg, err := pgx.ParseConfig(dsn)
	if err != nil {
		return nil, fmt.Errorf("read the database address: %w", err)
	}
	conn := stdlib.OpenDB(*cfg)
	defer conn.Close()
	p, err := provider(conn)
	if err != nil {
		return nil, err
	}
	applied := map[int64]bool{}
	var noted bool
	if err := conn.QueryRowContext(ctx, `select to_regclass('goose_db_version') is not null`).Scan(&noted); err != nil {
		return nil, away(fmt.Errorf("look at the schema: %w", err))
	}
	if noted {
		var versions string
		err := conn.QueryRowContext(ctx, `select coalesce(string_agg(version_id::text, ' '), '') from goose_db_version where is_applied`).Scan(&versions)
		if err != nil {
			return nil, away(fmt.Errorf("look at the schema: %w", err))
		}
		for _, v := range strings.Fields(versions) {
			n, err := strconv.ParseInt(v, 10, 64)
			if err != nil {
				return nil, fmt.Errorf("look at the schema: %w", err)
			}
			applied[n] = true
		}
	}
	var pending []string
	for _, s := range p.ListSources() {
		if !applied[s.Version] {
			pending = append(pending, path.Base(s.Path))
		}
	}
	return pending, nil
}

func provider(conn *sql.DB) (*goose.Provider, error) {
	locker, err := lock.NewPostgresSessionLocker()
	if err != nil {
		return nil, err
	}
	files, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return nil, err
	}
	p, err := goose.NewProvider(goose.DialectPostgres, conn, files, goose.WithSessionLocker(locker))
	if err != nil {
		return nil, fmt.Errorf("prepare migrations: %w", err)
	}
	return p, nil
}
