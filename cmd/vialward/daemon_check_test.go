package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/alerts/mail/mailtest"
	"vialward/db/dbtest"
)

// tried is what check says of each thing it looked at.
type tried struct {
	What string `json:"what"`
	OK   bool   `json:"ok"`
	Say  string `json:"say"`
}

// check runs the command and answers all it tried, and what failed, by name.
func (p *place) check(t *testing.T) (code int, all []tried, failed map[string]string) {
	t.Helper()
	code, stdout, stderr := vialward(t, "", "--json", "--config", p.config, "check")
	var out struct {
		Checks []tried `json:"checks"`
	}
	require.NoError(t, json.Unmarshal([]byte(stdout), &out), "%s%s", stdout, stderr)
	failed = map[string]string{}
	for _, c := range out.Checks {
		require.NotEmpty(t, c.Say, c.What)
		if !c.OK {
			failed[c.What] = c.Say
			require.Contains(t, stderr, c.Say, "said on standard error too")
		}
	}
	return code, out.Checks, failed
}

// Every way in which a relay may not be what it should is found before the first mail, and said.
func TestCheckFindsABadRelay(t *testing.T) {
	t.Parallel()
	right, err := mailtest.NewCertificate("127.0.0.1")
	require.NoError(t, err)
	wrong, err := mailtest.NewCertificate("127.0.0.2")
	require.NoError(t, err)
	folder := t.TempDir()
	trusting := func(name string, c mailtest.Certificate) string {
		path := filepath.Join(folder, name)
		require.NoError(t, os.WriteFile(path, c.CertPEM, 0o600))
		return fmt.Sprintf("ca_file = %q\n", path)
	}
	trustRight, trustWrong := trusting("right.pem", right), trusting("wrong.pem", wrong)
	p := setUp(t, "")
	for _, c := range []struct {
		name   string
		script mailtest.Script
		tls    string
		trust  string
		says   string // "" = fine
	}{
		{"STARTTLS", mailtest.Script{TLS: right.TLS}, "starttls", trustRight, ""},
		{"TLS from the first byte", mailtest.Script{TLS: right.TLS, Implicit: true}, "implicit", trustRight, ""},
		{"no STARTTLS", mailtest.Script{}, "starttls", trustRight, "does not offer STARTTLS"},
		{"somebody else's certificate", mailtest.Script{TLS: wrong.TLS}, "starttls", trustWrong, "127.0.0.2"},
		{"a certificate nobody vouches for", mailtest.Script{TLS: right.TLS}, "starttls", "", "certificate"},
		{"not there to be used", mailtest.Script{Greeting: "554 5.7.1 not you"}, "none", "", "554"},
	} {
		t.Run(c.name, func(t *testing.T) {
			peer := mailtest.NewPeer(c.script)
			addr, err := peer.Listen(t.Cleanup)
			require.NoError(t, err)
			before, err := os.ReadFile(p.config)
			require.NoError(t, err)
			t.Cleanup(func() { require.NoError(t, os.WriteFile(p.config, before, 0o600)) })
			p.edit(t, p.caught.Addr(), addr)
			p.edit(t, "tls = \"none\"\n", fmt.Sprintf("tls = %q\n%s", c.tls, c.trust))
			code, all, failed := p.check(t)
			require.Greater(t, len(all), 8, "everything else was tried too")
			require.Empty(t, peer.Taken(), "trying sends nothing")
			if c.says == "" {
				require.Empty(t, failed)
				require.Equal(t, exitDone, code)
				return
			}
			require.Equal(t, exitFailed, code)
			require.Len(t, failed, 1)
			require.Contains(t, failed["mail relay"], c.says)
			require.Contains(t, failed["mail relay"], addr)
		})
	}
}

// A database without a site, and one that is away, are said; what does not need it is tried all the same.
func TestCheckFindsNoSiteAndNoDatabase(t *testing.T) {
	t.Parallel()
	p := newPlace(t, dbtest.Fresh(t), "")
	code, _, failed := p.check(t)
	require.Equal(t, exitFailed, code)
	require.Len(t, failed, 1)
	require.Contains(t, failed["sites"], "vialward site load")

	// Over a database elsewhere nothing has made the state folder yet: the daemon does, and so it is no fault.
	p.edit(t, fmt.Sprintf("folder = %q", p.folder), fmt.Sprintf("folder = %q", filepath.Join(p.folder, "not", "yet")))
	_, _, failed = p.check(t)
	require.NotContains(t, failed, "state folder")

	dbtest.Shut(t, p.dsn)
	code, all, failed := p.check(t)
	require.Equal(t, exitFailed, code)
	require.Len(t, failed, 1)
	require.Contains(t, failed["database"], "the database does not answer")
	for _, what := range []string{"mail relay", "state folder", "job slots"} {
		require.True(t, slices.ContainsFunc(all, func(c tried) bool { return c.What == what && c.OK }), what)
	}
}

// check only tries: a database that was never migrated is as empty afterwards as before, and what waits is named; so is
// the one migration an upgrade brings.
func TestCheckMigratesNothing(t *testing.T) {
	t.Parallel()
	p := setUp(t, "")
	dsn := dbtest.Empty(t)
	p.edit(t, p.dsn, dsn)
	say := func() string {
		_, all, failed := p.check(t)
		require.NotContains(t, failed, "database")
		i := slices.IndexFunc(all, func(c tried) bool { return c.What == "database" })
		require.GreaterOrEqual(t, i, 0)
		return all[i].Say
	}
	const tables = `select count(*) from pg_class c join pg_namespace n on n.oid = c.relnamespace where n.nspname = 'public'`
	require.Contains(t, say(), "migrations wait for the next start of a daemon: 00001_")
	require.Zero(t, dbtest.Ask(t, dsn, tables))

	p.edit(t, dsn, p.dsn)
	require.Contains(t, say(), "schema up to date")
	const newest = `select max(version_id) from goose_db_version`
	was := dbtest.Ask(t, p.dsn, newest)
	dbtest.Exec(t, p.dsn, fmt.Sprintf(`delete from goose_db_version where version_id = %d`, was))
	require.Contains(t, say(), fmt.Sprintf("one migration waits for the next start of a daemon: %05d_", was))
	require.Less(t, dbtest.Ask(t, p.dsn, newest), was)
}
