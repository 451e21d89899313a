package dbtest

import (
	"context"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

// Disconnect ends every session of a test database, as a restart of the server does; new ones are let in.
func Disconnect(t testing.TB, dsn string) {
	t.Helper()
	s, name := serverOf(t, dsn)
	require.NoError(t, s.exec(t.Context(), "select pg_terminate_backend(pid) from pg_stat_activity where datname = '"+name+"'"))
}

// Shut ends every session of a test database and lets nobody in until open is called.
func Shut(t testing.TB, dsn string) (open func()) {
	t.Helper()
	s, name := serverOf(t, dsn)
	allow := func(yes string) {
		require.NoError(t, s.exec(context.Background(), "alter database "+name+" allow_connections "+yes))
	}
	allow("false")
	Disconnect(t, dsn)
	return func() { allow("true") }
}

// serverOf a database that Fresh or Empty made, and its name, which needs no quoting.
func serverOf(t testing.TB, dsn string) (*server, string) {
	t.Helper()
	s, err := serverOnce()
	require.NoError(t, err)
	c, err := pgx.ParseConfig(dsn)
	require.NoError(t, err)
	return s, c.Database
}

// Hold keeps a statement's locks in an open transaction until let is called, or the test ends.
func Hold(t testing.TB, dsn, statement string) (let func()) {
	t.Helper()
	c, err := pgx.Connect(t.Context(), dsn)
	require.NoError(t, err)
	t.Cleanup(func() { _ = c.Close(context.Background()) }) // it may be closed already
	_, err = c.Exec(t.Context(), "begin; "+statement)
	require.NoError(t, err, statement)
	return func() { require.NoError(t, c.Close(context.Background())) }
}
