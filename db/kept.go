package db

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"vialward/tracker/chain"
)

// keptTable is a table whose rows change: as readings come in and people decide, as passwords are set and tokens revoked.
// Each state of a row stands whole in an event, so the newest event that has the row says how it must stand, and the ones
// before say how it stood.
type keptTable struct {
	name, key string
	columns   []string // what is kept; the others are working columns
	hashed    []string // what is long or nobody's business: its hash stands for it
}

var (
	incidents = &keptTable{"incident", "case_no", []string{
		"unit", "kind", "state", "from_at", "to_at", "raised_at", "recovered_at", "closed_at", "merged_into", "late",
	}, nil}
	excursions = &keptTable{"excursion", "excursion", []string{
		"case_no", "sensor", "rule", "kind", "unit", "shelves", "from_at", "to_at", "worst_from", "worst_to", "opened_at", "cleared_at", "extreme_millic",
		"readings", "freeze_readings", "merged_into", "not_borne_out", "document",
	}, []string{"document"}}
	holds = &keptTable{"hold", "hold_id", []string{
		"case_no", "excursion", "kind", "unit", "shelves", "from_at", "to_at", "reached", "changed_seq", "changed_from", "changed_to",
	}, nil}
	tokens = &keptTable{"api_token", "number", []string{
		"person", "scopes", "sensors", "name", "created_at", "expires_at", "revoked_at", "token_hash",
	}, []string{"token_hash"}}
	credentials = &keptTable{"credential", "person", []string{
		"password_at", "start_until", "pin_at", "password_hash", "pin_hash",
	}, []string{"password_hash", "pin_hash"}}
)

// allKept are those tables.
var allKept = []*keptTable{incidents, excursions, holds, tokens, credentials}

// line is a row as an event has it; its values are those of columns.
func (k *keptTable) line(key any, values []any) string {
	for i, c := range k.columns {
		if !slices.Contains(k.hashed, c) {
			continue
		}
		switch x := values[i].(type) {
		case string:
			values[i] = chain.Of([]byte(x))
		case []byte:
			values[i] = chain.Of(x)
		}
	}
	return chain.Line(k.name, append([]any{key}, values...)...)
}

func (k *keptTable) list(prefix string) string { return prefix + strings.Join(k.columns, ", "+prefix) }

// rowName is what a row is remembered by: "hold 7", "credential rph-1".
func (k *keptTable) rowName(key any) string { return fmt.Sprintf("%s %v", k.name, key) }

// keep runs an insert or update of one row, its site $1 and its key $2, and notes how the row stands now if that is not
// how it stood.
func (t *tx) keep(ctx context.Context, k *keptTable, key any, sql string, args ...any) error {
	rows, err := t.q.Query(ctx, fmt.Sprintf(`with was as (select %s from %s where site = $1 and %s = $2) %s returning %s, %s,
		exists (select from was where (%s) is not distinct from (%s))`,
		k.list(""), k.name, k.key, sql, k.name+"."+k.key, k.list(k.name+"."), k.list("was."), k.list(k.name+".")), append([]any{t.id, key}, args...)...)
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
		t.kept[k.rowName(values[0])] = k.line(values[0], values[1:n])
	}
	return nil
}
