package app

import (
	"crypto/tls"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"

	"vialward/cmd/vialward/internal/config"
)

// certificate is the daemon's own, read again when its files have changed. Two that do not go together, as there are for a
// moment while both are written, leave the one before in use.
type certificate struct {
	http config.HTTP
	log  *slog.Logger

	mu     sync.Mutex
	pair   tls.Certificate
	stamp  string    // of the files that were looked at last, good or not
	looked time.Time // then
}

// lookEvery bounds how often a handshake looks at the files.
const lookEvery = 10 * time.Second

func newCertificate(h config.HTTP, log *slog.Logger) (*certificate, error) {
	c := &certificate{http: h, log: log, stamp: stampOf(h), looked: time.Now()}
	var err error
	c.pair, err = config.ReadPair(h.TLSCert, h.TLSKey, os.Getenv)
	return c, err
}

func stampOf(h config.HTTP) string { return config.Stamp(h.TLSCert) + config.Stamp(h.TLSKey) }

func (c *certificate) config() *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: c.get}
}

func (c *certificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if now := time.Now(); now.Sub(c.looked) >= lookEvery {
		c.looked = now
		c.look()
	}
	pair := c.pair
	return &pair, nil
}

// look reads the files where they changed.
func (c *certificate) look() {
	stamp := stampOf(c.http)
	if stamp == c.stamp {
		return
	}
	c.stamp = stamp
	pair, err := config.ReadPair(c.http.TLSCert, c.http.TLSKey, os.Getenv)
	if err != nil {
		c.log.Error("the new certificate cannot be used; the one before stays", "error", err)
		return
	}
	c.pair = pair
	c.log.Info("the certificate was read again", "ends", pair.Leaf.NotAfter.UTC().Format(time.RFC3339))
}

// checkCertificate says until when it is good.
func checkCertificate(h config.HTTP, now time.Time) Tried {
	pair, err := config.ReadPair(h.TLSCert, h.TLSKey, os.Getenv)
	t := Tried{"certificate", err == nil, ""}
	switch {
	case err != nil:
		t.Say = err.Error()
	case now.After(pair.Leaf.NotAfter):
		t.OK, t.Say = false, fmt.Sprintf("it ended on %s; browsers refuse it", pair.Leaf.NotAfter.UTC().Format(time.RFC3339))
	default:
		t.Say = fmt.Sprintf("for %v, until %s", pair.Leaf.DNSNames, pair.Leaf.NotAfter.UTC().Format(time.RFC3339))
	}
	return t
}
