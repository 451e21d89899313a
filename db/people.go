package db

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"vialward/tracker"
)

const credentialColumns = `person, password_hash, password_at, start_until, coalesce(pin_hash, ''), pin_at`

func scanCredential(r pgx.CollectableRow) (tracker.Credential, error) {
	var c tracker.Credential
	var start, pin *time.Time
	err := r.Scan(&c.Person, &c.PasswordHash, &c.PasswordAt, &start, &c.PINHash, &pin)
	c.StartUntil, c.PINAt = orZero(start), orZero(pin)
	return c, err
}

// Credentials lists those asked for that there are, or all.
func (t *tx) Credentials(ctx context.Context, persons ...string) ([]tracker.Credential, error) {
	rows, err := t.q.Query(ctx, `select `+credentialColumns+` from credential
		where site = $1 and ($2::text[] is null or person = any($2)) order by person`, t.id, persons)
	if err != nil {
		return nil, fmt.Errorf("read credentials: %w", err)
	}
	all, err := pgx.CollectRows(rows, scanCredential)
	if err != nil {
		return nil, fmt.Errorf("read credentials: %w", err)
	}
	return all, nil
}

// LockCredential keeps others from changing it until commit.
func (t *tx) LockCredential(ctx context.Context, person string) (tracker.Credential, error) {
	rows, err := t.q.Query(ctx, `select `+credentialColumns+` from credential where site = $1 and person = $2 for update`, t.id, person)
	if err != nil {
		return tracker.Credential{}, fmt.Errorf("read the credential of %s: %w", person, err)
	}
	c, err := pgx.CollectExactlyOneRow(rows, scanCredential)
	if errors.Is(err, pgx.ErrNoRows) {
		return tracker.Credential{Person: person}, nil
	}
	if err != nil {
		return c, fmt.Errorf("read the credential of %s: %w", person, err)
	}
	return c, nil
}

// SaveCredential in place of the one before.
func (t *tx) SaveCredential(ctx context.Context, c tracker.Credential) error {
	err := t.keep(ctx, credentials, c.Person, `insert into credential (site, person, password_hash, password_at, start_until, pin_hash, pin_at)
		values ($1, $2, $3, $4, $5, $6, $7)
		on conflict (site, person) do update set password_hash = excluded.password_hash, password_at = excluded.password_at,
			start_until = excluded.start_until, pin_hash = excluded.pin_hash, pin_at = excluded.pin_at`,
		c.PasswordHash, c.PasswordAt, orNull(c.StartUntil), textOrNull(c.PINHash), orNull(c.PINAt))
	if err != nil {
		return fmt.Errorf("store the credential of %s: %w", c.Person, err)
	}
	return nil
}

func scanHand(r pgx.CollectableRow) (tracker.Hand, error) {
	var h tracker.Hand
	err := r.Scan(&h.Person, &h.FullAt, &h.WrongPINs)
	return h, err
}

// Hands lists who gave their password on a device.
func (t *tx) Hands(ctx context.Context, device []byte) ([]tracker.Hand, error) {
	rows, err := t.q.Query(ctx, `select person, full_at, wrong_pins from device_person where site = $1 and device = $2 order by person`, t.id, device)
	if err != nil {
		return nil, fmt.Errorf("read the hands of a device: %w", err)
	}
	all, err := pgx.CollectRows(rows, scanHand)
	if err != nil {
		return nil, fmt.Errorf("read the hands of a device: %w", err)
	}
	return all, nil
}

// LockHand keeps others from changing it until commit.
func (t *tx) LockHand(ctx context.Context, device []byte, person string) (tracker.Hand, error) {
	rows, err := t.q.Query(ctx, `select person, full_at, wrong_pins from device_person
		where site = $1 and device = $2 and person = $3 for update`, t.id, device, person)
	if err != nil {
		return tracker.Hand{}, fmt.Errorf("read %s on a device: %w", person, err)
	}
	h, err := pgx.CollectExactlyOneRow(rows, scanHand)
	if errors.Is(err, pgx.ErrNoRows) {
		return tracker.Hand{Person: person}, nil
	}
	if err != nil {
		return h, fmt.Errorf("read %s on a device: %w", person, err)
	}
	return h, nil
}

// SaveHand in place of the one before.
func (t *tx) SaveHand(ctx context.Context, device []byte, h tracker.Hand) error {
	_, err := t.q.Exec(ctx, `insert into device_person (site, device, person, full_at, wrong_pins) values ($1, $2, $3, $4, $5)
		on conflict (site, device, person) do update set full_at = excluded.full_at, wrong_pins = excluded.wrong_pins`,
		t.id, device, h.Person, h.FullAt, h.WrongPINs)
	if err != nil {
		return fmt.Errorf("store %s on a device: %w", h.Person, err)
	}
	return nil
}

