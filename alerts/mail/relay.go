// Package mail hands the outbox's rows to an SMTP relay (RFC 5321), and catches mail for the demo and for tests.
//
// What it promises: a row ends as accepted only when the relay answered 250 to the whole message, whatever happens on
// the connection afterwards. It ends as failed only when the relay refused this recipient or this message for good.
// Everything else leaves it waiting with the reason. A mail is sent twice only if the relay's answer, or our record of
// it, was lost, and then with the same Message-ID.
package mail

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	netmail "net/mail"
	"os"
	"time"
)

// Mode is how the connection to the relay is protected.
type Mode string

const (
	STARTTLS Mode = "starttls" // port 587 or 25: plain greeting, then TLS, else nothing is sent (RFC 3207)
	Implicit Mode = "implicit" // port 465: TLS from the first byte (RFC 8314)
	None     Mode = "none"     // loopback only
)

// Relay is where mail goes, and how.
type Relay struct {
	Addr       string // host:port
	TLS        Mode
	ServerName string         // in the relay's certificate; "" = the host of Addr
	RootCAs    *x509.CertPool // nil = the machine's
	Username   string         // "" = no AUTH
	Password   string
	Hello      string        // our name in EHLO; "" = localhost
	From       string        // "Name <address>" or an address
	Timeout    time.Duration // for one mail, connecting included; 0 = 30 s

	// Dial connects; nil = a TCP dialer. Tests run over pipes, on a clock of their own.
	Dial func(ctx context.Context, network, addr string) (net.Conn, error)
}

// defaultTimeout bounds one mail. RFC 5321, 4.5.3.2 allows ten minutes for the answer to the final dot; a page at night
// cannot wait that long, and a mail given up too early is sent again under the same Message-ID.
const defaultTimeout = 30 * time.Second

func (r Relay) timeout() time.Duration {
	if r.Timeout <= 0 {
		return defaultTimeout
	}
	return r.Timeout
}

// Check says everything that is wrong with the settings, in sentences; nil = usable.
func (r Relay) Check() error {
	var wrong []error
	host, _, err := net.SplitHostPort(r.Addr)
	if err != nil {
		wrong = append(wrong, fmt.Errorf("relay address %q: write host:port", r.Addr))
	}
	switch r.TLS {
	case STARTTLS, Implicit:
	case None:
		if err == nil && !loopback(host) {
			wrong = append(wrong, fmt.Errorf("relay %s: without TLS only a relay on this machine is allowed; set starttls or implicit", r.Addr))
		}
	default:
		wrong = append(wrong, fmt.Errorf("relay TLS %q: one of starttls, implicit, none", r.TLS))
	}
	if _, err := netmail.ParseAddress(r.From); err != nil {
		wrong = append(wrong, fmt.Errorf("sender %q is not an address; write name@domain or Name <name@domain>", r.From))
	}
	if r.Password != "" && r.Username == "" {
		wrong = append(wrong, errors.New("relay: a password without a user name"))
	}
	return errors.Join(wrong...)
}

// ReadRootCAs reads certificates in PEM form: of a relay that signs its own.
func ReadRootCAs(path string) (*x509.CertPool, error) {
	pem, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("reading the relay's certificates: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("reading the relay's certificates: %s holds no certificate in PEM form", path)
	}
	return pool, nil
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

func (r Relay) tls() *tls.Config {
	name := r.ServerName
	if name == "" {
		name, _, _ = net.SplitHostPort(r.Addr)
	}
	return &tls.Config{ServerName: name, RootCAs: r.RootCAs, MinVersion: tls.VersionTLS12}
}

func (r Relay) dial(ctx context.Context) (net.Conn, error) {
	if r.Dial != nil {
		return r.Dial(ctx, "tcp", r.Addr)
	}
	conn, err := (&net.Dialer{}).DialContext(ctx, "tcp", r.Addr)
	if err != nil {
		return nil, err
	}
	// "localhost" is a name like any other: what it led to decides.
	if a, ok := conn.RemoteAddr().(*net.TCPAddr); r.TLS == None && ok && !a.IP.IsLoopback() {
		conn.Close() //nolint:errcheck,gosec // nothing was written
		return nil, fmt.Errorf("%s is not on this machine, and TLS is off", a)
	}
	return conn, nil
}
