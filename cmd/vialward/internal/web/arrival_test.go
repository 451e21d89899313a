package web

import (
	"crypto/tls"
	"net/http"
	"net/netip"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
)

// reachable is a server as others reach it: by name, through a proxy of ours or over TLS.
func reachable() *Server {
	s := frame()
	s.Tracker = &tracker.Tracker{Now: s.Now}
	s.PublicName = "vials.pharmacy.example"
	s.Proxies = []netip.Prefix{netip.MustParsePrefix("10.0.0.2/32"), netip.MustParsePrefix("2001:db8::/64"), netip.MustParsePrefix("127.0.0.1/32")}
	return s
}

// What headers say of a request counts only where a proxy of ours said it: of the addresses, the last that is not ours.
func TestWhoAsks(t *testing.T) {
	t.Parallel()
	s := reachable()
	for name, x := range map[string]struct {
		peer, host string
		forwarded  []string
		proto      []string
		overTLS    bool
		want       arrival
		wrong      bool
	}{
		"a stranger who says otherwise":       {"203.0.113.9:1", "vials.pharmacy.example", []string{"127.0.0.1"}, []string{"https"}, false, arrival{address: "203.0.113.9"}, false},
		"a stranger over TLS":                 {"203.0.113.9:1", "vials.pharmacy.example", nil, nil, true, arrival{address: "203.0.113.9", secure: true}, false},
		"a stranger over TLS, saying http":    {"203.0.113.9:1", "vials.pharmacy.example", []string{"192.0.2.1"}, []string{"http"}, true, arrival{address: "203.0.113.9", secure: true}, false},
		"through a proxy":                     {"10.0.0.2:1", "vials.pharmacy.example", []string{"203.0.113.9"}, []string{"https"}, false, arrival{address: "203.0.113.9", secure: true, proxied: true}, false},
		"through two of them":                 {"10.0.0.2:1", "vials.pharmacy.example", []string{"203.0.113.9, 2001:db8::5"}, []string{"https"}, false, arrival{address: "203.0.113.9", secure: true, proxied: true}, false},
		"in two headers":                      {"10.0.0.2:1", "vials.pharmacy.example", []string{"203.0.113.9", "2001:db8::5"}, []string{"https"}, false, arrival{address: "203.0.113.9", secure: true, proxied: true}, false},
		"what the stranger wrote before":      {"10.0.0.2:1", "vials.pharmacy.example", []string{"127.0.0.1, 10.0.0.2, 203.0.113.9"}, []string{"https"}, false, arrival{address: "203.0.113.9", secure: true, proxied: true}, false},
		"rubbish before":                      {"10.0.0.2:1", "vials.pharmacy.example", []string{"'; --, 203.0.113.9:4711"}, []string{"https"}, false, arrival{address: "203.0.113.9", secure: true, proxied: true}, false},
		"rubbish at the end":                  {"10.0.0.2:1", "vials.pharmacy.example", []string{"203.0.113.9, unknown"}, []string{"https"}, false, arrival{address: "10.0.0.2", secure: true, proxied: true}, true},
		"in the open before the proxy":        {"10.0.0.2:1", "vials.pharmacy.example", []string{"203.0.113.9"}, []string{"http"}, false, arrival{address: "203.0.113.9", proxied: true}, false},
		"a proxy that says nothing":           {"10.0.0.2:1", "vials.pharmacy.example", nil, nil, false, arrival{address: "10.0.0.2", proxied: true}, true},
		"a proxy that lets two be said":       {"10.0.0.2:1", "vials.pharmacy.example", []string{"203.0.113.9"}, []string{"http", "https"}, false, arrival{address: "203.0.113.9", proxied: true}, true},
		"the proxy asks for itself":           {"10.0.0.2:1", "vials.pharmacy.example", []string{"10.0.0.2"}, []string{"https"}, false, arrival{address: "10.0.0.2", secure: true, proxied: true}, false},
		"an address of the old kind, mapped":  {"[::ffff:10.0.0.2]:1", "vials.pharmacy.example", []string{"::ffff:203.0.113.9"}, []string{"https"}, false, arrival{address: "203.0.113.9", secure: true, proxied: true}, false},
		"this machine":                        {"[::1]:1", "localhost:8080", nil, nil, false, arrival{address: "::1", here: true}, false},
		"this machine, which is a proxy too":  {"127.0.0.1:1", "127.0.0.1:8080", nil, nil, false, arrival{address: "127.0.0.1", here: true}, false},
		"the proxy on it, by our own address": {"127.0.0.1:1", "127.0.0.1:8080", []string{"203.0.113.9"}, []string{"https"}, false, arrival{address: "203.0.113.9", secure: true, proxied: true}, false},
	} {
		r := request(http.MethodGet, "/demo/echo")
		r.RemoteAddr, r.Host = x.peer, x.host
		r.Header["X-Forwarded-For"], r.Header["X-Forwarded-Proto"] = x.forwarded, x.proto
		if x.overTLS {
			r.TLS = &tls.ConnectionState{}
		}
		got := s.arrive(r)
		require.Equal(t, x.wrong, got.wrong != nil, "%s: %v", name, got.wrong)
		got.wrong = nil
		require.Equal(t, x.want, got, name)
	}
}

