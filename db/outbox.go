package db

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"vialward/alerts"
	"vialward/tracker"
)

var _ alerts.Outbox = (*DB)(nil)

// notifyChannel wakes senders at commit of whatever posted a mail.
const notifyChannel = "vialward_outbox"

// longestWait bounds Wait: a lost notification delays a mail by no more.
const longestWait = 15 * time.Second

// Post adds mails in the running transaction. A key that is there already is left out: the mail was sent or will be.
// What a new mail makes not worth sending any more is ended here, in the same commit.
func (t *tx) Post(ctx context.Context, rows []alerts.Row) error {
	if len(rows) == 0 {
		return nil
	}
	b := &pgx.Batch{}
	for _, r := range rows {
		b.Queue(`insert into outbox (site, kind, severity, dedupe, recipient, subject, body_text, body_html, thread, first_in_thread, message_id, created_at)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9, not exists (select from outbox where site = $1 and thread = $9 and recipient = $5 and thread <> ''), $10, $11)
			on conflict (site, dedupe) do nothing`,
			t.id, string(r.Kind), string(r.Severity), r.DedupeKey, r.To, r.Subject, r.Text, r.HTML, r.Thread, r.MessageID, r.Created)
		if old := overtaken(r.Kind); r.Thread != "" && len(old) > 0 {
			b.Queue(`update outbox set state = 'superseded', finished_at = $6, last_error = 'overtaken by a newer mail'
				where site = $1 and thread = $2 and recipient = $3 and kind = any($4) and state = 'waiting' and dedupe <> $5`,
				t.id, r.Thread, r.To, old, r.DedupeKey, r.Created)
		}
	}
	b.Queue(`select pg_notify($1, '')`, notifyChannel)
	if err := t.q.SendBatch(ctx, b).Close(); err != nil {
		return fmt.Errorf("post %d mails: %w", len(rows), err)
	}
	return nil
}

// overtaken lists the kinds a newer mail of the thread makes not worth sending.
func overtaken(newer alerts.Kind) []string {
	var old []string
	for _, k := range alerts.Kinds() {
		if alerts.Supersedes(newer, k) {
			old = append(old, string(k))
		}
	}
	return old
}

const outboxColumns = `o.site, o.id, o.kind, o.severity, o.dedupe, o.recipient, o.subject, o.body_text, o.body_html, o.thread, o.first_in_thread,
	o.message_id, o.state, o.attempt, coalesce(o.owner, ''), o.lease_until, o.next_attempt, o.created_at, o.last_error, o.answer`

func scanMail(r pgx.CollectableRow) (alerts.Row, error) {
	var m alerts.Row
	var lease *time.Time
	err := r.Scan(&m.Site, &m.ID, &m.Kind, &m.Severity, &m.DedupeKey, &m.To, &m.Subject, &m.Text, &m.HTML, &m.Thread, &m.First,
		&m.MessageID, &m.State, &m.Attempt, &m.Owner, &lease, &m.NextAttempt, &m.Created, &m.LastError, &m.Answer)
	m.LeaseUntil = orZero(lease)
	return m, err
}

// Outbox lists the newest mails first.
func (t *tx) Outbox(ctx context.Context, limit int) ([]alerts.Row, error) {
	rows, err := t.q.Query(ctx, `select `+outboxColumns+` from outbox o where site = $1 order by id desc limit $2`, t.id, limit)
	if err != nil {
		return nil, fmt.Errorf("read the outbox: %w", err)
	}
	return pgx.CollectRows(rows, scanMail)
}

// OutboxPage lists the newest first of those that were asked for.
func (t *tx) OutboxPage(ctx context.Context, q tracker.OutboxQuery) ([]alerts.Row, error) {
	states := make([]string, len(q.States))
	for i, s := range q.States {
		states[i] = string(s)
	}
	w := narrow(t.id)
	w.when(q.Before > 0, "id < %s", q.Before)
	w.when(len(states) > 0, "state = any(%s)", states)
	rows, err := t.q.Query(ctx, `select `+outboxColumns+` from outbox o where `+w.sql+` order by id desc`+limited(q.Limit), w.args...)
	if err != nil {
		return nil, fmt.Errorf("read the outbox: %w", err)
	}
	return pgx.CollectRows(rows, scanMail)
}

// firstOfThread holds a row back while an earlier one of its thread and recipient has not ended.
const firstOfThread = `(o.thread = '' or not exists (select from outbox e where e.site = o.site and e.thread = o.thread and e.recipient = o.recipient
	and e.id < o.id and e.state in ('waiting', 'claimed')))`

// Unsent lists, oldest first, mails that were posted before an instant and still wait, and those that failed since another.
func (t *tx) Unsent(ctx context.Context, waitingSince, failedSince time.Time, limit int) ([]alerts.Row, error) {
	rows, err := t.q.Query(ctx, `select `+outboxColumns+` from outbox o where site = $1 and state in ('waiting', 'claimed') and created_at < $2
		union all select `+outboxColumns+` from outbox o where site = $1 and state = 'failed' and created_at > $3
		order by created_at, id limit $4`, t.id, waitingSince, failedSince, limit)
	if err != nil {
		return nil, fmt.Errorf("read unsent mails: %w", err)
	}
	return pgx.CollectRows(rows, scanMail)
}

