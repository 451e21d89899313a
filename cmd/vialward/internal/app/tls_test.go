package app

import (
	"bytes"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts/mail/mailtest"
	"vialward/cmd/vialward/internal/config"
)

// A certificate that was replaced is used without a restart; one that cannot be used, or of which only a half was written,
// leaves the one before.
func TestCertificateIsReadAgain(t *testing.T) {
	t.Parallel()
	h := config.HTTP{TLSCert: filepath.Join(t.TempDir(), "cert"), TLSKey: filepath.Join(t.TempDir(), "key")}
	made := map[string]mailtest.Certificate{}
	for _, name := range []string{"one.example", "two.example"} {
		c, err := mailtest.NewCertificate(name)
		require.NoError(t, err)
		made[name] = c
	}
	put := func(file string, pem []byte) { require.NoError(t, os.WriteFile(file, pem, 0o600)) }
	put(h.TLSCert, made["one.example"].CertPEM)
	put(h.TLSKey, made["one.example"].KeyPEM)
	var log bytes.Buffer
	c, err := newCertificate(h, slog.New(slog.NewTextHandler(&log, nil)))
	require.NoError(t, err)
	serves := func(later time.Duration) string {
		t.Helper()
		c.looked = c.looked.Add(-later)
		pair, err := c.get(nil)
		require.NoError(t, err)
		return pair.Leaf.DNSNames[0]
	}
	require.Equal(t, "one.example", serves(lookEvery))
	put(h.TLSCert, made["two.example"].CertPEM)
	require.Equal(t, "one.example", serves(0), "not at every handshake")
	require.Equal(t, "one.example", serves(lookEvery), "its key is not there yet")
	require.Contains(t, log.String(), "the one before stays")
	said := log.Len()
	require.Equal(t, "one.example", serves(lookEvery))
	require.Equal(t, said, log.Len(), "said once")
	put(h.TLSKey, made["two.example"].KeyPEM)
	require.Equal(t, "two.example", serves(lookEvery))
	require.NoError(t, os.Chmod(h.TLSKey, 0o644))
	require.Equal(t, "two.example", serves(lookEvery))
	require.Contains(t, log.String(), "others may read the key")
	require.NoError(t, os.Remove(h.TLSCert))
	require.Equal(t, "two.example", serves(lookEvery))
	_, err = newCertificate(h, slog.New(slog.DiscardHandler))
	require.Error(t, err)
}
