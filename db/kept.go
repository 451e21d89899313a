package db

import (
	"context"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"

	"vialward/tracker/chain"
)

// keptTable is a table whose rows change as readings come in, and people decide. Each state of a row stands whole in an
// event, so the newest event that has the row says how it must stand, and the ones before say how it stood.
type keptTable struct {
	name, key string
	columns   []string // what is kept; the others serve the sending of mail
	hashed    string   // a column that is long: its hash stands for it
}

var (
	incidents = &keptTable{"incident", "case_no", []string{
		"unit", "kind", "state", "from_at", "to_at", "raised_at", "recovered_at", "closed_at", "merged_into", "late",
	}, ""}
	excursions = &keptTable{"excursion", "excursion", []string{
		"case_no", "sensor", "rule", "kind", "unit", "shelves", "from_at", "to_at", "worst_from", "worst_to", "opened_at", "cleared_at", "extreme_millic",
		"readings", "freeze_readings", "merged_into", "not_borne_out", "document",
	}, "document"}
	holds = &keptTable{"hold", "hold_id", []string{
		"case_no", "excursion", "kind", "unit", "shelves", "from_at", "to_at", "reached", "changed_seq", "changed_from", "changed_to",
	}, ""}
)

// allKept are those tables.
var allKept = []*keptTable{incidents, excursions, holds}

// line is a row as an event has it; its values are those of columns.
func (k *keptTable) line(key int64, values []any) string {
	for i, c := range k.columns {
		if c == k.hashed {
			text, _ := values[i].(string)
			values[i] = chain.Of([]byte(text))
		}
	}
	return chain.Line(k.name, append([]any{key}, values...)...)
}

func (k *keptTable) list(prefix string) string { return prefix + strings.Join(k.columns, ", "+prefix) }

// keep runs an insert or update of one row, and notes how the row stands now if that is not how it stood.
func (t *tx) keep(ctx context.Context, k *keptTable, key int64, sql string, args ...any) error {
	rows, err := t.q.Query(ctx, fmt.Sprintf(`with was as (select %s from %s where site = $1 and %s = $2) %s returning %s,
		exists (select from was where (%s) is not distinct from (%s))`,
		k.list(""), k.name, k.key, sql, k.list(k.name+"."), k.list("was."), k.list(k.name+".")), args...)
	if err != nil {
		return err
	}
	all, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) ([]any, error) { return r.Values() })
	if err != nil {
		return err
	}
	for _, values := range all {
		n := len(values) - 1
		if same, _ := values[n].(bool); same {
			continue
		}
		if t.kept == nil {
			t.kept = map[string]string{}
		}
		t.kept[fmt.Sprintf("%s %020d", k.name, key)] = k.line(key, values[:n])
	}
	return nil
}
