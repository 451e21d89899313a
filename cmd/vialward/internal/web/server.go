// Package web is the pages and the JSON API over HTTP. server.go is the frame: what a request passes before it reaches
// its page or its operation. api_routes.go is the table of the API, served.go that of the pages and all else.
//
// From other machines it is reached by one name and over TLS only (arrival.go); whoever looks at a page has signed in
// (session.go), and a program shows a token (auth.go).
package web

import (
	"context"
	"log/slog"
	"net/http"
	"net/netip"
	"sync/atomic"
	"time"

	"vialward/cmd/vialward/internal/intake"
	"vialward/tracker"
)

// Server answers HTTP. Its fields are set before Handler is called, and not changed after; Tracker may be left out and
// given with Use once the database is open. Handlers of pages and API run only when it is there, and may read it.
type Server struct {
	Tracker *tracker.Tracker
	Log     *slog.Logger
	Now     func() time.Time            // the site's clock: the machine's, or the demo's
	Ready   func(context.Context) error // nil = ready; its error is shown to whoever asks /readyz
	Metrics http.Handler                // nil = none

	MaxBodyBytes int64                   // longest body of a request; 0 = 64 MiB
	Extra        map[string]http.Handler // further pages by mux pattern: the demo's mail
	DemoClock    bool                    // pages say that they stand on an invented calendar

	PublicName string         // host or host:port by which others reach it, over TLS only; "" = from this machine only
	Proxies    []netip.Prefix // whose X-Forwarded-For and X-Forwarded-Proto count

	open  atomic.Bool // Tracker is there
	sites atomic.Pointer[siteCodes]
	small *intake.Collector
}

// defaultMaxBody is a day of one-second readings of thirty sensors in the plain form.
const defaultMaxBody = 64 << 20

// Use gives a running server its operations; the requests that came before were answered with 503.
func (s *Server) Use(t *tracker.Tracker) {
	s.Tracker = t
	s.small = &intake.Collector{Take: t.TakeInMany, Log: s.Log}
	s.open.Store(true)
}

// Handler is everything, in the order in which a request passes it: it is logged, a panic below ends in a sentence, its
// answer gets the security headers, its host and origin are looked at, its body is bounded.
func (s *Server) Handler() http.Handler {
	if s.Tracker != nil {
		s.Use(s.Tracker)
	}
	if s.MaxBodyBytes <= 0 {
		s.MaxBodyBytes = defaultMaxBody
	}
	return s.arrived(s.logged(s.calm(hardened(s.named(s.sameOrigin(s.bounded(s.routes())))))))
}

// HTTP is a server for Handler with its limits set: a client that sends its head or body slowly, or reads slowly, gives
// up its connection. Posts of readings are given longer (takeReadings).
func (s *Server) HTTP() *http.Server {
	return &http.Server{
		Handler:           s.Handler(),
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       30 * time.Second,
		WriteTimeout:      time.Minute,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    32 << 10,
		ErrorLog:          slog.NewLogLogger(s.Log.Handler(), slog.LevelWarn),
	}
}
