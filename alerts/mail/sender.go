package mail

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	netmail "net/mail"
	"sync"
	"time"

	"vialward/alerts"
)

// Sender carries rows from the outbox to the relay. Fill in the first three fields, then Run it once.
type Sender struct {
	Outbox alerts.Outbox
	Relay  Relay
	Log    *slog.Logger

	Owner       string // names this process in leases; "" = a random name
	Connections int    // at a time; 0 = 2, so that one mail the relay chokes on holds up only half
	Batch       int    // rows claimed at a time; 0 = 20

	mu sync.Mutex
	// unsaid holds the relay's answers the outbox could not be told yet, by Message-ID: such a row, claimed again, is
	// not sent again.
	unsaid map[string]string
}

const (
	perConnection = 100              // mails, then a fresh connection: relays limit them
	storeTimeout  = 10 * time.Second // for one word to the outbox
	stopGrace     = 5 * time.Second  // for telling the outbox what the relay said, once stopping
	atOnce        = 20 * time.Millisecond
	longestPutOff = time.Minute      // for a row when it is the relay that cannot be used: work asks seldom enough
	longestDown   = 30 * time.Second // between two tries of one connection to reach a relay that is down
)

// Run sends until ctx ends, then answers nil: mails not begun are given back, one being handed over is finished. Wrong
// settings are answered at once.
func (s *Sender) Run(ctx context.Context) error {
	if err := s.Relay.Check(); err != nil {
		return fmt.Errorf("sending mail: %w", err)
	}
	if s.Owner == "" {
		s.Owner = fmt.Sprintf("sender-%016x", rand.Uint64())
	}
	if s.Connections <= 0 {
		s.Connections = 2
	}
	if s.Batch <= 0 {
		s.Batch = 20
	}
	s.unsaid = map[string]string{}

	waiting := make(chan struct{}, 1)
	var all sync.WaitGroup
	for range s.Connections {
		all.Go(func() { s.work(ctx, waiting) })
	}
	all.Wait()
	return nil
}

// rest waits until the outbox may have something. One worker at a time waits there, the others behind it: as each
// leaves, the next asks again, so what one claim left over wakes the next. waiting holds the place of the one. slept is
// false when the outbox did not make it wait at all.
func (s *Sender) rest(ctx context.Context, waiting chan struct{}) (slept bool, err error) {
	select {
	case <-ctx.Done():
		return true, ctx.Err()
	case waiting <- struct{}{}:
	}
	defer func() { <-waiting }()
	asked := time.Now()
	err = s.Outbox.Wait(ctx)
	return time.Since(asked) >= time.Millisecond, err
}

// work claims and sends until there is nothing left, rests, and does so again.
func (s *Sender) work(ctx context.Context, waiting chan struct{}) {
	var conn *session
	defer func() { s.hangUp(conn) }()
	trouble, down, slept := 0, 0, true
	for ctx.Err() == nil {
		until := time.Now().Add(s.lease()) // taken before the claim, so never later than the database's
		rows, err := s.Outbox.Claim(ctx, s.Batch, s.lease(), s.Owner)
		if err == nil && len(rows) == 0 {
			s.hangUp(conn)
			conn = nil
			if !slept {
				wait(ctx, atOnce) // the outbox saw something due and handed out nothing: do not spin on it
			}
			slept, err = s.rest(ctx, waiting)
		}
		switch {
		case ctx.Err() != nil && len(rows) == 0:
			return
		case err != nil:
			trouble++
			s.Log.Error("looking for mail to send", "error", err)
			pause(ctx, trouble)
		case len(rows) == 0:
			trouble = 0
		default:
			trouble, slept = 0, true
			if conn, err = s.send(ctx, conn, rows, until); err == nil {
				down = 0
				continue
			}
			// However many rows come due, a relay that is down is asked a few times a minute; whatever else is due
			// meanwhile waits with the same reason.
			down++
			s.Log.Warn("relay cannot be used", "relay", s.Relay.Addr, "why", err)
			s.putOff(ctx, err)
			wait(ctx, min(time.Second<<min(down-1, 5), longestDown))
		}
	}
}

// lease covers two whole attempts: what is not begun in the first half goes back, what is begun ends in the second.
func (s *Sender) lease() time.Duration { return 2*s.Relay.timeout() + storeTimeout }

// putOff gives every due row the reason why the relay cannot be used.
func (s *Sender) putOff(ctx context.Context, why error) {
	for ctx.Err() == nil {
		until := time.Now().Add(s.lease())
		rows, err := s.Outbox.Claim(ctx, s.Batch, s.lease(), s.Owner)
		if err != nil || len(rows) == 0 { // an error here is met, and said, by the next claim of work
			return
		}
		s.putOffRows(ctx, rows, until, why)
	}
}

