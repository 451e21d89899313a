// Package db is the Store and the outbox over Postgres, and the only importer of pgx.
//
// Two habits keep time honest here. No statement asks the server for its time or date, except leases and back-off of
// the outbox (clock_timestamp); day bounds and months come from Go. And the session's zone changes no result: instants
// travel as timestamptz, are scanned as UTC, and no statement casts one to a date.
package db

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgtype"
	"github.com/jackc/pgx/v5/pgxpool"

	"vialward/tracker"
	"vialward/tracker/chain"
	"vialward/tracker/stock"
	"vialward/tracker/templog"
)

// DB implements tracker.Store and alerts.Outbox.
type DB struct {
	pool *pgxpool.Pool

	mu     sync.Mutex
	sites  map[string]*stock.Site // newest document of each site, by code; its owner is site()
	months map[time.Time]bool     // partitions known to exist; entered only after the commit that made them
}

var _ tracker.Store = (*DB)(nil)

// Open connects, as the role that may only add to the record. It does not migrate.
func Open(ctx context.Context, dsn string) (*DB, error) {
	cfg, err := pgxpool.ParseConfig(dsn)
	if err != nil {
		return nil, fmt.Errorf("read the database address: %w", err)
	}
	cfg.ConnConfig.ConnectTimeout = 10 * time.Second
	cfg.AfterConnect = func(ctx context.Context, c *pgx.Conn) error {
		c.TypeMap().RegisterType(&pgtype.Type{
			Name: "timestamptz", OID: pgtype.TimestamptzOID, Codec: &pgtype.TimestamptzCodec{ScanLocation: time.UTC},
		})
		_, err := c.Exec(ctx, "set role vialward_daemon")
		return err
	}
	pool, err := pgxpool.NewWithConfig(ctx, cfg)
	if err != nil {
		return nil, fmt.Errorf("connect to the database: %w", err)
	}
	return &DB{pool: pool, sites: map[string]*stock.Site{}, months: map[time.Time]bool{}}, nil
}

// Close waits for running statements.
func (d *DB) Close() { d.pool.Close() }

// Ping says whether the database answers and its schema is there.
func (d *DB) Ping(ctx context.Context) error {
	var n int
	return d.pool.QueryRow(ctx, "select count(*) from outbox where false").Scan(&n)
}

// In runs f in one transaction, again when Postgres gave way to another one.
func (d *DB) In(ctx context.Context, site string, f func(tracker.Tx) error) error {
	for try := 1; ; try++ {
		err := d.once(ctx, site, pgx.TxOptions{}, func(t *tx) error { return f(t) })
		if try < 5 && gaveWay(err) {
			continue
		}
		return away(err)
	}
}

// Read runs f on one unchanging view.
func (d *DB) Read(ctx context.Context, site string, f func(tracker.View) error) error {
	o := pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}
	return away(d.once(ctx, site, o, func(t *tx) error { return f(t) }))
}

func (d *DB) once(ctx context.Context, site string, o pgx.TxOptions, f func(*tx) error) error {
	p, err := d.pool.BeginTx(ctx, o)
	if err != nil {
		return fmt.Errorf("begin: %w", err)
	}
	defer func() { _ = p.Rollback(context.WithoutCancel(ctx)) }() // after a commit this does nothing
	s, err := d.site(ctx, p, site)
	if err != nil {
		return err
	}
	t := &tx{d: d, q: &queries{Tx: p}, site: s, id: s.ID}
	if err := f(t); err != nil {
		return err
	}
	if err := t.bindRest(ctx); err != nil {
		return err
	}
	t.storeArrived()
	t.sumUp()
	if err := t.q.Commit(ctx); err != nil {
		return fmt.Errorf("commit: %w", err)
	}
	d.mu.Lock()
	for _, m := range t.months {
		d.months[m] = true
	}
	d.mu.Unlock()
	return nil
}

