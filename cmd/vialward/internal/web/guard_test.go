package web

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
)

// frame is a server without a record, for what a request passes before it needs one.
func frame() *Server {
	return &Server{
		Log: slog.New(slog.DiscardHandler), Now: func() time.Time { return morning },
		Extra: map[string]http.Handler{"/demo/echo": http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { plain(w, http.StatusOK, r.Method) })},
	}
}

func pass(h http.Handler, r *http.Request) answer {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return answer{w.Code, w.Result().Header, w.Body.Bytes()}
}

func request(method, path string) *http.Request {
	r := httptest.NewRequest(method, path, http.NoBody)
	r.Host = "127.0.0.1:8080"
	return r
}

// While the database opens or migrates the daemon is alive and not ready, and says so to every request; then it serves.
func TestBeforeTheRecordIsOpen(t *testing.T) {
	t.Parallel()
	s := frame()
	starting := errors.New("the schema is being brought up to date")
	s.Ready = func(context.Context) error { return starting }
	s.Metrics = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { plain(w, http.StatusOK, "vialward_up 0") })
	h := s.Handler()
	require.Equal(t, http.StatusOK, pass(h, request(http.MethodGet, "/livez")).status)
	require.Equal(t, "vialward_up 0\n", string(pass(h, request(http.MethodGet, "/metrics")).body))
	a := pass(h, request(http.MethodGet, "/readyz"))
	require.Equal(t, http.StatusServiceUnavailable, a.status)
	require.Equal(t, starting.Error(), a.problem(t).Detail)
	a = pass(h, request(http.MethodGet, "/api/v1/units"))
	require.Equal(t, http.StatusServiceUnavailable, a.status)
	require.Contains(t, a.problem(t).Detail, "starting")
	a = pass(h, request(http.MethodGet, "/demo/echo"))
	require.Equal(t, http.StatusServiceUnavailable, a.status)
	require.Equal(t, "text/plain; charset=utf-8", a.header.Get("Content-Type"), "a sentence for people")

	starting = nil
	s.Use(&tracker.Tracker{Now: s.Now})
	require.Equal(t, "ready\n", string(pass(h, request(http.MethodGet, "/readyz")).body))
	require.Equal(t, http.StatusOK, pass(h, request(http.MethodGet, "/demo/echo")).status)
}

// Who may ask: this machine by its own names, its own pages, and programs with a token. A name that was pointed at
// 127.0.0.1 from outside, and a page of another origin, may not.
func TestHostsAndOrigins(t *testing.T) {
	t.Parallel()
	s := frame()
	s.Tracker = &tracker.Tracker{Now: s.Now}
	h := s.Handler()
	for _, x := range []struct {
		method, host, origin, site string
		status                     int
	}{
		{http.MethodGet, "localhost", "", "", http.StatusOK},
		{http.MethodGet, "LOCALHOST:8080", "", "", http.StatusOK},
		{http.MethodGet, "127.0.0.1:8080", "", "", http.StatusOK},
		{http.MethodGet, "127.8.9.1", "", "", http.StatusOK},
		{http.MethodGet, "[::1]:8080", "", "", http.StatusOK},
		{http.MethodGet, "[::1]", "", "", http.StatusOK},
		{http.MethodGet, "[::ffff:127.0.0.1]:8080", "", "", http.StatusOK},
		{http.MethodGet, "rebound.example:8080", "", "", http.StatusMisdirectedRequest},
		{http.MethodGet, "localhost.rebound.example", "", "", http.StatusMisdirectedRequest},
		{http.MethodGet, "127.0.0.1.rebound.example", "", "", http.StatusMisdirectedRequest},
		{http.MethodGet, "10.0.0.7:8080", "", "", http.StatusMisdirectedRequest},
		{http.MethodGet, "0.0.0.0:8080", "", "", http.StatusMisdirectedRequest},
		{http.MethodGet, "", "", "", http.StatusMisdirectedRequest},
		{http.MethodGet, "127.0.0.1:8080", "http://other.example", "cross-site", http.StatusOK}, // a link from elsewhere
		{http.MethodPost, "127.0.0.1:8080", "", "", http.StatusOK},                              // no browser
		{http.MethodPost, "127.0.0.1:8080", "http://127.0.0.1:8080", "same-origin", http.StatusOK},
		{http.MethodPost, "127.0.0.1:8080", "http://other.example", "cross-site", http.StatusForbidden},
		{http.MethodPost, "127.0.0.1:8080", "http://127.0.0.1:9999", "same-site", http.StatusForbidden},
		{http.MethodPost, "127.0.0.1:8080", "http://other.example", "", http.StatusForbidden}, // an old browser
		{http.MethodPost, "127.0.0.1:8080", "null", "", http.StatusForbidden},
	} {
		r := request(x.method, "/demo/echo")
		r.Host = x.host
		if x.origin != "" {
			r.Header.Set("Origin", x.origin)
		}
		if x.site != "" {
			r.Header.Set("Sec-Fetch-Site", x.site)
		}
		a := pass(h, r)
		require.Equal(t, x.status, a.status, "%+v: %s", x, a.body)
		require.Equal(t, "text/plain; charset=utf-8", a.header.Get("Content-Type"))
	}
	r := request(http.MethodGet, "/api/v1/openapi.json")
	r.Host = "rebound.example"
	a := pass(h, r)
	require.Equal(t, http.StatusMisdirectedRequest, a.status)
	require.Contains(t, a.problem(t).Detail, "localhost")
}

