package demo_test

import (
	"context"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts/mail"
	"vialward/cmd/vialward/internal/demo"
	"vialward/tracker"
	"vialward/tracker/stock"
)

// warnings collects what is logged as going wrong.
type warnings struct {
	mu   sync.Mutex
	said []string
}

func (w *warnings) Write(line []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.said = append(w.said, string(line))
	return len(line), nil
}

// The morning goes on: loggers report, a batch is made and checked, vials are issued; and R1's door stands ajar
// until a mail goes out, twenty minutes after the visitor came.
func (p *played) lives(t *testing.T) {
	const speed = 400
	warm := make(chan mail.Mail, 100)
	p.onMail.Store(func(m mail.Mail) {
		if strings.HasPrefix(m.Subject, "WARM R1") {
			warm <- m
		}
	})
	log, clock := &warnings{}, &demo.Clock{}
	story, err := demo.New(&tracker.Tracker{
		Store: p.store, Now: clock.Now, MailDomain: "quillmere.example", Log: slog.New(slog.NewTextHandler(log, &slog.HandlerOptions{Level: slog.LevelWarn})),
	}, clock, p.gate)
	require.NoError(t, err)
	clock.Set(story.Morning())
	clock.Run(speed)
	ctx, stop := context.WithTimeout(t.Context(), time.Minute)
	defer stop()
	lived := make(chan struct{})
	go func() {
		defer close(lived)
		story.Live(ctx)
	}()
	select {
	case m := <-warm:
		require.WithinDuration(t, p.at(31, 7, 25), m.At, 5*time.Minute, "steps come a little late at %d times the speed", speed)
		require.Contains(t, m.Text, "on hold")
	case <-ctx.Done():
		require.Fail(t, "no mail of R1's open door within a minute", "%v", log.said)
	}
	stop()
	<-lived
	require.Empty(t, log.said)
	kinds := map[stock.Kind]int{}
	require.NoError(t, p.store.Read(t.Context(), demo.Site, func(v tracker.View) error {
		events, err := v.Events(t.Context(), tracker.EventQuery{AfterSeq: int64(len(p.events))})
		for _, e := range events {
			kinds[e.Kind]++
		}
		return err
	}))
	for _, k := range []stock.Kind{stock.Prepared, stock.Labelled, stock.Verified, stock.Issued, stock.CaseOpened} {
		require.Positive(t, kinds[k], "%s after the morning: %v", k, kinds)
	}
}
