package main

import (
	"context"
	"crypto/tls"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/alerts/mail/mailtest"
	"vialward/cmd/vialward/internal/app"
	"vialward/db/dbtest"
)

const publicName = "vials.example"

// publicSection of a configuration: a certificate for the name, beside it its key.
func publicSection(t *testing.T) (section string, made mailtest.Certificate) {
	t.Helper()
	made, err := mailtest.NewCertificate(publicName)
	require.NoError(t, err)
	folder := t.TempDir()
	cert, key := filepath.Join(folder, "cert.pem"), filepath.Join(folder, "key.pem")
	require.NoError(t, os.WriteFile(cert, made.CertPEM, 0o644))
	require.NoError(t, os.WriteFile(key, made.KeyPEM, 0o600))
	return fmt.Sprintf("tls_cert = %q\ntls_key = %q\npublic_name = %q\n", cert, key, publicName), made
}

// A daemon as a pharmacy has it: over TLS, by its name; somebody signs in, looks at a page, and is out again. What comes in the
// open, or by another name, is answered with nothing of the record.
func TestDaemonOverTLS(t *testing.T) {
	t.Parallel()
	section, made := publicSection(t)
	p := newPlace(t, dbtest.Fresh(t), "")
	p.edit(t, "listen = \"127.0.0.1:0\"\n", "listen = \"127.0.0.1:0\"\n"+section)
	p.load(t)
	g := p.begin(t, "")
	until(t, "it says where it is", func() bool {
		if m := urlSaid.FindStringSubmatch(g.said.String()); m != nil {
			g.url = m[1]
		}
		return g.url != ""
	})
	require.True(t, strings.HasPrefix(g.url, "https://127.0.0.1:"), g.url)
	address := strings.TrimPrefix(g.url, "https://")
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	client := &http.Client{Jar: jar, Transport: &http.Transport{
		TLSClientConfig: &tls.Config{RootCAs: made.Pool, MinVersion: tls.VersionTLS12}, ForceAttemptHTTP2: true,
		DialContext: func(ctx context.Context, network, _ string) (net.Conn, error) {
			return (&net.Dialer{}).DialContext(ctx, network, address)
		},
	}}
	type seen struct {
		status, proto int
		path, page    string
		header        http.Header
	}
	get := func(path string) seen {
		t.Helper()
		r, err := client.Get("https://" + publicName + path)
		require.NoError(t, err)
		defer r.Body.Close()
		text, err := io.ReadAll(r.Body)
		require.NoError(t, err)
		return seen{r.StatusCode, r.ProtoMajor, r.Request.URL.Path, string(text), r.Header}
	}
	until(t, "it is ready", func() bool { return get("/readyz").status == http.StatusOK })
	first := get("/stock")
	require.Equal(t, "/sign-in", first.path)
	require.NotContains(t, first.page, "Quillmere")
	require.Equal(t, 2, first.proto)
	require.NotEmpty(t, first.header.Get("Strict-Transport-Security"))
	r, err := client.PostForm("https://"+publicName+"/sign-in", url.Values{"person": {"tech-1"}, "password": {password}, "back": {"/stock"}})
	require.NoError(t, err)
	require.NoError(t, r.Body.Close())
	require.Equal(t, "/stock", r.Request.URL.Path)
	require.Equal(t, http.StatusOK, r.StatusCode)
	at, err := url.Parse("https://" + publicName)
	require.NoError(t, err)
	for _, k := range jar.Cookies(at) {
		require.True(t, strings.HasPrefix(k.Name, "__Host-vialward"), k.Name)
	}
	require.Contains(t, get("/account").page, "Where you are signed in")

	// In the open: the listener speaks TLS only. By another name: nothing.
	open, err := http.Get("http://" + address + "/")
	require.NoError(t, err)
	require.NoError(t, open.Body.Close())
	require.Equal(t, http.StatusBadRequest, open.StatusCode)
	other, err := http.NewRequest(http.MethodGet, "https://"+publicName+"/", http.NoBody)
	require.NoError(t, err)
	other.Host = "rebound.example"
	r, err = client.Do(other)
	require.NoError(t, err)
	require.NoError(t, r.Body.Close())
	require.Equal(t, http.StatusMisdirectedRequest, r.StatusCode)

	r, err = client.PostForm("https://"+publicName+"/sign-out", url.Values{})
	require.NoError(t, err)
	require.NoError(t, r.Body.Close())
	require.Equal(t, "/sign-in", get("/stock").path)
	require.NotContains(t, g.said.String(), password)
	g.stop(t)
}

// An address that others can reach, without TLS and without a proxy that is named, is refused at the start.
func TestNotInTheOpen(t *testing.T) {
	t.Parallel()
	p := newPlace(t, dbtest.Fresh(t), "")
	p.edit(t, "listen = \"127.0.0.1:0\"", "listen = \"0.0.0.0:0\"")
	err := app.Run(t.Context(), p.config, io.Discard, io.Discard)
	require.ErrorContains(t, err, "passwords would cross the network in the open")
	section, _ := publicSection(t)
	p.edit(t, "listen = \"0.0.0.0:0\"\n", "listen = \"0.0.0.0:0\"\n"+section)
	code, stdout, stderr := vialward(t, "", "--config", p.config, "check")
	require.Equal(t, exitFailed, code, "no site is set up yet: %s", stderr)
	require.Contains(t, stdout, "certificate")
	require.Contains(t, stdout, "for [vials.example], until 2100-01-01")
}