// Every answer, a refusal too, tells the browser to take nothing but what comes from here as a file.
func TestSecurityHeaders(t *testing.T) {
	t.Parallel()
	s := frame()
	h := s.Handler()
	r := request(http.MethodGet, "/livez")
	r.Host = "rebound.example"
	for _, a := range []answer{pass(h, request(http.MethodGet, "/livez")), pass(h, request(http.MethodGet, "/nothing")), pass(h, r)} {
		csp := a.header.Get("Content-Security-Policy")
		require.Contains(t, csp, "default-src 'self'")
		require.Contains(t, csp, "frame-ancestors 'none'")
		require.NotContains(t, csp, "unsafe")
		require.Equal(t, "nosniff", a.header.Get("X-Content-Type-Options"))
		require.Equal(t, "same-origin", a.header.Get("Referrer-Policy"))
	}
}

// A fault of the program: the log has the stack, whoever asked a sentence without it. A token never reaches the log.
func TestPanicEndsInASentence(t *testing.T) {
	t.Parallel()
	var log strings.Builder
	s := frame()
	s.Log = slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	s.Tracker = &tracker.Tracker{Now: s.Now}
	s.Extra["/demo/fault"] = http.HandlerFunc(func(http.ResponseWriter, *http.Request) { panic("the shelf fell down") })
	s.Extra["/demo/half"] = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		_, _ = w.Write([]byte("half of "))
		panic("the shelf fell down")
	})
	h := s.Handler()
	r := request(http.MethodGet, "/demo/fault?secret=inquery")
	r.Header.Set("Authorization", "Bearer inheader")
	a := pass(h, r)
	require.Equal(t, http.StatusInternalServerError, a.status)
	require.Equal(t, oops+"\n", string(a.body))
	require.Contains(t, log.String(), "the shelf fell down")
	require.Contains(t, log.String(), "guard_test.go", "the stack")
	require.Contains(t, log.String(), "status=500")
	require.NotContains(t, log.String(), "inquery")
	require.NotContains(t, log.String(), "inheader")

	s.Ready = func(context.Context) error { panic("the shelf fell down") }
	a = pass(h, request(http.MethodGet, "/readyz"))
	require.Equal(t, http.StatusInternalServerError, a.status)
	require.Equal(t, oops, a.problem(t).Detail)

	require.PanicsWithValue(t, http.ErrAbortHandler, func() { pass(h, request(http.MethodGet, "/demo/half")) },
		"half an answer is cut off, so that it does not look whole")
}

// listening serves s over a real connection, with limits a test can wait for.
func listening(t *testing.T, s *Server, change func(*http.Server)) net.Conn {
	t.Helper()
	server := s.HTTP()
	require.LessOrEqual(t, server.ReadHeaderTimeout, 10*time.Second)
	require.LessOrEqual(t, server.ReadTimeout, 30*time.Second)
	require.LessOrEqual(t, server.WriteTimeout, time.Minute)
	require.LessOrEqual(t, server.IdleTimeout, 2*time.Minute)
	for _, limit := range []time.Duration{server.ReadHeaderTimeout, server.ReadTimeout, server.WriteTimeout, server.IdleTimeout} {
		require.Positive(t, limit)
	}
	require.Positive(t, server.MaxHeaderBytes)
	change(server)
	l, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(l) }()
	t.Cleanup(func() {
		require.NoError(t, server.Close())
		require.ErrorIs(t, <-ended, http.ErrServerClosed)
	})
	c, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", l.Addr().String())
	require.NoError(t, err)
	t.Cleanup(func() { c.Close() })
	require.NoError(t, c.SetDeadline(time.Now().Add(20*time.Second)))
	return c
}

// A client that sends its head drop by drop loses its connection.
func TestSlowHead(t *testing.T) {
	t.Parallel()
	c := listening(t, frame(), func(s *http.Server) { s.ReadHeaderTimeout = 50 * time.Millisecond })
	_, err := fmt.Fprint(c, "GET /livez HTTP/1.1\r\nHost: local")
	require.NoError(t, err)
	rest, err := io.ReadAll(c)
	require.NoError(t, err, "the server ends the connection")
	require.NotContains(t, string(rest), "200 OK")
}

// A body that stops halfway is told so.
func TestSlowBody(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	c := listening(t, s.Server, func(s *http.Server) { s.ReadTimeout = 300 * time.Millisecond })
	_, err := fmt.Fprint(c, "POST /api/v1/vials/hold HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer tech-1\r\nContent-Type: application/json\r\nContent-Length: 100\r\n\r\n{\"vials\":")
	require.NoError(t, err)
	r, err := http.ReadResponse(bufio.NewReader(c), nil)
	require.NoError(t, err)
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	require.NoError(t, err)
	a := answer{r.StatusCode, r.Header, text}
	require.Equal(t, http.StatusRequestTimeout, a.status, "%s", text)
	require.Contains(t, a.problem(t).Detail, "too slowly")
}

// A head beyond all measure is not read to its end.
func TestLongHead(t *testing.T) {
	t.Parallel()
	c := listening(t, frame(), func(*http.Server) {})
	go func() { // the server may stop reading before all of it is written
		_, _ = fmt.Fprintf(c, "GET /livez HTTP/1.1\r\nHost: localhost\r\nX-Long: %s\r\n\r\n", strings.Repeat("x", 100<<10))
	}()
	r, err := http.ReadResponse(bufio.NewReader(c), nil)
	require.NoError(t, err)
	defer r.Body.Close()
	require.Equal(t, http.StatusRequestHeaderFieldsTooLarge, r.StatusCode)
}