// Claim takes due rows, skipping those another sender is claiming at this moment.
func (d *DB) Claim(ctx context.Context, n int, lease time.Duration, owner string) ([]alerts.Row, error) {
	rows, err := d.pool.Query(ctx, `with due as (
			select site, id from outbox o
			where (state = 'waiting' and next_attempt <= clock_timestamp() or state = 'claimed' and lease_until <= clock_timestamp())
				and `+firstOfThread+`
			order by case severity when 'low' then 2 when 'medium' then 1 else 0 end, created_at, id limit $1 for update skip locked)
		update outbox o set state = 'claimed', attempt = attempt + 1, owner = $2, lease_until = clock_timestamp() + make_interval(secs => $3)
		from due where o.site = due.site and o.id = due.id
		returning `+outboxColumns, n, owner, lease.Seconds())
	if err != nil {
		return nil, fmt.Errorf("claim mails: %w", err)
	}
	mails, err := pgx.CollectRows(rows, scanMail)
	if err != nil {
		return nil, fmt.Errorf("claim mails: %w", err)
	}
	slices.SortFunc(mails, func(a, b alerts.Row) int { // an update answers in no order
		return cmp.Or(cmp.Compare(a.Severity.Rank(), b.Severity.Rank()), a.Created.Compare(b.Created), cmp.Compare(a.ID, b.ID))
	})
	return mails, nil
}

// settle ends or returns a claimed row, if it is still claimed by that owner at that attempt.
func (d *DB) settle(ctx context.Context, r alerts.Row, set string, args ...any) error {
	tag, err := d.pool.Exec(ctx, `update outbox set owner = null, lease_until = null, `+set+`
		where site = $1 and id = $2 and state = 'claimed' and owner = $3 and attempt = $4`,
		append([]any{r.Site, r.ID, r.Owner, r.Attempt}, args...)...)
	if err != nil {
		return fmt.Errorf("settle mail %d: %w", r.ID, err)
	}
	if tag.RowsAffected() == 0 {
		return alerts.ErrLeaseLost
	}
	return nil
}

// Accepted stores the relay's answer.
func (d *DB) Accepted(ctx context.Context, r alerts.Row, answer string) error {
	return d.settle(ctx, r, `state = 'accepted', answer = $5, last_error = '', finished_at = clock_timestamp()`, answer)
}

// Retry makes the row due again later.
func (d *DB) Retry(ctx context.Context, r alerts.Row, why string, after time.Duration) error {
	return d.settle(ctx, r, `state = 'waiting', last_error = $5, next_attempt = clock_timestamp() + make_interval(secs => $6)`, why, after.Seconds())
}

// Failed ends the row; pages and metrics show it.
func (d *DB) Failed(ctx context.Context, r alerts.Row, why string) error {
	return d.settle(ctx, r, `state = 'failed', last_error = $5, finished_at = clock_timestamp()`, why)
}

// GiveBack makes due at once what an owner has claimed; for a daemon that starts, of its predecessor that was killed and
// cannot answer any more. The answer is how many there were.
func (d *DB) GiveBack(ctx context.Context, owner string) (int64, error) {
	tag, err := d.pool.Exec(ctx, `update outbox set state = 'waiting', owner = null, lease_until = null, next_attempt = clock_timestamp()
		where state = 'claimed' and owner = $1`, owner)
	if err != nil {
		return 0, away(fmt.Errorf("give back the mails %s had claimed: %w", owner, err))
	}
	return tag.RowsAffected(), nil
}

// Release makes the row due at once; it was not tried.
func (d *DB) Release(ctx context.Context, r alerts.Row) error {
	return d.settle(ctx, r, `state = 'waiting', next_attempt = clock_timestamp()`)
}

// Wait listens until something may be due.
func (d *DB) Wait(ctx context.Context) error {
	c, err := d.pool.Acquire(ctx)
	if err != nil {
		return fmt.Errorf("wait for mail: %w", err)
	}
	defer c.Release()
	if _, err := c.Exec(ctx, "listen "+notifyChannel); err != nil {
		return fmt.Errorf("wait for mail: %w", err)
	}
	// The next user of this connection did not ask for notifications; a connection that ended needs no word.
	defer func() { _, _ = c.Exec(context.WithoutCancel(ctx), "unlisten *") }()
	var secs *float64
	if err := c.QueryRow(ctx, `select extract(epoch from min(coalesce(lease_until, next_attempt)) - clock_timestamp())::float8
		from outbox o where state in ('waiting', 'claimed') and `+firstOfThread).Scan(&secs); err != nil {
		return fmt.Errorf("wait for mail: %w", err)
	}
	wait := longestWait
	if secs != nil {
		wait = min(wait, max(time.Duration(*secs*float64(time.Second)), 50*time.Millisecond))
	}
	bounded, cancel := context.WithTimeout(ctx, wait)
	defer cancel()
	_, err = c.Conn().WaitForNotification(bounded)
	if err != nil && ctx.Err() == nil && errors.Is(err, context.DeadlineExceeded) {
		return nil
	}
	return err
}
