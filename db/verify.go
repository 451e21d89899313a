package db

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"vialward/tracker"
	"vialward/tracker/chain"
)

// VerifyOptions narrow and widen a verification.
type VerifyOptions struct {
	Site     string                          // "" = every site
	Heads    []chain.Head                    // published ones, of Site: the chain has to come by each
	Archive  string                          // folder with archive files; "" = none is looked at
	Progress func(site string, events int64) // now and then
}

// Verify walks the whole record of one site or of all, outside the daemon: on a connection of its own that can only read,
// in one unchanging view, with no part of the daemon's way to the tables but their names. What it reads it hashes here;
// nothing is asked of the server but the rows. Any role that may read the tables will do.
func Verify(ctx context.Context, dsn string, o VerifyOptions) (out []tracker.Verification, err error) {
	c, err := onlyReading(ctx, dsn)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, c.Close(context.WithoutCancel(ctx))) }()
	p, err := c.BeginTx(ctx, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly})
	if err != nil {
		return nil, away(fmt.Errorf("begin the verification: %w", err))
	}
	defer func() { _ = p.Rollback(context.WithoutCancel(ctx)) }() // it only read
	return verify(ctx, p, o)
}

func verify(ctx context.Context, p pgx.Tx, o VerifyOptions) (out []tracker.Verification, err error) {
	rows, err := p.Query(ctx, `select site, code, zone, head, head_hash from site where $1 = '' or code = $1 order by site`, o.Site)
	if err != nil {
		return nil, away(fmt.Errorf("list the sites: %w", err))
	}
	sites, err := pgx.CollectRows(rows, pgx.RowToStructByPos[siteRow])
	if err != nil {
		return nil, away(fmt.Errorf("list the sites: %w", err))
	}
	if len(sites) == 0 && o.Site != "" {
		return nil, tracker.NotFound("site", o.Site)
	}
	if len(sites) > 1 && len(o.Heads) > 0 {
		return nil, tracker.ErrWhichSite
	}
	guards, err := missingGuards(ctx, p)
	if err != nil {
		return nil, err
	}
	for i, s := range sites {
		v := &verifier{q: p, site: s, o: o, out: tracker.Verification{Site: s.Code}}
		if o.Site == "" && int(s.Site) != i+1 && (i == 0 || sites[i-1].Site != s.Site-1) {
			v.out.Row(0, chain.Removed, "site number %d is missing: sites are numbered without holes", s.Site-1)
		}
		for _, g := range guards {
			v.out.Row(0, chain.Disagrees, "%s", g)
		}
		if err := v.walk(ctx); err != nil {
			return nil, away(fmt.Errorf("verify site %s: %w", s.Code, err))
		}
		out = append(out, v.out)
	}
	return out, nil
}

// onlyReading connects with a session that cannot write, and in which no table of somebody's own stands for one of ours.
func onlyReading(ctx context.Context, dsn string) (*pgx.Conn, error) {
	cfg, err := pgx.ParseConfig(dsn)
	if err != nil {
		return nil, fmt.Errorf("read the database address: %w", err)
	}
	cfg.ConnectTimeout = 10 * time.Second
	cfg.RuntimeParams["default_transaction_read_only"] = "on"
	cfg.RuntimeParams["application_name"] = "vialward record verify"
	cfg.RuntimeParams["search_path"] = "public, pg_temp"
	c, err := pgx.ConnectConfig(ctx, cfg)
	if err != nil {
		return nil, away(fmt.Errorf("connect to the database: %w", err))
	}
	c.TypeMap().RegisterType(&pgtype.Type{
		Name: "timestamptz", OID: pgtype.TimestamptzOID, Codec: &pgtype.TimestamptzCodec{ScanLocation: time.UTC},
	})
	return c, nil
}

// SaveVerification notes when a site's record was last walked and what came of it, for metrics: a working row. at is the
// machine's clock.
func (d *DB) SaveVerification(ctx context.Context, v tracker.Verification, at time.Time) error {
	first := ""
	if !v.Sound() {
		first = v.Faults[0].Say
	}
	_, err := d.pool.Exec(ctx, `insert into verification (site, at, seconds, events, faults, first)
		select site, $2, $3, $4, $5, $6 from site where code = $1
		on conflict (site) do update set at = excluded.at, seconds = excluded.seconds, events = excluded.events, faults = excluded.faults, first = excluded.first`,
		v.Site, at, v.Took.Seconds(), v.Events, len(v.Faults)+v.More, asText(first))
	if err != nil {
		return away(fmt.Errorf("note the verification of site %s: %w", v.Site, err))
	}
	return nil
}

type siteRow struct {
	Site       int32
	Code, Zone string
	Head       int64
	HeadHash   []byte
}

// verifier walks one site.
type verifier struct {
	q    pgx.Tx
	site siteRow
	o    VerifyOptions
	out  tracker.Verification

	cursors int
	sums    tracker.Sums
	walker  chain.Walker
	passed  map[int64]bool // published heads the walk came by
	before  chain.Hash     // of the event before the one that is looked at
	zone    string         // by the newest site file

	broken    []chain.Fault      // signatures that do not stand
	kept      map[string]keptRow // newest state of each row that changes, by its name
	intakes   []intakeEvent
	withdrawn map[int64]int64    // intake -> event
	sweeps    map[int64]sweepEnd // by number of the list
}

// walk is one site from its first event to its last row.
func (v *verifier) walk(ctx context.Context) error {
	begun := time.Now()
	v.sums, v.passed, v.kept = tracker.Sums{}, map[int64]bool{}, map[string]keptRow{}
	v.withdrawn, v.sweeps = map[int64]int64{}, map[int64]sweepEnd{}
	for _, part := range []func(context.Context) error{v.events, v.keptRows, v.lists, v.deliveries, v.vials} {
		if err := part(ctx); err != nil {
			return err
		}
	}
	for i := range v.broken { // behind what broke them
		v.out.Add(&v.broken[i])
	}
	v.out.Sort()
	v.out.Took = time.Since(begun)
	return nil
}
