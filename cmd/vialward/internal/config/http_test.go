package config_test

import (
	"fmt"
	"net/netip"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/alerts/mail/mailtest"
	"vialward/cmd/vialward/internal/config"
)

// pair is files of a certificate for a name and of its key.
func pair(t *testing.T, name string) (cert, key string) {
	t.Helper()
	c, err := mailtest.NewCertificate(name)
	require.NoError(t, err)
	return write(t, "cert.pem", string(c.CertPEM), 0o644), write(t, "key.pem", string(c.KeyPEM), 0o600)
}

// Others than this machine come in over TLS only, by a name that is known; plain HTTP that others could reach is refused at the
// start, with what to do.
func TestReachedFromElsewhere(t *testing.T) {
	cert, key := pair(t, "vials.example")
	_, otherKey := pair(t, "vials.example")
	openKey := write(t, "open.pem", "x", 0o640)
	both := fmt.Sprintf("tls_cert = %q\ntls_key = %q\n", cert, key)
	for name, x := range map[string]struct{ text, say string }{
		"this machine":               {"listen = \"[::1]:8080\"\n", ""},
		"TLS":                        {"listen = \"0.0.0.0:8443\"\npublic_name = \"vials.example:8443\"\n" + both, ""},
		"TLS on this machine":        {"listen = \"127.0.0.1:8443\"\n" + both, ""},
		"a proxy":                    {"listen = \"10.0.0.1:8080\"\npublic_name = \"vials.example\"\nproxies = [\"10.0.0.2\", \"2001:db8::/64\"]\n", ""},
		"a proxy here":               {"public_name = \"vials.example\"\nproxies = [\"127.0.0.1\"]\n", ""},
		"an address for a name":      {"public_name = \"10.0.0.1\"\nproxies = [\"127.0.0.1\"]\n", ""},
		"in the open":                {"listen = \"10.0.0.1:8080\"\npublic_name = \"vials.example\"\n", "in the open"},
		"without a name":             {"listen = \"0.0.0.0:8443\"\n" + both, "public_name is missing"},
		"a proxy without a name":     {"proxies = [\"10.0.0.2\"]\n", "public_name is missing"},
		"a name and nothing else":    {"public_name = \"vials.example\"\n", "over TLS only"},
		"not a name":                 {"public_name = \"https://vials.example\"\nproxies = [\"10.0.0.2\"]\n", "is not a host"},
		"a name with a path":         {"public_name = \"vials.example/x\"\nproxies = [\"10.0.0.2\"]\n", "is not a host"},
		"everybody a proxy":          {"public_name = \"vials.example\"\nproxies = [\"0.0.0.0/0\"]\n", "is everybody"},
		"a proxy by name":            {"public_name = \"vials.example\"\nproxies = [\"proxy.example\"]\n", "neither an address"},
		"a certificate alone":        {fmt.Sprintf("tls_cert = %q\n", cert), "tls_key is missing"},
		"a key alone":                {fmt.Sprintf("tls_key = %q\n", key), "tls_cert is missing"},
		"another certificate's key":  {fmt.Sprintf("tls_cert = %q\ntls_key = %q\n", cert, otherKey), "do not go together"},
		"a key that others may read": {fmt.Sprintf("tls_cert = %q\ntls_key = %q\n", cert, openKey), "chmod 600"},
		"no such file":               {fmt.Sprintf("tls_cert = \"nowhere.pem\"\ntls_key = %q\n", key), "cannot be read"},
		"a certificate for another":  {"public_name = \"other.example\"\n" + both, "not for other.example"},
	} {
		c, err := load(t, "[http]\n"+x.text)
		if x.say == "" {
			require.NoError(t, err, name)
			continue
		}
		require.ErrorContains(t, err, x.say, name)
		require.Empty(t, c.HTTP.PublicName, name)
	}
	c, err := load(t, "[http]\npublic_name = \"vials.example\"\nproxies = [\"10.0.0.2\", \"10.1.2.3/24\", \"::ffff:10.0.0.9\"]\n")
	require.NoError(t, err)
	require.Equal(t, []netip.Prefix{netip.MustParsePrefix("10.0.0.2/32"), netip.MustParsePrefix("10.1.2.0/24"), netip.MustParsePrefix("10.0.0.9/32")}, c.HTTP.Proxies)
}

// A service manager that guards a key by an access list of its own may hand it over group-readable.
func TestKeyFromTheServiceManager(t *testing.T) {
	cert, key := pair(t, "vials.example")
	require.NoError(t, os.Chmod(key, 0o440))
	text := fmt.Sprintf("[http]\ntls_cert = %q\ntls_key = %q\n", cert, key)
	_, err := load(t, text)
	require.ErrorContains(t, err, "chmod 600")
	_, err = load(t, text, "CREDENTIALS_DIRECTORY", filepath.Dir(key))
	require.NoError(t, err)
}

func TestStampChangesWithTheFile(t *testing.T) {
	file := write(t, "x", "one", 0o600)
	before := config.Stamp(file)
	require.Equal(t, before, config.Stamp(file))
	require.NoError(t, os.WriteFile(file, []byte("three"), 0o600))
	require.NotEqual(t, before, config.Stamp(file))
	require.NotEqual(t, before, config.Stamp(file+"y"))
}
