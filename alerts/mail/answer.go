package mail

import (
	"context"
	"errors"
	"math/rand/v2"
	"time"

	"vialward/alerts"
)

// settle tells the outbox how an attempt ended.
func (s *Sender) settle(ctx context.Context, row alerts.Row, until time.Time, o alerts.Outcome, words string) {
	log := s.Log.With("kind", row.Kind, "to", row.To, "message_id", row.MessageID, "attempt", row.Attempt)
	switch o {
	case alerts.Taken:
		log.Info("mail accepted", "answer", words)
		if s.tell(ctx, row, until, func(ctx context.Context) error { return s.Outbox.Accepted(ctx, row, words) }) {
			s.forget(row.MessageID)
		}
	case alerts.Refuse:
		log.Error("mail refused for good", "why", words)
		s.tell(ctx, row, until, func(ctx context.Context) error { return s.Outbox.Failed(ctx, row, words) })
	case alerts.Again:
		after := alerts.Backoff(row.Attempt, rand.Uint32())
		log.Warn("mail waits", "why", words, "again_in", after)
		s.tell(ctx, row, until, func(ctx context.Context) error { return s.Outbox.Retry(ctx, row, words, after) })
	}
}

// tell repeats a word to the outbox until it is heard, the lease is over, or the program has been stopping for a while.
// It says whether there is nothing left to tell.
func (s *Sender) tell(ctx context.Context, row alerts.Row, until time.Time, word func(context.Context) error) bool {
	telling, cancel := context.WithDeadline(context.WithoutCancel(ctx), until)
	defer cancel()
	stop := context.AfterFunc(ctx, func() { time.AfterFunc(stopGrace, cancel) })
	defer stop()
	for n := 1; ; n++ {
		once, done := context.WithTimeout(telling, storeTimeout)
		err := word(once)
		done()
		switch {
		case err == nil:
			return true
		case errors.Is(err, alerts.ErrLeaseLost):
			s.Log.Warn("another sender has this mail now", "message_id", row.MessageID)
			return true
		case telling.Err() != nil:
			s.Log.Error("telling the outbox: given up, the lease will end", "message_id", row.MessageID, "error", err)
			return false
		}
		s.Log.Error("telling the outbox", "message_id", row.MessageID, "error", err)
		pause(telling, n)
	}
}

func (s *Sender) remember(id, answer string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.unsaid[id] = answer
}

func (s *Sender) forget(id string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.unsaid, id)
}

func (s *Sender) said(id string) (string, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	answer, ok := s.unsaid[id]
	return answer, ok
}
