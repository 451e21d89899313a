package db

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// Create makes a database on the server an address leads to, unless it is there. A template copies another one; nobody
// may be connected to that.
func Create(ctx context.Context, server, name, template string) error {
	return admin(ctx, server, func(c *pgx.Conn) error {
		sql := "create database " + pgx.Identifier{name}.Sanitize()
		if template != "" {
			sql += " template " + pgx.Identifier{template}.Sanitize()
		}
		_, err := c.Exec(ctx, sql)
		var pg *pgconn.PgError
		if errors.As(err, &pg) && pg.Code == "42P04" { // it is there
			return nil
		}
		return err
	})
}

// Exists says whether the server has a database of that name.
func Exists(ctx context.Context, server, name string) (yes bool, err error) {
	err = admin(ctx, server, func(c *pgx.Conn) error {
		return c.QueryRow(ctx, "select exists (select from pg_database where datname = $1)", name).Scan(&yes)
	})
	return yes, err
}

// Drop ends every connection to a database and removes it; for the demo, which begins anew at every start.
func Drop(ctx context.Context, server, name string) error {
	return admin(ctx, server, func(c *pgx.Conn) error {
		_, err := c.Exec(ctx, "drop database if exists "+pgx.Identifier{name}.Sanitize()+" with (force)")
		return err
	})
}

// Rename gives a database another name: what was being made becomes what is used, in one step.
func Rename(ctx context.Context, server, from, to string) error {
	return admin(ctx, server, func(c *pgx.Conn) error {
		_, err := c.Exec(ctx, "alter database "+pgx.Identifier{from}.Sanitize()+" rename to "+pgx.Identifier{to}.Sanitize())
		return err
	})
}

func admin(ctx context.Context, server string, f func(*pgx.Conn) error) (err error) {
	c, err := pgx.Connect(ctx, server)
	if err != nil {
		return away(fmt.Errorf("connect to the database server: %w", err))
	}
	defer func() { err = errors.Join(err, c.Close(context.WithoutCancel(ctx))) }()
	return f(c)
}
