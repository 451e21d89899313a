package db

import (
	"context"
	"fmt"
	"io/fs"
	"regexp"
	"strings"

	"github.com/jackc/pgx/v5"
)

// madeTrigger finds in the migrations which triggers keep the record.
var madeTrigger = regexp.MustCompile(`(?m)^create trigger (\w+) (?:before|after) .*? on (\w+) `)

// missingGuards says which of the schema's own guards are gone or switched off. The chain does not need them; that
// somebody wanted them out of the way is worth knowing.
func missingGuards(ctx context.Context, q pgx.Tx) ([]string, error) {
	rows, err := q.Query(ctx, `select c.relname || ' ' || t.tgname || ' ' || t.tgenabled::text from pg_trigger t join pg_class c on c.oid = t.tgrelid
		where not t.tgisinternal and c.relnamespace = 'public'::regnamespace`)
	if err != nil {
		return nil, fmt.Errorf("look for triggers: %w", err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return nil, fmt.Errorf("look for triggers: %w", err)
	}
	enabled := map[string]bool{}
	for _, f := range found {
		name, state := f[:len(f)-2], f[len(f)-1]
		enabled[name] = state == 'O' || state == 'A'
	}
	names, err := fs.Glob(migrations, "migrations/*.sql")
	if err != nil {
		return nil, err
	}
	var gone []string
	for _, n := range names {
		text, err := migrations.ReadFile(n)
		if err != nil {
			return nil, err
		}
		up, _, _ := strings.Cut(string(text), "-- +goose Down")
		for _, m := range madeTrigger.FindAllStringSubmatch(up, -1) {
			switch on, there := enabled[m[2]+" "+m[1]]; {
			case !there:
				gone = append(gone, fmt.Sprintf("the guard %s of table %s was taken away", m[1], m[2]))
			case !on:
				gone = append(gone, fmt.Sprintf("the guard %s of table %s is switched off", m[1], m[2]))
			}
		}
	}
	return gone, nil
}