// KnowAddress notes the newest time.
func (t *tx) KnowAddress(ctx context.Context, address string, at time.Time) error {
	_, err := t.q.Exec(ctx, `insert into known_address (site, address, full_at) values ($1, $2, $3)
		on conflict (site, address) do update set full_at = greatest(known_address.full_at, excluded.full_at)`, t.id, address, at)
	if err != nil {
		return fmt.Errorf("store a known address: %w", err)
	}
	return nil
}

// Acquainted lists what signed somebody in since.
func (d *DB) Acquainted(ctx context.Context, site string, since time.Time) (tracker.Acquainted, error) {
	var a tracker.Acquainted
	err := d.pool.QueryRow(ctx, `select
			coalesce((select array_agg(distinct device) from device_person where site = s.site and full_at >= $2), '{}'),
			coalesce((select array_agg(address) from known_address where site = s.site and full_at >= $2), '{}')
		from site s where code = $1`, site, since).Scan(&a.Devices, &a.Addresses)
	if errors.Is(err, pgx.ErrNoRows) {
		return a, tracker.NotFound("site", site)
	}
	if err != nil {
		return a, away(fmt.Errorf("read known devices of site %s: %w", site, err))
	}
	return a, nil
}

const sessionColumns = `s.code, x.number, x.person, x.device, x.browser, x.address, x.method, x.full_at, x.started_at, x.seen_at,
	x.ended_at, coalesce(x.ended_by, ''), coalesce(x.ended_why, '')`

func scanSession(r pgx.CollectableRow) (tracker.Session, error) {
	var s tracker.Session
	var ended *time.Time
	err := r.Scan(&s.Site, &s.Number, &s.Person, &s.Device, &s.Browser, &s.Address, &s.Method, &s.FullAt, &s.StartedAt, &s.SeenAt,
		&ended, &s.EndedBy, &s.EndedWhy)
	s.EndedAt = orZero(ended)
	return s, err
}

// SessionByHash finds it at whatever site.
func (d *DB) SessionByHash(ctx context.Context, hash []byte) (tracker.Session, error) {
	rows, err := d.pool.Query(ctx, `select `+sessionColumns+` from session x join site s using (site) where x.session_hash = $1`, hash)
	if err != nil {
		return tracker.Session{}, away(fmt.Errorf("read a session: %w", err))
	}
	s, err := pgx.CollectExactlyOneRow(rows, scanSession)
	if errors.Is(err, pgx.ErrNoRows) {
		return s, tracker.NotFound("session", "given")
	}
	if err != nil {
		return s, away(fmt.Errorf("read a session: %w", err))
	}
	return s, nil
}

// SeeSession moves its last request forward.
func (d *DB) SeeSession(ctx context.Context, s tracker.Session, at time.Time) error {
	_, err := d.pool.Exec(ctx, `update session set seen_at = $3 where site = (select site from site where code = $1) and number = $2
		and seen_at < $3 and ended_at is null`, s.Site, s.Number, at)
	if err != nil {
		return away(fmt.Errorf("note a request of session %d: %w", s.Number, err))
	}
	return nil
}

// Sessions lists the newest first.
func (t *tx) Sessions(ctx context.Context, q tracker.SessionQuery) ([]tracker.Session, error) {
	limit := q.Limit
	if limit == 0 {
		limit = 1000
	}
	rows, err := t.q.Query(ctx, `select `+sessionColumns+` from session x join site s using (site)
		where x.site = $1 and ($2 = 0 or x.number = $2) and ($3 = '' or x.person = $3) and ($4::timestamptz is null or x.seen_at >= $4)
			and (not $5 or x.ended_at is null)
		order by x.number desc limit $6`, t.id, q.Number, q.Person, orNull(q.SeenSince), q.GoingOn, limit)
	if err != nil {
		return nil, fmt.Errorf("read sessions: %w", err)
	}
	all, err := pgx.CollectRows(rows, scanSession)
	if err != nil {
		return nil, fmt.Errorf("read sessions: %w", err)
	}
	return all, nil
}

// NewSession stores a session's hash, never its token.
func (t *tx) NewSession(ctx context.Context, hash []byte, s *tracker.Session) error {
	err := t.q.QueryRow(ctx, `insert into session (site, session_hash, person, device, browser, address, method, full_at, started_at, seen_at)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10) returning number`,
		t.id, hash, s.Person, s.Device, s.Browser, s.Address, s.Method, s.FullAt, s.StartedAt, s.SeenAt).Scan(&s.Number)
	if err != nil {
		return fmt.Errorf("store a session of %s: %w", s.Person, err)
	}
	s.Site = t.site.Code
	return nil
}

// EndSession ends it once.
func (t *tx) EndSession(ctx context.Context, number int64, by, why string, at time.Time) (bool, error) {
	tag, err := t.q.Exec(ctx, `update session set ended_at = greatest($3, started_at), ended_by = $4, ended_why = $5
		where site = $1 and number = $2 and ended_at is null`, t.id, number, at, by, why)
	if err != nil {
		return false, fmt.Errorf("end session %d: %w", number, err)
	}
	return tag.RowsAffected() == 1, nil
}