func (s *Sender) putOffRows(ctx context.Context, rows []alerts.Row, until time.Time, why error) {
	for _, row := range rows {
		s.tell(ctx, row, until, func(ctx context.Context) error {
			return s.Outbox.Retry(ctx, row, s.reason(why), min(alerts.Backoff(row.Attempt, rand.Uint32()), longestPutOff))
		})
	}
}

func (s *Sender) reason(err error) string { return "relay " + s.Relay.Addr + ", at " + err.Error() }

// send goes through claimed rows, each to its own end. An error says why no connection could be had.
func (s *Sender) send(ctx context.Context, conn *session, rows []alerts.Row, until time.Time) (*session, error) {
	for i, row := range rows {
		if answer, ok := s.said(row.MessageID); ok { // sent before; only the outbox does not know yet
			s.settle(ctx, row, until, alerts.Taken, answer)
			continue
		}
		if ctx.Err() != nil || time.Until(until) < s.Relay.timeout()+storeTimeout {
			for _, left := range rows[i:] {
				s.tell(ctx, left, until, func(ctx context.Context) error { return s.Outbox.Release(ctx, left) })
			}
			return conn, nil
		}
		var answer string
		var err error
		conn, answer, err = s.attempt(ctx, conn, row)
		if err == nil {
			s.remember(row.MessageID, answer)
			s.settle(ctx, row, until, alerts.Taken, answer)
			continue
		}
		if errors.Is(err, errStopped) {
			s.tell(ctx, row, until, func(ctx context.Context) error { return s.Outbox.Release(ctx, row) })
			continue
		}
		var f *fault
		if !errors.As(err, &f) {
			f = &fault{at: alerts.AtSession, err: err}
		}
		if f.at == alerts.AtSession { // nothing the other rows could do better
			s.putOffRows(ctx, rows[i:], until, err)
			return nil, err
		}
		s.settle(ctx, row, until, alerts.Classify(f.at, f.code), s.reason(err))
	}
	return conn, nil
}

// attempt hands one mail over, opening a connection if there is none. A connection used before may have died or had
// enough meanwhile, which is not this mail's fault: then it is tried once more on a fresh one. Never after the message
// went out whole, when the relay may have accepted it.
func (s *Sender) attempt(ctx context.Context, conn *session, row alerts.Row) (*session, string, error) {
	if _, err := netmail.ParseAddress(row.To); err != nil {
		return conn, "", &fault{at: alerts.AtRecipient, code: 553, err: fmt.Errorf("%q is not a mail address", row.To)}
	}
	// The attempt outlives the program's stop: an answer to a message handed over must be heard.
	timeout, cancel := context.WithTimeout(context.WithoutCancel(ctx), s.Relay.timeout())
	defer cancel()
	if conn != nil && conn.sent >= perConnection {
		s.hangUp(conn)
		conn = nil
	}
	used := conn != nil && conn.sent > 0
	for {
		if conn == nil {
			opening, done := merge(timeout, ctx)
			fresh, err := open(opening, s.Relay)
			done()
			if err != nil {
				if ctx.Err() != nil {
					err = errStopped
				}
				return nil, "", err
			}
			conn = fresh
		}
		answer, err := conn.deliver(timeout, ctx, s.Relay, row)
		if err == nil {
			return conn, answer, nil
		}
		var f *fault
		reply := errors.As(err, &f) && f.code >= 400 && f.code != 421
		if reply && conn.reset(timeout) == nil {
			return conn, "", err
		}
		conn.conn.Close() //nolint:errcheck,gosec // it is of no more use
		conn = nil
		if reply || !used || f == nil || f.at == alerts.AtMessage || errors.Is(err, errStopped) || timeout.Err() != nil {
			return nil, "", err
		}
		used = false
	}
}

// merge is a context that ends with either.
func merge(a, b context.Context) (context.Context, func()) {
	m, cancel := context.WithCancel(a)
	stop := context.AfterFunc(b, cancel)
	return m, func() { stop(); cancel() }
}

func (s *Sender) hangUp(conn *session) {
	if conn == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	conn.quit(ctx)
}

// pause waits before the nth try again: a quarter of a second, doubled each time, at most five; or until ctx ends.
func pause(ctx context.Context, n int) {
	wait(ctx, min(250*time.Millisecond<<min(n-1, 5), 5*time.Second))
}

func wait(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}
