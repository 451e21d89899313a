package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"time"

	"vialward/cmd/vialward/internal/web"
	"vialward/metrics"
	"vialward/tracker"
)

// Run is the daemon: it answers /livez at once, opens the database, migrates, starts its parts, and is ready. When ctx
// ends it drains: requests, mail under way and files under way are finished, the database server goes last. A database
// that is away is waited for, at the start as later; a second daemon on the state folder or the address is refused.
func Run(ctx context.Context, configFile string, stdout, stderr io.Writer) error {
	b, err := Begin(configFile, stderr)
	if err != nil {
		return err
	}
	if b.claim, err = claimState(b.Config.State.Folder); err != nil {
		return err
	}
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", b.Config.HTTP.Listen)
	if err != nil {
		err = fmt.Errorf("listen on %s: %w; is another daemon running there?", b.Config.HTTP.Listen, err)
		return errors.Join(err, b.Close())
	}
	p := &parts{base: b, page: &metrics.Page{}, ready: errStarting}
	server := &web.Server{
		Log: b.Log, Now: time.Now, Ready: p.isReady, Metrics: p.page.Handler(time.Now), MaxBodyBytes: int64(b.Config.HTTP.MaxBodyMB) << 20,
		PublicName: b.Config.HTTP.PublicName, Proxies: b.Config.HTTP.Proxies,
	}
	scheme, answering := "http", server.HTTP() // made before Use may be called
	if b.Config.HTTP.TLSCert != "" {
		scheme = "https"
		c, err := newCertificate(b.Config.HTTP, b.Log)
		if err != nil {
			return errors.Join(err, l.Close(), b.Close())
		}
		answering.TLSConfig = c.config()
	}
	serving, stopServing := context.WithCancel(context.WithoutCancel(ctx))
	defer stopServing()
	served := make(chan error, 1)
	ctx, end := context.WithCancel(ctx)
	defer end()
	go func() {
		defer end() // a daemon that answers nobody ends
		served <- serve(serving, l, answering)
	}()
	fmt.Fprintf(stdout, "vialward: pages and API on %s://%s\n", scheme, l.Addr())

	err = p.live(ctx, server)
	stopServing()
	return errors.Join(err, <-served, b.Close())
}

var errStopping = errors.New("the daemon is stopping")

// live opens the database and works until ctx ends.
func (p *parts) live(ctx context.Context, server *web.Server) error {
	if err := p.open(ctx); err != nil {
		if ctx.Err() != nil { // told to stop before there was anything to stop
			return nil
		}
		return err
	}
	working, stop := context.WithCancel(ctx)
	defer p.stop()
	defer stop()
	server.Use(p.base.Tracker)
	if err := p.start(working); err != nil {
		return err
	}
	p.setReady(nil)
	p.base.Log.Info("ready")
	<-ctx.Done()
	p.setReady(errStopping)
	return nil
}

// open connects and migrates, again and again while the database is away: machines start in any order.
func (p *parts) open(ctx context.Context) error {
	for {
		var err error
		if p.base.DB == nil {
			err = p.base.connect(ctx)
		}
		if err == nil {
			err = p.giveBack(ctx)
		}
		if !errors.Is(err, tracker.ErrAway) || ctx.Err() != nil {
			return err
		}
		p.setReady(fmt.Errorf("the daemon is starting: %w", err))
		p.base.Log.Error("the database cannot be opened yet", "error", err)
		if err := pause(ctx, awayForNow); err != nil {
			return err
		}
	}
}

// giveBack makes due at once what a daemon that was killed here had claimed of the outbox: a page at night does not wait
// for a dead one's lease to run out.
func (p *parts) giveBack(ctx context.Context) error {
	left, err := p.base.DB.GiveBack(ctx, p.base.claim.name)
	if left > 0 {
		p.base.Log.Info("mails a killed daemon had begun are due again", "mails", left)
	}
	return err
}
