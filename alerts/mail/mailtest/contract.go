package mailtest

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
)

// Store is an outbox under test: how rows get in and how they look.
type Store interface {
	alerts.Outbox
	Put(rows ...alerts.Row)
	Rows() []alerts.Row
}

// Sample is a row for tests, about the nth thing, to an address.
func Sample(n int, to string) alerts.Row {
	at := time.Date(2025, 11, 12, 12, 0, n, 0, time.UTC)
	key := alerts.Key(alerts.Warm, fmt.Sprintf("case/%d", n), alerts.Slot(0, "opened", 0), to)
	return alerts.Row{
		Site: 1, Kind: alerts.Warm, Severity: alerts.High, DedupeKey: key, To: to,
		Subject: fmt.Sprintf("WARM R%d 9.6 C since 02:22, 33 vials", n), Text: "DO    Go there.\n", HTML: "<p>Go there.</p>\n",
		MessageID: alerts.MessageID(1, key, at, "pharmacy.example"), Created: at,
	}
}

// Contract checks what alerts.Outbox promises. A lease that is over is made by claiming with one below zero, so nothing
// waits. Each case gets a store of its own.
func Contract(t *testing.T, fresh func(*testing.T) Store) {
	ctx := context.Background()
	claim := func(t *testing.T, s Store, n int, lease time.Duration, owner string) []alerts.Row {
		t.Helper()
		rows, err := s.Claim(ctx, n, lease, owner)
		require.NoError(t, err)
		return rows
	}
	t.Run("a claimed row is nobody else's while its lease lasts", func(t *testing.T) {
		s := fresh(t)
		s.Put(Sample(1, "a@x.example"), Sample(2, "a@x.example"))
		one := claim(t, s, 1, time.Hour, "A")
		require.Len(t, one, 1)
		require.Equal(t, 1, one[0].Attempt)
		require.Equal(t, "A", one[0].Owner)
		two := claim(t, s, 10, time.Hour, "B")
		require.Len(t, two, 1)
		require.NotEqual(t, one[0].ID, two[0].ID)
		require.Empty(t, claim(t, s, 10, time.Hour, "C"))
	})
	t.Run("an answer after the lease counts while nobody else has the row", func(t *testing.T) {
		s := fresh(t)
		s.Put(Sample(1, "a@x.example"))
		r := claim(t, s, 1, -time.Second, "A")[0]
		require.NoError(t, s.Accepted(ctx, r, "250 queued"))
		require.Equal(t, alerts.Accepted, s.Rows()[0].State)
		require.Equal(t, "250 queued", s.Rows()[0].Answer)
		require.Empty(t, claim(t, s, 1, time.Hour, "B"))
	})
	t.Run("a late answer changes nothing once another has the row", func(t *testing.T) {
		s := fresh(t)
		s.Put(Sample(1, "a@x.example"))
		late := claim(t, s, 1, -time.Second, "A")[0]
		now := claim(t, s, 1, -time.Second, "A")[0] // the same owner, the next attempt
		require.Equal(t, 2, now.Attempt)
		require.ErrorIs(t, s.Accepted(ctx, late, "250"), alerts.ErrLeaseLost)
		require.ErrorIs(t, s.Retry(ctx, late, "late", 0), alerts.ErrLeaseLost)
		require.ErrorIs(t, s.Failed(ctx, late, "late"), alerts.ErrLeaseLost)
		require.ErrorIs(t, s.Release(ctx, late), alerts.ErrLeaseLost)
		require.Equal(t, alerts.Claimed, s.Rows()[0].State)
		require.NoError(t, s.Failed(ctx, now, "550 no such mailbox"))
		require.Equal(t, alerts.Failed, s.Rows()[0].State)
		require.Equal(t, "550 no such mailbox", s.Rows()[0].LastError)
		require.ErrorIs(t, s.Accepted(ctx, now, "250"), alerts.ErrLeaseLost, "an ended row stays as it ended")
	})
	t.Run("a row that waits is not due before its time", func(t *testing.T) {
		s := fresh(t)
		s.Put(Sample(1, "a@x.example"))
		require.NoError(t, s.Retry(ctx, claim(t, s, 1, time.Hour, "A")[0], "450 busy", time.Hour))
		require.Equal(t, alerts.Waiting, s.Rows()[0].State)
		require.Equal(t, "450 busy", s.Rows()[0].LastError)
		require.Empty(t, claim(t, s, 1, time.Hour, "A"))
	})
	t.Run("a released row is due at once and keeps its reason", func(t *testing.T) {
		s := fresh(t)
		s.Put(Sample(1, "a@x.example"))
		require.NoError(t, s.Retry(ctx, claim(t, s, 1, time.Hour, "A")[0], "450 busy", 0))
		require.NoError(t, s.Release(ctx, claim(t, s, 1, time.Hour, "A")[0]))
		r := claim(t, s, 1, time.Hour, "A")[0]
		require.Equal(t, 3, r.Attempt)
		require.Equal(t, "450 busy", r.LastError)
	})
	t.Run("the urgent go first, then the oldest", func(t *testing.T) {
		s := fresh(t)
		low := Sample(1, "a@x.example")
		low.Severity = alerts.Low
		s.Put(low, Sample(2, "a@x.example"), Sample(3, "a@x.example"))
		require.Equal(t, Sample(2, "a@x.example").MessageID, claim(t, s, 1, time.Hour, "A")[0].MessageID)
		require.Equal(t, Sample(3, "a@x.example").MessageID, claim(t, s, 1, time.Hour, "A")[0].MessageID)
		require.Equal(t, low.MessageID, claim(t, s, 1, time.Hour, "A")[0].MessageID)
	})
	t.Run("nothing overtakes in a thread, and nobody waits for another's mailbox", func(t *testing.T) {
		s := fresh(t)
		opened, recovered, other := Sample(1, "a@x.example"), Sample(2, "a@x.example"), Sample(3, "b@x.example")
		opened.Thread, recovered.Thread, other.Thread = "case/1", "case/1", "case/1"
		s.Put(opened, recovered, other)
		rows := claim(t, s, 10, time.Hour, "A")
		require.Len(t, rows, 2)
		require.Equal(t, opened.MessageID, rows[0].MessageID)
		require.Equal(t, other.MessageID, rows[1].MessageID)
		require.NoError(t, s.Failed(ctx, rows[0], "550"))
		require.Equal(t, recovered.MessageID, claim(t, s, 10, time.Hour, "A")[0].MessageID)
	})
	t.Run("one dedupe key is one row", func(t *testing.T) {
		s := fresh(t)
		s.Put(Sample(1, "a@x.example"))
		s.Put(Sample(1, "a@x.example"), Sample(1, "b@x.example"))
		require.Len(t, s.Rows(), 2)
	})
	t.Run("waiting ends when something is due, and with its context", func(t *testing.T) {
		s := fresh(t)
		ctx, cancel := context.WithCancel(ctx)
		defer cancel()
		woken := make(chan error, 1)
		go func() { woken <- s.Wait(ctx) }()
		s.Put(Sample(1, "a@x.example"))
		require.NoError(t, <-woken)
		claim(t, s, 1, time.Hour, "A")
		cancel()
		require.Error(t, s.Wait(ctx))
	})
}
