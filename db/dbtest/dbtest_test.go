package dbtest

import (
	"context"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

func connect(t testing.TB, dsn string) *pgx.Conn {
	t.Helper()
	c, err := pgx.Connect(t.Context(), dsn)
	require.NoError(t, err)
	t.Cleanup(func() { _ = c.Close(context.Background()) })
	return c
}

func TestFreshIsMigratedHostileAndAlone(t *testing.T) {
	t.Parallel()
	a, b := connect(t, Fresh(t)), connect(t, Fresh(t))
	var zone string
	require.NoError(t, a.QueryRow(t.Context(), "show timezone").Scan(&zone))
	require.Equal(t, Zone, zone)

	var sites int
	_, err := a.Exec(t.Context(), "create table mine (n int)")
	require.NoError(t, err)
	require.NoError(t, a.QueryRow(t.Context(), "select count(*) from site").Scan(&sites))
	require.Zero(t, sites)
	_, err = b.Exec(t.Context(), "select * from mine")
	require.ErrorContains(t, err, "does not exist")
}

func TestEmptyHasNoTables(t *testing.T) {
	t.Parallel()
	var tables int
	c := connect(t, Empty(t))
	require.NoError(t, c.QueryRow(t.Context(), "select count(*) from pg_class where relname = 'site'").Scan(&tables))
	require.Zero(t, tables)
}

// The address keeps what it was given, in both forms.
func TestAddress(t *testing.T) {
	t.Parallel()
	for admin, want := range map[string]string{
		"postgres://u@h:5433/postgres?sslmode=disable": "postgres://u@h:5433/x?options=-c%20timezone%3DPacific%2FApia&sslmode=disable",
		"host=h user=u dbname=postgres":                "host=h user=u dbname=postgres dbname=x options='-c timezone=Pacific/Apia'",
	} {
		got := (&server{admin: admin}).address("x")
		require.Equal(t, want, got)
		c, err := pgx.ParseConfig(got)
		require.NoError(t, err)
		require.Equal(t, "x", c.Database)
		require.Equal(t, "h", c.Host)
		require.Equal(t, "-c timezone="+Zone, c.RuntimeParams["options"])
	}
}

func BenchmarkFresh(b *testing.B) {
	Fresh(b) // starts the server
	for b.Loop() {
		Fresh(b)
	}
}
