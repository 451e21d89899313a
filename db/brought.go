package db

import (
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"

	"vialward/tracker/chain"
	"vialward/tracker/thermal"
)

// broughtTable is a table whose rows stand outside the event that brought them and are bound to it by its digest. Each
// has a column seq, the event's.
type broughtTable struct {
	name    string   // of the table
	what    string   // of a row, in the text that is hashed
	columns []string // what is hashed, in this order
	hashed  string   // a column that is long: its hash stands for it
}

// What events bring. A row of any of these can be neither changed nor added without its event's digest telling.
var (
	siteVersions = &broughtTable{"site_version", "site", []string{"version", "loaded_at", "document"}, "document"}
	products     = &broughtTable{"product_version", "product", []string{
		"product", "version", "made_at", "approved_by", "approved_at", "document",
	}, "document"}
	batches = &broughtTable{"batch", "batch", []string{
		"batch", "product", "version", "started_at", "completed_at", "prepared_by", "taken_over", "bud", "latest_bud", "earliest_component_end", "document",
	}, "document"}
	components = &broughtTable{"batch_component", "component", []string{"batch", "n", "name", "lot", "ends_at"}, ""}
	steps      = &broughtTable{"batch_step", "step", []string{"batch", "n", "name", "by_person", "at"}, ""}
	closings   = &broughtTable{"batch_closing", "closing", []string{"batch", "document"}, "document"}
	sweeps     = &broughtTable{"sweep", "list", []string{
		"slot", "number", "due_at", "made_at", "until_at", "confirm_by", "document",
	}, "document"}
	areas        = &broughtTable{"area_status", "area", []string{"area", "from_at", "category", "reason"}, ""}
	plannedWorks = &broughtTable{"planned_work", "work", []string{"unit", "from_at", "to_at", "reason", "by_person"}, ""}
	possibles    = &broughtTable{"stay", "possible", []string{"vial", "from_at", "to_at", "unit", "shelf", "possible"}, ""}
	releases     = &broughtTable{"hold_release", "release", []string{"hold_id", "vial", "covered_from", "covered_to"}, ""}
)

// allBrought are those tables.
var allBrought = []*broughtTable{siteVersions, products, batches, components, steps, closings, sweeps, areas, plannedWorks, possibles, releases}

// line is a row as it is hashed.
func (b *broughtTable) line(values []any) string {
	for i, c := range b.columns {
		if c == b.hashed {
			text, _ := values[i].(string)
			values = append(append(append(make([]any, 0, len(values)), values[:i]...), chain.Of([]byte(text))), values[i+1:]...)
		}
	}
	return chain.Line(b.what, values...)
}

// bring hands a row over to the next event of this transaction: its digest binds it, and it is stored with it. Whoever
// brings rows appends an event afterwards; a transaction that does not is refused.
func (t *tx) bring(to *broughtTable, values ...any) {
	t.brought.Add(to.line(values))
	places := make([]string, len(values))
	for i := range values {
		places[i] = fmt.Sprintf("$%d", i+3)
	}
	sql := "insert into " + to.name + " (site, seq, " + strings.Join(to.columns, ", ") + ") values ($1, $2, " + strings.Join(places, ", ") + ")"
	t.pending = append(t.pending, func(b *pgx.Batch, seq int64) { b.Queue(sql, append([]any{t.id, seq}, values...)...) })
}

// An intake's own lines: when it arrived, with the first event that speaks for some of it; when it was finished, with the
// last; what it stored and refused, with the event of the transaction that did.

// arrivedLine: intake, source, name, by, received_at, digest, layout, zone.
func arrivedLine(values ...any) string { return chain.Line("arrived", values...) }

// finishedLine: intake, read, stored, duplicate, conflicting, missing, refused, finished_at.
func finishedLine(values ...any) string { return chain.Line("finished", values...) }

// refusedLine: running number, line of the file, why.
func refusedLine(values ...any) string { return chain.Line("refused", values...) }

// readingsLine: sensor, part, first instant, last instant, how many, lowest, highest, hash of the readings as text.
func readingsLine(values ...any) string { return chain.Line("readings", values...) }

// readingText is readings as lines of a CSV, which is what a row of them is hashed as.
func readingText(b []byte, sensor string, readings []thermal.Reading) []byte {
	lines := chain.Lines(sensor)
	for _, r := range readings {
		b = lines.Append(b, r.AtMicros, int32(r.MilliC))
	}
	return b
}