// gaveWay is true for a deadlock, a serialisation failure, and a version of the site's document that somebody else made
// first: nothing was done, and doing it again is right.
func gaveWay(err error) bool {
	var pg *pgconn.PgError
	return errors.As(err, &pg) && (pg.Code == "40001" || pg.Code == "40P01" || pg.Code == "23505" && pg.ConstraintName == "site_version_pkey")
}

// away marks an error of a connection that could not be had or was cut, of a server that is stopping or full, as
// tracker.ErrAway; others stay as they are.
func away(err error) error {
	var pg *pgconn.PgError
	var connect *pgconn.ConnectError
	var network net.Error
	switch {
	case err == nil || errors.Is(err, context.Canceled):
		return err
	case errors.As(err, &pg):
		// 08 connection, 40 it gave way to others each time, 53 resources (disk full, too many connections), 57P the server is
		// stopping or starting, 55000 no connections are taken: PostgreSQL's documentation, appendix A.
		if c := pg.Code; c[:2] == "08" || c[:2] == "40" || c[:2] == "53" || c[:3] == "57P" || c == "55000" {
			return fmt.Errorf("%w: %w", tracker.ErrAway, err)
		}
		return err
	case errors.As(err, &connect), errors.As(err, &network), errors.Is(err, io.ErrUnexpectedEOF):
		return fmt.Errorf("%w: %w", tracker.ErrAway, err)
	default:
		return err
	}
}

// Broken reports a rule of the schema that was broken, by its message; for tests and for sentences.
func Broken(err error) (string, bool) {
	var pg *pgconn.PgError
	if errors.As(err, &pg) && (pg.Code[:2] == "23" || pg.Code == "42501") {
		return pg.Message, true
	}
	return "", false
}

// tx implements tracker.Tx within one transaction.
type tx struct {
	d    *DB
	q    *queries
	site *stock.Site
	id   int32

	months  []time.Time                    // partitions this transaction made
	newest  map[string]*tracker.Checkpoint // of the sensors this transaction has locked; nil = it has none
	arrived map[int64][]any                // intakes it began and has not stored
	sum     templog.Rows                   // of the intakes it finished
	ordered bool                           // it holds the site's order
	head    chain.Head                     // once it is ordered
	last    time.Time                      // when its newest event was entered
	unbound
}

// Order takes the lock of the site's one order, until commit. What takes several locks takes them so: the count of
// intakes, sensors by code, this one, then counters, cases and vials. Two operations then wait for each other, and never
// in a circle.
func (t *tx) Order(ctx context.Context) error {
	if t.ordered {
		return nil
	}
	head, err := t.readHead(ctx, "for no key update")
	if err != nil {
		return fmt.Errorf("wait for the order of site %s: %w", t.site.Code, err)
	}
	t.head, t.ordered = head, true
	return nil
}

// Site is the document in force when the transaction began, or when it had locked its sensors.
func (t *tx) Site() *stock.Site { return t.site }

// orNull maps a zero time to null, null-able columns' way of saying "not yet".
func orNull(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

// orZero is its reverse.
func orZero(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return *t
}

func textOrNull(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

// MakeMonths makes the partitions of readings for this month and some ahead.
func (d *DB) MakeMonths(ctx context.Context, now time.Time, ahead int) error {
	now = now.UTC()
	for i := range ahead + 1 {
		m := time.Date(now.Year(), now.Month()+time.Month(i), 1, 0, 0, 0, 0, time.UTC)
		if _, err := d.pool.Exec(ctx, `select make_reading_month($1)`, m); err != nil {
			return fmt.Errorf("make the partition of %s: %w", m.Format("2006-01"), err)
		}
	}
	return nil
}

// Skew is how far the database's clock is ahead of a time taken just now.
func (d *DB) Skew(ctx context.Context, now time.Time) (time.Duration, error) {
	var t time.Time
	if err := d.pool.QueryRow(ctx, `select clock_timestamp()`).Scan(&t); err != nil {
		return 0, fmt.Errorf("ask the database's clock: %w", err)
	}
	return t.Sub(now), nil
}
