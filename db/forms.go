package db

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"vialward/tracker"
)

// sentKept is how long a page may lie open and still be known as sent: longer than any session.
const sentKept = 7 * 24 * time.Hour

// SendForm waits for whoever is sending the same form, and answers false when they have. Old marks go along.
func (t *tx) SendForm(ctx context.Context, once, person string, at time.Time) (bool, error) {
	tag, err := t.q.Exec(ctx, `insert into sent_form (site, once, person, sent_at) values ($1, $2, $3, $4) on conflict do nothing`, t.id, once, person, at)
	if err != nil {
		return false, fmt.Errorf("mark a form as sent: %w", err)
	}
	if tag.RowsAffected() == 0 {
		return false, nil
	}
	_, err = t.q.Exec(ctx, `delete from sent_form where site = $1 and once in
		(select once from sent_form where site = $1 and sent_at < $2 order by sent_at limit 20 for update skip locked)`, t.id, at.Add(-sentKept))
	if err != nil {
		return false, fmt.Errorf("take old marks of forms away: %w", err)
	}
	return true, nil
}

// AnswerForm notes where a form led to.
func (t *tx) AnswerForm(ctx context.Context, once, answer string) error {
	if _, err := t.q.Exec(ctx, `update sent_form set answer = $3 where site = $1 and once = $2`, t.id, once, answer); err != nil {
		return fmt.Errorf("note the answer to a form: %w", err)
	}
	return nil
}

// SentForm is where a form of a person led to.
func (t *tx) SentForm(ctx context.Context, once, person string) (string, error) {
	var to string
	err := t.q.QueryRow(ctx, `select coalesce(answer, '') from sent_form where site = $1 and once = $2 and person = $3`, t.id, once, person).Scan(&to)
	if err != nil && !errors.Is(err, pgx.ErrNoRows) {
		return "", fmt.Errorf("look for a form that was sent: %w", err)
	}
	return to, nil
}

// SaveDraft in place of the one before; drafts nobody came back for go.
func (t *tx) SaveDraft(ctx context.Context, d tracker.Draft) error {
	fields, err := json.Marshal(d.Fields)
	if err != nil {
		return err
	}
	_, err = t.q.Exec(ctx, `delete from draft where site = $1 and person = $2 and saved_at < $3`, t.id, d.Person, d.SavedAt.Add(-tracker.DraftKept))
	if err == nil {
		_, err = t.q.Exec(ctx, `insert into draft (site, person, form, fields, saved_at) values ($1, $2, $3, $4, $5)
			on conflict (site, person, form) do update set fields = excluded.fields, saved_at = excluded.saved_at`, t.id, d.Person, d.Form, fields, d.SavedAt)
	}
	if err != nil {
		return fmt.Errorf("keep what %s typed: %w", d.Person, err)
	}
	return nil
}

// DropDraft once its form is done, or given up.
func (t *tx) DropDraft(ctx context.Context, person, form string) error {
	if _, err := t.q.Exec(ctx, `delete from draft where site = $1 and person = $2 and form = $3`, t.id, person, form); err != nil {
		return fmt.Errorf("drop what %s typed: %w", person, err)
	}
	return nil
}

// Draft of a person's form.
func (t *tx) Draft(ctx context.Context, person, form string) (tracker.Draft, bool, error) {
	d := tracker.Draft{Person: person, Form: form}
	var fields []byte
	err := t.q.QueryRow(ctx, `select fields, saved_at from draft where site = $1 and person = $2 and form = $3`, t.id, person, form).Scan(&fields, &d.SavedAt)
	if errors.Is(err, pgx.ErrNoRows) {
		return d, false, nil
	}
	if err == nil {
		err = json.Unmarshal(fields, &d.Fields)
	}
	if err != nil {
		return d, false, fmt.Errorf("read what %s typed: %w", person, err)
	}
	return d, true, nil
}
