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
)

// Run is the daemon: it answers /livez at once, opens the database, migrates, starts its parts, and is ready. When ctx
// ends it drains: requests, mail under way and files under way are finished, the database server goes last.
func Run(ctx context.Context, configFile string, stdout, stderr io.Writer) error {
	b, err := Begin(configFile, stderr)
	if err != nil {
		return err
	}
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", b.Config.HTTP.Listen)
	if err != nil {
		return fmt.Errorf("listen on %s: %w; is another daemon running there?", b.Config.HTTP.Listen, err)
	}
	p := &parts{base: b, page: &metrics.Page{}, ready: errStarting}
	server := &web.Server{
		Log: b.Log, Now: time.Now, Ready: p.isReady, Metrics: p.page.Handler(time.Now), MaxBodyBytes: int64(b.Config.HTTP.MaxBodyMB) << 20,
	}
	serving, stopServing := context.WithCancel(context.WithoutCancel(ctx))
	defer stopServing()
	served := make(chan error, 1)
	answering := server.HTTP() // made before Use may be called
	go func() { served <- serve(serving, l, answering) }()
	fmt.Fprintf(stdout, "vialward: pages and API on http://%s\n", l.Addr())

	err = p.live(ctx, server, served)
	p.setReady(errStopping)
	stopServing()
	return errors.Join(err, <-served, b.Close())
}

var errStopping = errors.New("the daemon is stopping")

// live opens the database and works until ctx ends or serving fails.
func (p *parts) live(ctx context.Context, server *web.Server, served chan error) error {
	working, stop := context.WithCancel(ctx)
	defer stop()
	if err := p.base.connect(ctx); err != nil {
		return err
	}
	server.Use(p.base.Tracker)
	if err := p.start(working); err != nil {
		stop()
		p.stop()
		return err
	}
	p.setReady(nil)
	p.base.Log.Info("ready")
	var err error
	select {
	case <-ctx.Done():
	case err = <-served:
		served <- nil
	}
	stop()
	p.stop()
	return err
}
