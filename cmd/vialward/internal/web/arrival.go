package web

import (
	"context"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
)

// arrival is how a request came. What headers say of it counts only where a proxy that the configuration names said so.
type arrival struct {
	address string // of whoever asks
	secure  bool   // over TLS, to us or to a proxy of ours
	proxied bool
	here    bool // from this machine, by nobody's hand in between
	wrong   error
}

type arrivalKey struct{}

func arrivalOf(r *http.Request) arrival {
	a, _ := r.Context().Value(arrivalKey{}).(arrival)
	return a
}

// arrived settles it once, for all that comes after.
func (s *Server) arrived(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), arrivalKey{}, s.arrive(r))))
	})
}

func (s *Server) arrive(r *http.Request) arrival {
	a := arrival{address: withoutPort(r.RemoteAddr), secure: r.TLS != nil}
	peer, err := netip.ParseAddr(a.address)
	peer = peer.Unmap().WithZone("")
	known := err == nil
	proto := r.Header.Values("X-Forwarded-Proto")
	if known && s.isProxy(peer) && (len(proto) > 0 || len(r.Header.Values("X-Forwarded-For")) > 0 || !loopback(r.Host)) {
		a.proxied = true
		a.address, a.wrong = s.forwardedFor(r)
		switch {
		case len(proto) == 1 && strings.EqualFold(strings.TrimSpace(proto[0]), "https"):
			a.secure = true
		case len(proto) == 1 && strings.EqualFold(strings.TrimSpace(proto[0]), "http"):
			a.secure = false
		default:
			a.secure = false
			a.wrong = wrong(http.StatusBadGateway, "The proxy before vialward does not say over what a request came to it. Whoever runs it lets it set X-Forwarded-Proto to https or http, once.")
		}
		return a
	}
	a.here = known && peer.IsLoopback() || s.PublicName == "" // without a name we listen to this machine only
	return a
}

// forwardedFor is the address that the last proxy which is not ours saw, or whoever asked: what stands further to the left
// in the header, anybody may have written.
func (s *Server) forwardedFor(r *http.Request) (string, error) {
	list := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
	for i, one := range slices.Backward(list) {
		at, err := netip.ParseAddr(withoutPort(strings.TrimSpace(one)))
		if err != nil {
			break
		}
		if at = at.Unmap().WithZone(""); !s.isProxy(at) || i == 0 {
			return at.String(), nil
		}
	}
	return withoutPort(r.RemoteAddr), wrong(http.StatusBadGateway, "The proxy before vialward does not say who asks. Whoever runs it lets it add the asker's address to X-Forwarded-For.")
}

func (s *Server) isProxy(a netip.Addr) bool {
	for _, p := range s.Proxies {
		if p.Contains(a) {
			return true
		}
	}
	return false
}

// named refuses a request that was addressed to another name than this server's, or that came in the open where it may
// not. A web page elsewhere can point a name of its own at this machine and have a browser here ask for it; the Host it
// sends gives it away. Health answers whoever can reach it.
func (s *Server) named(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		a := arrivalOf(r)
		health := r.URL.Path == "/livez" || r.URL.Path == "/readyz"
		switch {
		case !loopback(r.Host) && !s.isPublic(r.Host) && !(health && s.PublicName != ""):
			tell(w, r, aboutBlank(http.StatusMisdirectedRequest, s.answersTo()))
		case health:
			next.ServeHTTP(w, r)
		case a.wrong != nil:
			tell(w, r, s.problemOf(r, a.wrong))
		case !a.secure && !a.here:
			s.onlyTLS(w, r)
		default:
			if a.secure {
				w.Header().Set("Strict-Transport-Security", "max-age=31536000") // a year (RFC 6797)
			}
			next.ServeHTTP(w, r)
		}
	})
}

func (s *Server) answersTo() string {
	if s.PublicName == "" {
		return "This server answers to localhost and 127.0.0.1 only. From elsewhere, use a tunnel and its local address, or have whoever runs it set http.public_name."
	}
	return "This server answers to " + s.PublicName + " only. Use https://" + s.PublicName + "/"
}

// onlyTLS sends a reader on to the address that is encrypted. What was sent in the open is not done.
func (s *Server) onlyTLS(w http.ResponseWriter, r *http.Request) {
	if !forPrograms(r) && (r.Method == http.MethodGet || r.Method == http.MethodHead) {
		http.Redirect(w, r, "https://"+s.PublicName+r.URL.RequestURI(), http.StatusPermanentRedirect) //nolint:gosec // G710: the name is the configuration's
		return
	}
	tell(w, r, aboutBlank(http.StatusForbidden, "This came unencrypted, and was not done. Use https://"+s.PublicName+"/. A password or token that was sent with it may have been read on the way: change it."))
}

func (s *Server) isPublic(hostport string) bool {
	return s.PublicName != "" && strings.EqualFold(hostOf(hostport), hostOf(s.PublicName))
}

// hostOf is a name without its port and brackets.
func hostOf(hostport string) string {
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	}
	return strings.TrimSuffix(strings.TrimSuffix(strings.TrimPrefix(host, "["), "]"), ".")
}

// withoutPort is the address of "192.0.2.7:4711", "[2001:db8::7]:4711" and of an address alone.
func withoutPort(s string) string {
	if host, _, err := net.SplitHostPort(s); err == nil {
		return host
	}
	return strings.TrimSuffix(strings.TrimPrefix(s, "["), "]")
}

func loopback(hostport string) bool {
	host := hostOf(hostport)
	if strings.EqualFold(host, "localhost") {
		return true
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.Unmap().IsLoopback()
}
