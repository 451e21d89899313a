package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strconv"
	"time"

	"vialward/alerts"
	"vialward/alerts/mail"
	"vialward/cmd/vialward/internal/config"
	"vialward/cmd/vialward/internal/demo"
	"vialward/cmd/vialward/internal/web"
	"vialward/db"
	"vialward/metrics"
	"vialward/tracker"
)

// DemoOptions of one showing.
type DemoOptions struct {
	Port           int     // on loopback; 0 = any
	Speed          float64 // how many times as fast as the machine's clock the demo's goes on; 0 = 1
	StateFolder    string  // where its private Postgres lies
	Stdout, Stderr io.Writer
}

// Demo shows the invented site on its morning: a private Postgres, caught mail, pages, loggers that report. It returns
// when ctx ends, with nothing left running.
func Demo(ctx context.Context, o DemoOptions) (err error) {
	if o.Speed == 0 {
		o.Speed = 1
	}
	if o.Speed < 0 {
		return fmt.Errorf("speed %g: the demo's clock goes forward only", o.Speed)
	}
	c, err := demoConfig(o)
	if err != nil {
		return err
	}
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", net.JoinHostPort("127.0.0.1", strconv.Itoa(o.Port)))
	if err != nil {
		return fmt.Errorf("the demo's pages: %w; set PORT to another port", err)
	}
	s := &show{o: o, clock: &demo.Clock{}, gate: &demo.Gate{}, parts: &parts{
		base: &Base{Config: c, Log: Logger(c.Log, o.Stderr)}, page: &metrics.Page{}, ready: errStarting,
	}}
	server := &web.Server{
		Log: s.base.Log, Now: s.clock.Now, Ready: s.isReady, Metrics: s.page.Handler(time.Now), DemoClock: true,
	}
	asked := func() *tracker.Tracker { return server.Tracker }
	server.Extra = map[string]http.Handler{"GET /demo/mail": demo.MailPage(asked), "GET /demo/mail.json": demo.MailJSON(asked)}
	serving, stopServing := context.WithCancel(context.WithoutCancel(ctx))
	defer stopServing()
	served := make(chan error, 1)
	answering := server.HTTP() // made before Use may be called
	go func() { served <- serve(serving, l, answering) }()

	err = s.run(ctx, server, l.Addr().String(), served)
	s.setReady(errStopping)
	stopServing()
	err = errors.Join(err, <-served, s.base.Close())
	if ctx.Err() != nil && errors.Is(err, context.Canceled) {
		return nil // stopped while it was getting ready
	}
	return err
}

// demoConfig is the defaults over the demo's own folder: no file, and nothing of the visitor's environment, which may be
// that of another daemon.
func demoConfig(o DemoOptions) (config.Config, error) {
	c, err := config.Load("", func(key string) string {
		if key == config.EnvState {
			return o.StateFolder
		}
		return ""
	})
	c.Log.Level = "warn"
	return c, err
}

// show is a demo under way.
type show struct {
	*parts
	o       DemoOptions
	clock   *demo.Clock
	gate    *demo.Gate
	catcher *mail.Catcher
}

// run plays the days if nobody has yet, opens a copy of the morning, and lives until ctx ends.
func (s *show) run(ctx context.Context, server *web.Server, address string, served chan error) (err error) {
	if s.catcher, err = mail.NewCatcher("127.0.0.1:0", nil); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.catcher.Close()) }()
	dsn, err := s.morning(ctx)
	if err != nil {
		return err
	}
	store, err := db.Open(ctx, dsn)
	if err != nil {
		return err
	}
	t := s.tracker(store)
	t.URL = "http://" + address
	s.base.DB, s.base.Tracker = store, t
	story, err := demo.New(t, s.clock, s.gate)
	if err != nil {
		return err
	}
	s.clock.Set(story.Morning())
	s.clock.Run(s.o.Speed)

	working, stop := context.WithCancel(ctx)
	defer s.worker.Wait()
	defer stop()
	s.worker.Go(func() { s.send(working, store) })
	s.worker.Go(func() { s.snapshots(working) })
	s.worker.Go(func() { story.Live(working) })
	server.Use(t)
	s.setReady(nil)
	fmt.Fprintf(s.o.Stdout, "The demo is at http://%s, on its own clock (Wed 12 Nov 2025 07:05 in New York). Ctrl-C stops all of it.\n", address)
	select {
	case <-ctx.Done():
	case err = <-served:
		served <- nil
	}
	return err
}

func (s *show) tracker(store *db.DB) *tracker.Tracker {
	return &tracker.Tracker{Store: store, Now: s.clock.Now, Log: s.base.Log, MailDomain: "quillmere.example"}
}

// send carries mail to the catcher.
func (s *show) send(ctx context.Context, outbox alerts.Outbox) {
	sender := &mail.Sender{Outbox: outbox, Log: s.base.Log, Relay: mail.Relay{
		Addr: s.catcher.Addr(), TLS: mail.None, From: "vialward <vialward@quillmere.example>", Dial: s.gate.Dial,
	}}
	if err := sender.Run(ctx); err != nil {
		s.base.Log.Error("sending mail has stopped", "error", err)
	}
}

// play tells the thirty days into a database, with mail caught as it goes.
func (s *show) play(ctx context.Context, dsn string) error {
	if err := db.Migrate(ctx, dsn); err != nil {
		return err
	}
	store, err := db.Open(ctx, dsn)
	if err != nil {
		return err
	}
	defer store.Close()
	// The relay is down for one of the nights, and says so at every try.
	log := s.base.Log
	s.base.Log = slog.New(slog.DiscardHandler)
	defer func() { s.base.Log = log }()
	story, err := demo.New(s.tracker(store), s.clock, s.gate)
	if err != nil {
		return err
	}
	sending, stop := context.WithCancel(ctx)
	defer s.worker.Wait()
	defer stop()
	s.worker.Go(func() { s.send(sending, demo.Hurried{Outbox: store}) })
	begun := time.Now()
	err = story.Play(ctx, func(day, of int) {
		if day%5 == 1 {
			fmt.Fprintf(s.o.Stderr, "vialward demo: playing day %d of %d\n", day, of)
		}
	})
	if err != nil {
		return fmt.Errorf("play the thirty days: %w", err)
	}
	fmt.Fprintf(s.o.Stderr, "vialward demo: thirty days played in %s; the next start begins at once\n", time.Since(begun).Round(time.Second))
	return nil
}
