package db

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// fetched is how many rows of a cursor are held at a time: several tables are read side by side, none whole.
const fetched = 1000

// cursor reads a query's rows one after the other on a connection that other cursors use too.
type cursor[T any] struct {
	v    *verifier
	name string
	scan func(pgx.CollectableRow) (T, error)
	rows []T
	done bool
}

// open declares a cursor; its SQL holds its own numbers, since a declaration takes no parameters.
func open[T any](ctx context.Context, v *verifier, scan func(pgx.CollectableRow) (T, error), sql string, args ...any) (*cursor[T], error) {
	v.cursors++
	c := &cursor[T]{v: v, name: fmt.Sprintf("walk_%d_%d", v.site.Site, v.cursors), scan: scan}
	_, err := v.q.Exec(ctx, "declare "+c.name+" no scroll cursor for "+fmt.Sprintf(sql, args...), pgx.QueryExecModeExec)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", c.name, err)
	}
	return c, nil
}

// peek answers the i-th row not yet taken, nil when there are no more.
func (c *cursor[T]) peek(ctx context.Context, i int) (*T, error) {
	for !c.done && len(c.rows) <= i {
		rows, err := c.v.q.Query(ctx, fmt.Sprintf("fetch %d from %s", fetched, c.name))
		if err != nil {
			return nil, fmt.Errorf("read on: %w", err)
		}
		more, err := pgx.CollectRows(rows, c.scan)
		if err != nil {
			return nil, fmt.Errorf("read on: %w", err)
		}
		c.rows = append(c.rows, more...)
		c.done = len(more) < fetched
	}
	if len(c.rows) <= i {
		return nil, nil //nolint:nilnil // no more rows
	}
	return &c.rows[i], nil
}

// take passes over the first row.
func (c *cursor[T]) take() { c.rows = c.rows[1:] }

// each runs f over all rows that are left.
func (c *cursor[T]) each(ctx context.Context, f func(T) error) error {
	for {
		r, err := c.peek(ctx, 0)
		if err != nil || r == nil {
			return err
		}
		if err := f(*r); err != nil {
			return err
		}
		c.take()
	}
}
