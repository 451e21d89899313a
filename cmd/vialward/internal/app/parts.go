package app

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"sync"
	"time"

	"vialward/alerts/mail"
	"vialward/cmd/vialward/internal/config"
	"vialward/cmd/vialward/internal/intake"
	"vialward/cmd/vialward/internal/schedule"
	"vialward/metrics"
)

// parts are what moves in a daemon: each runs until its context ends. They are started together and drained together.
type parts struct {
	base *Base
	page *metrics.Page

	mu     sync.Mutex
	ready  error // nil = ready
	wakes  *schedule.Schedule
	worker sync.WaitGroup
}

var errStarting = errors.New("the daemon is starting: the database is not open yet")

// A database that neither answers nor refuses must not be waited for without end.
const (
	readyWithin    = 3 * time.Second
	snapshotWithin = 20 * time.Second
	jobWithin      = 10 * time.Minute
	recountWithin  = 2 * time.Hour
)

// within bounds a job.
func within(d time.Duration, job func(context.Context)) func(context.Context) {
	return func(ctx context.Context) {
		ctx, cancel := context.WithTimeout(ctx, d)
		defer cancel()
		job(ctx)
	}
}

// stopped tells the end of the daemon from a job that took too long.
func stopped(ctx context.Context) bool { return errors.Is(ctx.Err(), context.Canceled) }

// isReady is what /readyz asks.
func (p *parts) isReady(ctx context.Context) error {
	p.mu.Lock()
	err := p.ready
	p.mu.Unlock()
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, readyWithin)
	defer cancel()
	if err := p.base.DB.Ping(ctx); err != nil {
		return fmt.Errorf("the database does not answer: %w", err)
	}
	return nil
}

func (p *parts) setReady(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.ready = err
}

// start begins everything that works on an open database.
func (p *parts) start(ctx context.Context) error {
	c := p.base.Config
	wakes, err := schedule.New(ctx, p.base.Log, p.jobs())
	if err != nil {
		return err
	}
	p.wakes = wakes
	for _, w := range wakes.Next(time.Now()) {
		p.base.Log.Info("next wake", "job", w.Name, "at", w.At.Format(time.RFC3339))
	}
	wakes.Start()
	if c.Mail.Relay != "" {
		s := &mail.Sender{Outbox: p.base.DB, Log: p.base.Log, Relay: Relay(c.Mail), Owner: p.base.claim.name}
		p.worker.Go(func() {
			if err := s.Run(ctx); err != nil {
				p.base.Log.Error("sending mail has stopped", "error", err)
			}
		})
	} else {
		p.base.Log.Warn("no mail relay is configured: mails wait in the outbox")
	}
	if c.Intake.Folder != "" {
		f := &intake.Folder{Config: c.Intake, Tracker: p.base.Tracker, Log: p.base.Log}
		p.worker.Go(func() { f.Run(ctx) })
	}
	p.worker.Go(func() { p.snapshots(ctx) })
	p.worker.Go(func() { p.partitions(ctx) })
	p.worker.Go(func() { p.tick(ctx) }) // what came due while nobody ran
	return nil
}

// stop waits for all that start began; its context has ended by then.
func (p *parts) stop() {
	if p.wakes != nil {
		p.wakes.Stop()
	}
	p.worker.Wait()
}

// jobs are woken by the schedule; each asks the record what is due.
func (p *parts) jobs() []schedule.Job {
	c := p.base.Config.Schedule
	return []schedule.Job{
		{Name: "slots", Spec: c.Slots, Run: within(jobWithin, p.tick)},
		{Name: "silence", Spec: c.Silence, Run: within(jobWithin, p.silence)},
		{Name: "partitions", Spec: c.Partitions, Run: within(jobWithin, p.partitions)},
		{Name: "recount", Spec: c.Recount, Run: within(recountWithin, p.recount)},
	}
}

// eachSite runs f on every site; one site's trouble is logged and keeps no other from its turn.
func (p *parts) eachSite(ctx context.Context, what string, f func(site string) error) {
	sites, err := p.base.DB.Sites(ctx)
	if err != nil {
		if !stopped(ctx) {
			p.base.Log.Error("a job failed", "job", what, "error", err)
		}
		return
	}
	for _, s := range sites {
		if err := f(s); err != nil && !stopped(ctx) {
			p.base.Log.Error("a job failed", "job", what, "site", s, "error", err)
		}
	}
}

func (p *parts) tick(ctx context.Context) {
	p.eachSite(ctx, "what is due", func(site string) error { return p.base.Tracker.Tick(ctx, site) })
}

func (p *parts) silence(ctx context.Context) {
	p.eachSite(ctx, "silent sensors", func(site string) error {
		return p.base.Tracker.Silence(ctx, site, p.base.Tracker.Now().UTC().Truncate(time.Microsecond))
	})
}

func (p *parts) partitions(ctx context.Context) {
	if err := p.base.DB.MakeMonths(ctx, p.base.Tracker.Now(), 3); err != nil && !stopped(ctx) {
		p.base.Log.Error("partitions ahead", "error", err)
	}
}

func (p *parts) recount(ctx context.Context) {
	p.eachSite(ctx, "recount", func(site string) error {
		n, differs, err := p.base.Tracker.Recount(ctx, site)
		if len(differs) > 0 {
			p.base.Log.Error("vial rows are not the sum of their events", "site", site, "vials", n, "differ", differs)
		}
		return err
	})
}

// snapshots keeps the metrics page fresh.
func (p *parts) snapshots(ctx context.Context) {
	every := time.NewTicker(p.base.Config.Metrics.SnapshotEvery)
	defer every.Stop()
	for {
		err := p.snapshot(ctx)
		if err != nil && !stopped(ctx) {
			p.page.Fail()
			p.base.Log.Error("metrics snapshot", "error", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-every.C:
		}
	}
}

func (p *parts) snapshot(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, snapshotWithin)
	defer cancel()
	s, err := p.base.DB.Snapshot(ctx, p.base.Tracker.Now())
	if err != nil {
		return err
	}
	if p.base.Tracker.Door != nil { // the demonstration has none
		s.SignIns = p.base.Tracker.Door.Count()
	}
	return p.page.Update(s, time.Now())
}

// Relay is the configured one.
func Relay(c config.Mail) mail.Relay {
	return mail.Relay{
		Addr: c.Relay, TLS: mail.Mode(c.TLS), RootCAs: c.RootCAs, Username: c.Username, Password: string(c.Password),
		Hello: c.Hello, From: c.From, Timeout: c.Timeout,
	}
}

// serve answers HTTP on a listener until ctx ends, then lets running requests finish.
func serve(ctx context.Context, l net.Listener, s *http.Server) error {
	ended := make(chan error, 1)
	go func() {
		if s.TLSConfig != nil {
			ended <- s.ServeTLS(l, "", "")
			return
		}
		ended <- s.Serve(l)
	}()
	select {
	case err := <-ended:
		return fmt.Errorf("serve HTTP: %w", err)
	case <-ctx.Done():
	}
	grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
	defer cancel()
	if err := s.Shutdown(grace); err != nil {
		return errors.Join(err, s.Close())
	}
	return nil
}
