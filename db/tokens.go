package db

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"vialward/tracker"
	"vialward/tracker/stock"
)

const tokenColumns = `s.code, a.number, a.person, a.scopes, coalesce(a.sensors, '{}'), a.name, a.created_at, a.expires_at, a.used_at, a.revoked_at`

func scanToken(r pgx.CollectableRow) (tracker.Token, error) { return scanTokenAnd(r) }

func scanTokenAnd(r pgx.CollectableRow, more ...any) (tracker.Token, error) {
	var k tracker.Token
	var ends, used, revoked *time.Time
	err := r.Scan(append([]any{&k.Site, &k.Number, &k.Person, &k.Scopes, &k.Sensors, &k.Name, &k.MadeAt, &ends, &used, &revoked}, more...)...)
	k.Ends, k.UsedAt, k.Revoked = orZero(ends), orZero(used), orZero(revoked)
	return k, err
}

// usedEvery is how exactly a token's use is noted: one use a minute writes, the others only read.
const usedEvery = time.Minute

// TokenActor finds a token that has neither run out nor been revoked, and the site it is of as set up now. It is one
// statement a request, and nothing of its answer is kept: a token that is revoked stops at once.
func (d *DB) TokenActor(ctx context.Context, hash []byte, now time.Time) (tracker.Token, *stock.Site, error) {
	var id int32
	var version int
	rows, err := d.pool.Query(ctx, `select `+tokenColumns+`, s.site, v.version
		from api_token a join site s using (site) join lateral `+newestVersion+` v on true
		where a.token_hash = $1 and a.revoked_at is null and (a.expires_at is null or a.expires_at > $2)`, hash, now)
	if err != nil {
		return tracker.Token{}, nil, away(fmt.Errorf("read a token: %w", err))
	}
	k, err := pgx.CollectExactlyOneRow(rows, func(r pgx.CollectableRow) (tracker.Token, error) { return scanTokenAnd(r, &id, &version) })
	if errors.Is(err, pgx.ErrNoRows) {
		return k, nil, tracker.NotFound("token", "given")
	}
	if err != nil {
		return k, nil, away(fmt.Errorf("read a token: %w", err))
	}
	set, err := d.document(ctx, d.pool, id, k.Site, version)
	if err != nil || now.Sub(k.UsedAt) < usedEvery {
		return k, set, away(err)
	}
	if _, err := d.pool.Exec(ctx, `update api_token set used_at = $2 where token_hash = $1 and coalesce(used_at < $2, true) and revoked_at is null`, hash, now); err != nil {
		return k, set, away(fmt.Errorf("note the use of token %d: %w", k.Number, err))
	}
	k.UsedAt = now
	return k, set, nil
}

// Tokens lists the newest first.
func (t *tx) Tokens(ctx context.Context) ([]tracker.Token, error) {
	rows, err := t.q.Query(ctx, `select `+tokenColumns+` from api_token a join site s using (site) where a.site = $1 order by a.number desc`, t.id)
	if err != nil {
		return nil, fmt.Errorf("read tokens: %w", err)
	}
	all, err := pgx.CollectRows(rows, scanToken)
	if err != nil {
		return nil, fmt.Errorf("read tokens: %w", err)
	}
	return all, nil
}

// AddToken stores the hash of a token, never the token.
func (t *tx) AddToken(ctx context.Context, hash []byte, k tracker.Token) error {
	var sensors []string
	if len(k.Sensors) > 0 {
		sensors = k.Sensors
	}
	err := t.keep(ctx, tokens, 0, `insert into api_token (site, token_hash, person, scopes, sensors, name, created_at, expires_at)
		values ($1, $3, $4, $5, $6, $7, $8, $9)`, hash, k.Person, k.Scopes, sensors, k.Name, k.MadeAt, orNull(k.Ends))
	if err != nil {
		return fmt.Errorf("store a token of %s: %w", k.Person, err)
	}
	return nil
}

// RevokeToken marks it, once.
func (t *tx) RevokeToken(ctx context.Context, number int64, at time.Time) error {
	err := t.keep(ctx, tokens, number, `update api_token set revoked_at = $3 where site = $1 and number = $2 and revoked_at is null`, at)
	if err != nil {
		return fmt.Errorf("revoke token %d: %w", number, err)
	}
	return nil
}
