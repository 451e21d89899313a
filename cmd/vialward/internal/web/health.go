package web

import (
	"net/http"
)

// live answers while the process serves, also while it migrates or the database is away: a probe that restarts the
// daemon must not end a long migration.
func live(w http.ResponseWriter, _ *http.Request) { plain(w, http.StatusOK, "alive") }

// readyz says whether requests can be served, or in a sentence why not.
func (s *Server) readyz(w http.ResponseWriter, r *http.Request) {
	if s.Ready != nil {
		if err := s.Ready(r.Context()); err != nil {
			tell(w, r, problem{Type: urn("not-ready"), Title: "Not ready", Status: http.StatusServiceUnavailable, Detail: err.Error()})
			return
		}
	}
	plain(w, http.StatusOK, "ready")
}

// whenOpen answers 503 to whatever needs the record before it is open.
func (s *Server) whenOpen(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !s.open.Load() {
			tell(w, r, problem{
				Type: urn("not-ready"), Title: "Starting", Status: http.StatusServiceUnavailable, retryAfter: true,
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
