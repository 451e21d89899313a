package db

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"vialward/tracker/chain"
	"vialward/tracker/stock"
	"vialward/tracker/sweep"
)

// broughtRow is a row of a table whose rows are bound to their events.
type broughtRow struct {
	seq  int64
	line string
	name string // as people find it
	doc  string // a list's or a site's document
}

// broughtCursor reads such a table in the order of its events.
type broughtCursor struct {
	table *broughtTable
	*cursor[broughtRow]
}

func (v *verifier) openBrought(ctx context.Context) ([]broughtCursor, error) {
	var all []broughtCursor
	for _, b := range allBrought {
		where := ""
		if b == possibles {
			where = "and possible"
		}
		c, err := open(ctx, v, b.scan, `select seq, %s from %s where site = %d %s order by seq`, strings.Join(b.columns, ", "), b.name, v.site.Site, where)
		if err != nil {
			return nil, err
		}
		all = append(all, broughtCursor{b, c})
	}
	return all, nil
}

func (b *broughtTable) scan(r pgx.CollectableRow) (broughtRow, error) {
	var row broughtRow
	values, err := r.Values()
	if err != nil {
		return row, err
	}
	row.seq, _ = values[0].(int64)
	values = values[1:]
	row.line = b.line(values)
	row.name = fmt.Sprintf("%s %v", b.what, values[0])
	if b == siteVersions || b == sweeps {
		row.doc, _ = values[slices.Index(b.columns, "document")].(string)
	}
	return row, nil
}

// bound holds the rows that say they came with an event against its digest.
func (v *verifier) bound(ctx context.Context, e *eventRow, all []broughtCursor) error {
	var brought chain.Brought
	var names []string
	for _, c := range all {
		for {
			row, err := c.peek(ctx, 0)
			if err != nil {
				return err
			}
			if row == nil || row.seq > e.seq {
				break
			}
			if row.seq < e.seq {
				v.out.Row(row.seq, chain.SlippedIn, "%s says that it came with event %d, and there is none", row.name, row.seq)
				c.take()
				continue
			}
			brought.Add(row.line)
			names = append(names, row.name)
			v.documents(c.table, row)
			c.take()
		}
	}
	kind := e.event.Kind
	if kind == stock.IntakePart || kind == stock.IntakeTaken { // theirs is looked at with the readings
		if !brought.Empty() {
			v.out.Row(e.seq, chain.SlippedIn, "%s: came with no event; event %d is about readings", few(names), e.seq)
		}
		return nil
	}
	switch want := e.event.Body.Digest; {
	case brought.Digest() == want:
	case len(names) == 0:
		v.out.Row(e.seq, chain.Removed, "what event %d (%s) brought into other tables was removed", e.seq, kind)
	case want == "":
		v.out.Row(e.seq, chain.SlippedIn, "%s: slipped in; event %d (%s) brought nothing", few(names), e.seq, kind)
	default:
		v.out.Row(e.seq, chain.Changed, "%s: changed, removed or added to since event %d (%s) brought it", few(names), e.seq, kind)
	}
	return nil
}

// few names some of many.
func few(names []string) string {
	slices.Sort(names)
	names = slices.Compact(names)
	if len(names) > 4 {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:4], ", "), len(names)-4)
	}
	return strings.Join(names, ", ")
}

// documents looks into what is written in a document and stands elsewhere too: the site's zone, and on each list the head
// of the record as it was printed and mailed.
func (v *verifier) documents(from *broughtTable, row *broughtRow) {
	switch from {
	case siteVersions:
		var s struct{ Code, Zone string }
		if err := json.Unmarshal([]byte(row.doc), &s); err == nil {
			v.zone = s.Zone
		}
	case sweeps:
		var l sweep.List
		if err := json.Unmarshal([]byte(row.doc), &l); err != nil || l.RecordHead == "" {
			return
		}
		before := chain.Head{Seq: row.seq - 1, Hash: v.before}
		if h, err := chain.ParseHead(l.RecordHead); err != nil || h != before {
			v.out.Event(row.seq, chain.Rewritten, "list %d was printed with the head %s; the record comes to %s there", l.Number, l.RecordHead, before)
		}
	}
}

// unspokenFor are rows that came with no event.
func (v *verifier) unspokenFor(ctx context.Context, all []broughtCursor) error {
	for _, c := range all {
		err := c.each(ctx, func(r broughtRow) error {
			v.out.Row(r.seq, chain.SlippedIn, "%s says that it came with event %d, and there is none", r.name, r.seq)
			return nil
		})
		if err != nil {
			return err
		}
	}
	if v.zone != "" && v.zone != v.site.Zone {
		v.out.Row(0, chain.Disagrees, "the site's zone is %q, and its site file says %q", v.site.Zone, v.zone)
	}
	return nil
}
