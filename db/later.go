package db

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// queries is the transaction's connection. Writes whose answer nobody waits for are kept and sent together, with the
// next statement that is asked for or before the commit: a delivery of many loggers is a handful of trips to the server
// instead of several a logger. Statements still run in the order of the program, so whatever is read sees what was
// written before it; only an error comes later than the call that caused it, and fails the transaction all the same.
type queries struct {
	pgx.Tx
	waiting pgx.Batch
	doing   []string // what each of them does, for its error
}

// later keeps a write; doing says what it does, as an error would.
func (q *queries) later(doing, sql string, args ...any) {
	q.waiting.Queue(sql, args...)
	q.doing = append(q.doing, doing)
}

// flush sends what waits.
func (q *queries) flush(ctx context.Context) error {
	if len(q.doing) == 0 {
		return nil
	}
	waiting, doing := q.waiting, q.doing
	q.waiting, q.doing = pgx.Batch{}, nil
	sent := q.Tx.SendBatch(ctx, &waiting)
	for _, what := range doing {
		if _, err := sent.Exec(); err != nil {
			_ = sent.Close() // it says the same again
			return fmt.Errorf("%s: %w", what, err)
		}
	}
	return sent.Close()
}

func (q *queries) Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error) {
	if err := q.flush(ctx); err != nil {
		return pgconn.CommandTag{}, err
	}
	return q.Tx.Exec(ctx, sql, args...)
}

func (q *queries) Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error) {
	if err := q.flush(ctx); err != nil {
		return nil, err
	}
	return q.Tx.Query(ctx, sql, args...)
}

func (q *queries) QueryRow(ctx context.Context, sql string, args ...any) pgx.Row {
	if err := q.flush(ctx); err != nil {
		return failed{err}
	}
	return q.Tx.QueryRow(ctx, sql, args...)
}

func (q *queries) CopyFrom(ctx context.Context, table pgx.Identifier, columns []string, rows pgx.CopyFromSource) (int64, error) {
	if err := q.flush(ctx); err != nil {
		return 0, err
	}
	return q.Tx.CopyFrom(ctx, table, columns, rows)
}

func (q *queries) SendBatch(ctx context.Context, b *pgx.Batch) pgx.BatchResults {
	if err := q.flush(ctx); err != nil {
		return pgx.FailedBatchResults(b, err)
	}
	return q.Tx.SendBatch(ctx, b)
}

func (q *queries) Commit(ctx context.Context) error {
	if err := q.flush(ctx); err != nil {
		return err
	}
	return q.Tx.Commit(ctx)
}

// failed is a row that never came.
type failed struct{ err error }

func (f failed) Scan(...any) error { return f.err }
