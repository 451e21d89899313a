// Package mailtest is what tests of mail need: an outbox in memory, a contract every outbox must keep, and an SMTP peer
// that misbehaves on request. No part of the program imports it.
package mailtest

import (
	"context"
	"slices"
	"sync"
	"time"

	"vialward/alerts"
)

// Outbox keeps rows in memory and obeys alerts.Outbox to the letter; its clock is time.Now.
type Outbox struct {
	mu      sync.Mutex
	rows    []*alerts.Row
	changed chan struct{} // closed and made anew at every change
	broken  error         // what every call answers while set
}

// NewOutbox with rows waiting.
func NewOutbox(rows ...alerts.Row) *Outbox {
	o := &Outbox{changed: make(chan struct{})}
	o.Put(rows...)
	return o
}

// Put stores rows; one whose dedupe key is there already is left out.
func (o *Outbox) Put(rows ...alerts.Row) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, r := range rows {
		if r.DedupeKey != "" && slices.ContainsFunc(o.rows, func(x *alerts.Row) bool { return x.DedupeKey == r.DedupeKey }) {
			continue
		}
		r.ID, r.State, r.NextAttempt = int64(len(o.rows)+1), alerts.Waiting, time.Now()
		o.rows = append(o.rows, &r)
	}
	o.change()
}

// Break makes every call answer err until it is called with nil: the database is away.
func (o *Outbox) Break(err error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.broken = err
	o.change()
}

// Rows as they are now, in order.
func (o *Outbox) Rows() []alerts.Row {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.snapshot()
}

// Until waits until the rows are as wanted, or ctx ends.
func (o *Outbox) Until(ctx context.Context, wanted func([]alerts.Row) bool) error {
	for {
		o.mu.Lock()
		ok, changed := wanted(o.snapshot()), o.changed
		o.mu.Unlock()
		if ok {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-changed:
		}
	}
}

func (o *Outbox) snapshot() []alerts.Row {
	out := make([]alerts.Row, len(o.rows))
	for i, r := range o.rows {
		out[i] = *r
	}
	return out
}

func (o *Outbox) change() {
	close(o.changed)
	o.changed = make(chan struct{})
}

func due(r *alerts.Row, now time.Time) bool {
	return r.State == alerts.Waiting && !now.Before(r.NextAttempt) || r.State == alerts.Claimed && !now.Before(r.LeaseUntil)
}

// blocked says whether an earlier row of the same thread and recipient has not ended.
func (o *Outbox) blocked(r *alerts.Row) bool {
	return r.Thread != "" && slices.ContainsFunc(o.rows, func(x *alerts.Row) bool {
		return x.ID < r.ID && x.Thread == r.Thread && x.To == r.To && (x.State == alerts.Waiting || x.State == alerts.Claimed)
	})
}

// Claim as alerts.Outbox says.
func (o *Outbox) Claim(_ context.Context, n int, lease time.Duration, owner string) ([]alerts.Row, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.broken != nil {
		return nil, o.broken
	}
	now := time.Now()
	var take []*alerts.Row
	for _, r := range o.rows {
		if due(r, now) && !o.blocked(r) {
			take = append(take, r)
		}
	}
	slices.SortStableFunc(take, func(a, b *alerts.Row) int { return a.Severity.Rank() - b.Severity.Rank() })
	var out []alerts.Row
	for _, r := range take[:min(n, len(take))] {
		r.State, r.Owner, r.LeaseUntil = alerts.Claimed, owner, now.Add(lease)
		r.Attempt++
		out = append(out, *r)
	}
	if len(out) > 0 {
		o.change()
	}
	return out, nil
}

// answer changes a row if the lease is still that owner's at that attempt.
func (o *Outbox) answer(r alerts.Row, f func(*alerts.Row)) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.broken != nil {
		return o.broken
	}
	i := slices.IndexFunc(o.rows, func(x *alerts.Row) bool { return x.Site == r.Site && x.ID == r.ID })
	if i < 0 || o.rows[i].State != alerts.Claimed || o.rows[i].Owner != r.Owner || o.rows[i].Attempt != r.Attempt {
		return alerts.ErrLeaseLost
	}
	x := o.rows[i]
	x.Owner, x.LeaseUntil = "", time.Time{}
	f(x)
	o.change()
	return nil
}

// Accepted as alerts.Outbox says.
func (o *Outbox) Accepted(_ context.Context, r alerts.Row, answer string) error {
	return o.answer(r, func(x *alerts.Row) { x.State, x.Answer, x.LastError = alerts.Accepted, answer, "" })
}

// Retry as alerts.Outbox says.
func (o *Outbox) Retry(_ context.Context, r alerts.Row, why string, after time.Duration) error {
	return o.answer(r, func(x *alerts.Row) { x.State, x.LastError, x.NextAttempt = alerts.Waiting, why, time.Now().Add(after) })
}

// Failed as alerts.Outbox says.
func (o *Outbox) Failed(_ context.Context, r alerts.Row, why string) error {
	return o.answer(r, func(x *alerts.Row) { x.State, x.LastError = alerts.Failed, why })
}

// Release as alerts.Outbox says.
func (o *Outbox) Release(_ context.Context, r alerts.Row) error {
	return o.answer(r, func(x *alerts.Row) { x.State, x.NextAttempt = alerts.Waiting, time.Now() })
}

// Wait as alerts.Outbox says; the bounded time is a minute.
func (o *Outbox) Wait(ctx context.Context) error {
	bound := time.Now().Add(time.Minute)
	for {
		o.mu.Lock()
		next, broken, changed := bound, o.broken, o.changed
		for _, r := range o.rows {
			switch {
			case r.State == alerts.Waiting && !o.blocked(r) && r.NextAttempt.Before(next):
				next = r.NextAttempt
			case r.State == alerts.Claimed && r.LeaseUntil.Before(next):
				next = r.LeaseUntil
			}
		}
		o.mu.Unlock()
		if broken != nil {
			return broken
		}
		wait := time.Until(next)
		if wait <= 0 {
			return nil
		}
		t := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			t.Stop()
			return ctx.Err()
		case <-t.C:
		case <-changed:
			t.Stop()
		}
	}
}
