package demo

import (
	"context"
	"fmt"
	"time"

	"vialward/alerts"
	"vialward/tracker"
)

// watchedStore tells the story when a mail was posted, so that it waits for the sender where a real one would be done.
type watchedStore struct {
	tracker.Store
	posted func()
}

func (w watchedStore) In(ctx context.Context, site string, f func(tracker.Tx) error) error {
	return w.Store.In(ctx, site, func(tx tracker.Tx) error { return f(watchedTx{tx, w.posted}) })
}

type watchedTx struct {
	tracker.Tx
	posted func()
}

func (w watchedTx) Post(ctx context.Context, rows []alerts.Row) error {
	w.posted()
	return w.Tx.Post(ctx, rows)
}

const (
	newestMails = 60 // more than are ever posted between two looks
	longestMail = 30 * time.Second
)

// mailed waits until the relay has taken every mail. While days take less than a second, the sender needs a moment that
// would be nothing at the site.
func (s *Story) mailed(ctx context.Context) error {
	if !s.posted || s.gate.down.Load() {
		return nil
	}
	for end := time.Now().Add(longestMail); ; {
		waiting := ""
		err := s.read(ctx, func(v tracker.View) error {
			rows, err := v.Outbox(ctx, newestMails)
			for _, r := range rows {
				if r.State == alerts.Waiting || r.State == alerts.Claimed {
					waiting = fmt.Sprintf("%q to %s: %s", r.Subject, r.To, r.LastError)
				}
			}
			return err
		})
		if err != nil {
			return err
		}
		if waiting == "" {
			s.posted = false
			return nil
		}
		if time.Now().After(end) {
			return fmt.Errorf("mail waits for a relay that should take it: %s", waiting)
		}
		if err := sleep(ctx, 2*time.Millisecond); err != nil {
			return err
		}
	}
}