// By another machine it is reached by its one name, and encrypted; what was sent in the open is not done.
func TestOnlyByNameAndEncrypted(t *testing.T) {
	t.Parallel()
	s := reachable()
	h := s.Handler()
	const name = "vials.pharmacy.example"
	for _, x := range []struct {
		method, path, host, peer, proto string
		overTLS                         bool
		status                          int
	}{
		{http.MethodGet, "/demo/echo", name, "203.0.113.9:1", "", true, http.StatusOK},
		{http.MethodGet, "/demo/echo", "VIALS.pharmacy.example:8443", "203.0.113.9:1", "", true, http.StatusOK},
		{http.MethodGet, "/demo/echo", name, "10.0.0.2:1", "https", false, http.StatusOK},
		{http.MethodGet, "/demo/echo", "localhost:8080", "127.0.0.1:1", "", false, http.StatusOK},
		{http.MethodGet, "/demo/echo?x=1", name, "203.0.113.9:1", "", false, http.StatusPermanentRedirect},
		{http.MethodGet, "/demo/echo?x=1", name, "10.0.0.2:1", "http", false, http.StatusPermanentRedirect},
		{http.MethodPost, "/demo/echo", name, "203.0.113.9:1", "", false, http.StatusForbidden},
		{http.MethodPost, "/demo/echo", name, "10.0.0.2:1", "http", false, http.StatusForbidden},
		{http.MethodGet, "/api/v1/units", name, "203.0.113.9:1", "", false, http.StatusForbidden},
		{http.MethodPost, "/demo/echo", "localhost", "203.0.113.9:1", "", false, http.StatusForbidden}, // says it is here, and is not
		{http.MethodGet, "/demo/echo", name, "10.0.0.2:1", "", false, http.StatusBadGateway},
		{http.MethodGet, "/demo/echo", "rebound.example", "127.0.0.1:1", "", false, http.StatusMisdirectedRequest},
		{http.MethodGet, "/demo/echo", "rebound.example", "203.0.113.9:1", "", true, http.StatusMisdirectedRequest},
		{http.MethodGet, "/demo/echo", "vials.pharmacy.example.rebound.example", "203.0.113.9:1", "", true, http.StatusMisdirectedRequest},
		{http.MethodGet, "/demo/echo", "10.0.0.1:8080", "203.0.113.9:1", "", true, http.StatusMisdirectedRequest},
		{http.MethodGet, "/livez", "10.0.0.1:8080", "203.0.113.9:1", "", false, http.StatusOK}, // a balancer's probe
		{http.MethodGet, "/readyz", "10.0.0.1:8080", "10.0.0.2:1", "", false, http.StatusOK},
	} {
		r := request(x.method, x.path)
		r.RemoteAddr, r.Host = x.peer, x.host
		if x.proto != "" {
			r.Header.Set("X-Forwarded-Proto", x.proto)
			r.Header.Set("X-Forwarded-For", "203.0.113.9")
		}
		if x.overTLS {
			r.TLS = &tls.ConnectionState{}
		}
		a := pass(h, r)
		require.Equal(t, x.status, a.status, "%+v: %s", x, a.body)
		if x.status == http.StatusPermanentRedirect {
			require.Equal(t, "https://vials.pharmacy.example/demo/echo?x=1", a.header.Get("Location"))
		}
		secure := x.overTLS || x.proto == "https"
		require.Equal(t, secure && x.status == http.StatusOK && !strings.HasSuffix(x.path, "z"), a.header.Get("Strict-Transport-Security") != "", "%+v", x)
	}
}

