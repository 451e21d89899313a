package web

import (
	"errors"
	"log/slog"
	"net/http"
	"runtime/debug"
	"time"
)

// watched remembers what was answered.
type watched struct {
	http.ResponseWriter
	status int
	bytes  int64
}

func (w *watched) WriteHeader(status int) {
	if w.status == 0 {
		w.status = status
	}
	w.ResponseWriter.WriteHeader(status)
}

func (w *watched) Write(b []byte) (int, error) {
	if w.status == 0 {
		w.status = http.StatusOK
	}
	n, err := w.ResponseWriter.Write(b)
	w.bytes += int64(n)
	return n, err
}

// Unwrap lets http.ResponseController reach the connection's deadlines.
func (w *watched) Unwrap() http.ResponseWriter { return w.ResponseWriter }

// logged writes one line a request: path and outcome, never a query, header or body, where tokens and names may stand.
// What machines ask all day is logged at debug level unless it fails.
func (s *Server) logged(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		seen := &watched{ResponseWriter: w}
		defer s.line(r, seen, time.Now())
		next.ServeHTTP(seen, r)
	})
}

func (s *Server) line(r *http.Request, seen *watched, begun time.Time) {
	level := slog.LevelInfo
	switch {
	case seen.status >= http.StatusInternalServerError && r.URL.Path != "/readyz": // whose 503 is its answer
		level = slog.LevelWarn
	case r.URL.Path == "/readyz", seen.status == http.StatusTooManyRequests, // thousands a second, and said once a minute where they are refused
		seen.status < http.StatusBadRequest && (r.Method == http.MethodGet || r.URL.Path == readingsPath):
		level = slog.LevelDebug
	}
	s.Log.Log(r.Context(), level, "request", "method", r.Method, "path", r.URL.Path, "status", seen.status,
		"bytes", seen.bytes, "took", time.Since(begun).Round(10*time.Microsecond), "from", arrivalOf(r).address)
}

// calm turns a panic into a stack trace for the operator and a sentence for whoever asked. Where the answer had begun,
// the connection is cut, so that half of it does not look like the whole.
func (s *Server) calm(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer func() {
			if fault := recover(); fault != nil {
				s.rescue(w, r, fault)
			}
		}()
		next.ServeHTTP(w, r)
	})
}

func (s *Server) rescue(w http.ResponseWriter, r *http.Request, fault any) {
	if err, ok := fault.(error); ok && errors.Is(err, http.ErrAbortHandler) {
		panic(fault)
	}
	s.Log.ErrorContext(r.Context(), "panic in a request", "method", r.Method, "path", r.URL.Path, "panic", fault, "stack", string(debug.Stack()))
	if seen, ok := w.(*watched); ok && seen.status > 0 {
		panic(http.ErrAbortHandler)
	}
	tell(w, r, aboutBlank(http.StatusInternalServerError, oops))
}

// oops is all that is said of a fault of the program: the rest is in its log.
const oops = "Something went wrong inside vialward. Look whether what you did was recorded, and try again if not; if it stays, tell whoever runs it: its log says more."
