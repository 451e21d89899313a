package db

import (
	"context"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"

	"vialward/tracker/chain"
	"vialward/tracker/stock"
)

// asking is a transaction's connection, or a verification's.
type asking interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
}

// What a signature covers, as lines of text sorted and hashed like what an event brings: its event's line but for the
// hash itself; the hash of what that event brought (the site's and products' documents, what was released of a case's
// holds); all events that each of its vials had before; their batches with components, and the versions of the products
// those were made from; the case that was decided, by number, unit and kind; the list that was worked.

// signedOver hashes it. brought is the digest of the rows the event brought, rows the rest.
func signedOver(e stock.Event, brought string, rows []string) string {
	var b chain.Brought
	b.Add(chain.Line("signed", chain.Of(e.Unsigned()), brought))
	for _, r := range rows {
		b.Add(r)
	}
	return b.Digest()
}

// SignedOver is the hash of what a signature under an event covers, by the rows there are now.
func (t *tx) SignedOver(ctx context.Context, e stock.Event) (string, error) {
	return signedNow(ctx, t.q, t.id, e)
}

func signedNow(ctx context.Context, q asking, site int32, e stock.Event) (string, error) {
	var all chain.Brought
	for _, b := range broughtSigned[e.Kind] {
		rows, err := b.rows(ctx, q, "site = $1 and seq = $2", site, e.Seq)
		if err != nil {
			return "", err
		}
		for _, r := range rows {
			all.Add(r)
		}
	}
	rows, err := signedRows(ctx, q, site, e)
	return signedOver(e, all.Digest(), rows), err
}

// broughtSigned is where what signed events bring stands.
var broughtSigned = map[stock.Kind][]*broughtTable{
	stock.SiteLoaded: {siteVersions, products},
	stock.Released:   {releases},
}

// signedRows are the rows that were there before the event that signs them.
func signedRows(ctx context.Context, q asking, site int32, e stock.Event) ([]string, error) {
	lines, err := histories(ctx, q, site, e)
	if err != nil {
		return nil, err
	}
	for _, x := range []struct {
		table *broughtTable
		where string
		arg   any
		asked bool
	}{
		{batches, "site = $1 and batch in (select batch from vial where site = $1 and vial = any($2))", e.Vials, len(e.Vials) > 0},
		{components, "site = $1 and batch in (select batch from vial where site = $1 and vial = any($2))", e.Vials, len(e.Vials) > 0},
		{
			products, "site = $1 and (product, version) in (select b.product, b.version from vial v join batch b using (site, batch) where site = $1 and vial = any($2))",
			e.Vials, len(e.Vials) > 0,
		},
		{sweeps, "site = $1 and number = $2", e.Body.Number, e.Kind == stock.SweepConfirmed},
	} {
		if !x.asked {
			continue
		}
		rows, err := x.table.rows(ctx, q, x.where, site, x.arg)
		if err != nil {
			return nil, err
		}
		lines = append(lines, rows...)
	}
	if e.Body.Case == 0 {
		return lines, nil
	}
	rows, err := q.Query(ctx, `select case_no, unit, kind from incident where site = $1 and case_no = $2`, site, e.Body.Case)
	return collectLines(rows, err, lines, func(values []any) string { return chain.Line("case", values...) })
}

// histories is a line a vial: the hash of its events' lines before this one.
func histories(ctx context.Context, q asking, site int32, e stock.Event) ([]string, error) {
	if len(e.Vials) == 0 {
		return nil, nil
	}
	rows, err := q.Query(ctx, `select v.vial, string_agg(e.canonical, chr(10) order by e.seq) from event_vial v join event e using (site, seq)
		where v.site = $1 and v.vial = any($2) and v.seq < $3 group by v.vial`, site, e.Vials, e.Seq)
	return collectLines(rows, err, nil, func(values []any) string {
		text, _ := values[1].(string)
		return chain.Line("vial", values[0], chain.Of([]byte(text)))
	})
}

// rows of a table as lines.
func (b *broughtTable) rows(ctx context.Context, q asking, where string, args ...any) ([]string, error) {
	rows, err := q.Query(ctx, fmt.Sprintf(`select %s from %s where %s`, strings.Join(b.columns, ", "), b.name, where), args...)
	return collectLines(rows, err, nil, b.line)
}

func collectLines(rows pgx.Rows, err error, lines []string, line func([]any) string) ([]string, error) {
	if err == nil {
		lines, err = pgx.AppendRows(lines, rows, func(r pgx.CollectableRow) (string, error) {
			values, err := r.Values()
			return line(values), err
		})
	}
	if err != nil {
		return nil, fmt.Errorf("read what was signed: %w", err)
	}
	return lines, nil
}