// A page of ours may be asked for by the public name although the proxy asks us by another one; another origin's may not.
func TestOriginBehindAProxy(t *testing.T) {
	t.Parallel()
	s := reachable()
	h := s.Handler()
	for origin, status := range map[string]int{"https://vials.pharmacy.example": http.StatusOK, "https://other.example": http.StatusForbidden, "null": http.StatusForbidden} {
		r := request(http.MethodPost, "/demo/echo")
		r.RemoteAddr, r.Host = "10.0.0.2:1", "127.0.0.1:8080"
		r.Header.Set("X-Forwarded-Proto", "https")
		r.Header.Set("X-Forwarded-For", "203.0.113.9")
		r.Header.Set("Origin", origin)
		require.Equal(t, status, pass(h, r).status, origin)
	}
}

// What a probe and a scraper are told from afar names no machine and no account.
func TestFromAfar(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	s.PublicName = "vials.pharmacy.example"
	s.Metrics = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { plain(w, http.StatusOK, "vialward_up 1") })
	h := s.Handler()
	ask := func(path, token string, peer string) answer {
		r := request(http.MethodGet, path)
		r.RemoteAddr, r.Host, r.TLS = peer, "vials.pharmacy.example", &tls.ConnectionState{}
		if token != "" {
			r.Header.Set("Authorization", "Bearer "+token)
		}
		return pass(h, r)
	}
	require.Equal(t, http.StatusOK, ask("/metrics", "", "127.0.0.1:1").status)
	require.Equal(t, http.StatusUnauthorized, ask("/metrics", "", "203.0.113.9:1").status)
	require.Equal(t, http.StatusForbidden, ask("/metrics", "logger", "203.0.113.9:1").status)
	require.Equal(t, http.StatusOK, ask("/metrics", "reader", "203.0.113.9:1").status)
}

// The headers a stranger sends are read whatever they are, and make nobody somebody.
func FuzzArrival(f *testing.F) {
	f.Add("10.0.0.2:1", "vials.pharmacy.example", "203.0.113.9, 10.0.0.2", "https", "vialward=AAAA")
	f.Add("[::1]:1", "[::1]", ",", "http", "vialward=x; vialward=y; __Host-vialward-device=\"")
	f.Add("", "", "", "", "")
	s := reachable()
	f.Fuzz(func(t *testing.T, peer, host, forwarded, proto, cookie string) {
		r := request(http.MethodGet, "/demo/echo")
		r.RemoteAddr, r.Host = peer, host
		r.Header.Set("X-Forwarded-For", forwarded)
		r.Header.Set("X-Forwarded-Proto", proto)
		r.Header.Set("Cookie", cookie)
		a := s.arrive(r)
		at, err := netip.ParseAddr(withoutPort(peer))
		ours := err == nil && s.isProxy(at.Unmap().WithZone(""))
		if !ours && (a.secure || a.proxied || a.address != withoutPort(peer)) {
			t.Fatalf("a stranger's headers count: %+v", a)
		}
		if a.here && !at.Unmap().IsLoopback() {
			t.Fatalf("not from here: %+v", a)
		}
		for _, name := range []string{sessionCookie, deviceCookie} {
			if got := kept(r, name); got != "" && !strings.Contains(cookie, name) {
				t.Fatalf("%s out of nothing: %q", name, got)
			}
		}
		pass(s.Handler(), r)
	})
}
