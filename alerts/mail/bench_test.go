package mail_test

import (
	"context"
	"log/slog"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
	"vialward/alerts/mail"
	"vialward/alerts/mail/mailtest"
)

// From a row stored to the relay's 250 stored, over a real socket on this machine, a connection a mail: what the sender
// adds to the way from a reading to a page.
func BenchmarkOnePage(b *testing.B) {
	c, err := mail.NewCatcher("127.0.0.1:0", nil)
	require.NoError(b, err)
	defer func() { require.NoError(b, c.Close()) }()
	o := mailtest.NewOutbox()
	ctx, cancel := context.WithTimeout(b.Context(), 5*time.Minute)
	defer cancel()
	ended := make(chan error, 1)
	go func() {
		ended <- (&mail.Sender{Outbox: o, Log: slog.New(slog.DiscardHandler), Relay: mail.Relay{Addr: c.Addr(), TLS: mail.None, From: from}}).Run(ctx)
	}()
	n := 0
	for b.Loop() {
		o.Put(mailtest.Sample(n, alice))
		require.NoError(b, o.Until(ctx, func(rows []alerts.Row) bool { return rows[n].State == alerts.Accepted }))
		n++
	}
	cancel()
	require.NoError(b, <-ended)
}
