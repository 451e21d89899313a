package demo

import (
	"context"
	"errors"
	"net"
	"sync/atomic"
	"time"

	"vialward/alerts"
)

// Gate stands between the sender and its relay, so that the relay can be down for a night of the story.
type Gate struct {
	down   atomic.Bool
	Dialer net.Dialer
}

var errRelayDown = errors.New("connection refused: the mail relay is down")

// Shut says whether the relay is down from now on.
func (g *Gate) Shut(down bool) { g.down.Store(down) }

// Dial connects to the relay, as mail.Relay asks for.
func (g *Gate) Dial(ctx context.Context, network, address string) (net.Conn, error) {
	if g.down.Load() {
		return nil, errRelayDown
	}
	return g.Dialer.DialContext(ctx, network, address)
}

// Hurried is an outbox whose back-off is as short as the days that are played: the sender waits by the machine's clock,
// and a night of the story takes it half a second.
type Hurried struct{ alerts.Outbox }

// shortestWait is an hour or so of the story.
const shortestWait = 20 * time.Millisecond

// Retry makes the row due again soon.
func (h Hurried) Retry(ctx context.Context, r alerts.Row, why string, after time.Duration) error {
	return h.Outbox.Retry(ctx, r, why, min(after, shortestWait))
}
