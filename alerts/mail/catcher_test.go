package mail_test

import (
	"context"
	"log/slog"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
	"vialward/alerts/mail"
	"vialward/alerts/mail/mailtest"
)

// What is sent over a real socket is caught word for word, and its callback comes before the row is accepted.
func TestCatcher(t *testing.T) {
	var mu sync.Mutex
	var seen []mail.Mail
	c, err := mail.NewCatcher("127.0.0.1:0", func(m mail.Mail) {
		mu.Lock()
		defer mu.Unlock()
		seen = append(seen, m)
	})
	require.NoError(t, err)
	defer func() { require.NoError(t, c.Close()) }()

	opened, recovered := mailtest.Sample(1, alice), mailtest.Sample(2, alice)
	opened.Thread, opened.First, recovered.Thread = "case/1", true, "case/1"
	opened.MessageID = opened.Root()
	recovered.Subject, recovered.Text = "33 STILL ON HOLD, Kühl 1 back in range", "DO    Nichts.\n"
	o := mailtest.NewOutbox(opened, recovered)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	ended := make(chan error, 1)
	go func() {
		ended <- (&mail.Sender{Outbox: o, Log: slog.New(slog.DiscardHandler),
			Relay: mail.Relay{Addr: c.Addr(), TLS: mail.None, From: from}}).Run(ctx)
	}()
	require.NoError(t, o.Until(ctx, all(alerts.Accepted)))
	cancel()
	require.NoError(t, <-ended)

	got := c.Mails()
	require.Equal(t, got, seen)
	require.Len(t, got, 2)
	require.Equal(t, alice, got[0].To)
	require.Equal(t, "vialward@pharmacy.example", got[0].From)
	require.Equal(t, opened.Subject, got[0].Subject)
	require.Equal(t, opened.Text, got[0].Text)
	require.Equal(t, opened.HTML, got[0].HTML)
	require.Equal(t, opened.MessageID, got[0].MessageID)
	require.True(t, opened.Created.Equal(got[0].At))
	require.Empty(t, got[0].References)
	require.Equal(t, recovered.Subject, got[1].Subject)
	require.Equal(t, recovered.Text, got[1].Text)
	require.Equal(t, opened.MessageID, got[1].References)
}

func TestACatcherIsForThisMachineOnly(t *testing.T) {
	for _, addr := range []string{"0.0.0.0:0", ":0", "192.0.2.1:25", "nonsense"} {
		_, err := mail.NewCatcher(addr, nil)
		require.ErrorContains(t, err, "only an address of this machine", addr)
	}
}

// A catcher that is closed before it has begun to serve ends all the same.
func TestCatcherClosedAtOnce(t *testing.T) {
	t.Parallel()
	for range 300 {
		c, err := mail.NewCatcher("127.0.0.1:0", nil)
		require.NoError(t, err)
		closed := make(chan error, 1)
		go func() { closed <- c.Close() }()
		select {
		case err := <-closed:
			require.NoError(t, err)
		case <-time.After(10 * time.Second):
			require.Fail(t, "Close does not return")
		}
	}
}
