package web

import (
	"net/http"

	"vialward/tracker/walltime"
)

// live answers while the process serves, also while it migrates or the database is away: a probe that restarts the
// daemon must not end a long migration.
func live(w http.ResponseWriter, _ *http.Request) { plain(w, http.StatusOK, "alive") }

// readyz says whether requests can be served, or in a sentence why not.
func (s *Server) readyz(w http.ResponseWriter, r *http.Request) {
	if s.Ready != nil {
		if err := s.Ready(r.Context()); err != nil {
			say := err.Error()
			if !arrivalOf(r).here { // why not is nobody's business from afar: it names machines and accounts
				s.Log.WarnContext(r.Context(), "not ready", "error", err)
				say = "vialward is not ready; its log says why."
			}
			tell(w, r, problem{Type: urn("not-ready"), Title: "Not ready", Status: http.StatusServiceUnavailable, Detail: say})
			return
		}
	}
	plain(w, http.StatusOK, "ready")
}

// onlyWatchers lets metrics be read on this machine, and from elsewhere by whoever holds a token that reads.
func (s *Server) onlyWatchers(metrics http.Handler) http.Handler {
	byToken := s.whenOpen(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		q := &ask{w: w, r: r, t: s.Tracker, now: walltime.Cut(s.Tracker.Now())}
		if err := q.identify(r.Context(), scopeRead); err != nil {
			tell(w, r, s.problemOf(r, err))
			return
		}
		metrics.ServeHTTP(w, r)
	}))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if arrivalOf(r).here {
			metrics.ServeHTTP(w, r)
			return
		}
		byToken.ServeHTTP(w, r)
	})
}

// whenOpen answers 503 to whatever needs the record before it is open.
func (s *Server) whenOpen(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !s.open.Load() {
			tell(w, r, problem{
				Type: urn("not-ready"), Title: "Starting", Status: http.StatusServiceUnavailable, retryAfter: 2,
				Detail: "vialward is starting: its record is not open yet. Try again in a moment; /readyz says when.",
			})
			return
		}
		next.ServeHTTP(w, r)
	})
}

func plain(w http.ResponseWriter, status int, say string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write([]byte(say + "\n")) //nolint:gosec // plain text, and nosniff keeps it so; whoever asked may have gone
}
