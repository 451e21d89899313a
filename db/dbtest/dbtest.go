// Package dbtest gives each test a database of its own on a real Postgres, migrated, and in a session zone chosen to
// hurt: Pacific/Apia, which is a day ahead of most of the world. Only test files import it.
//
// The server is the one VIALWARD_TEST_DSN names (a superuser's address, to test against another version), else a
// private one without fsync in VIALWARD_TEST_STATE or the temporary folder. Test processes run side by side: each
// takes the first of a few private servers that nobody uses, and leaves it stopped for the next one, with its template
// ready. So a bare `go test` needs nothing prepared, starts in moments, and leaves no process and no growing
// pile of folders.
package dbtest

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

// Zone is the session zone of every test database.
const Zone = "Pacific/Apia"

// serverOnce starts one server for the whole test process, by the first test that needs one.
var serverOnce = sync.OnceValues(func() (*server, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	return begin(ctx)
})

var made atomic.Int64 // databases of this process

// Fresh returns the address of a new database, migrated and empty otherwise, which is dropped with the test.
func Fresh(t testing.TB) string {
	t.Helper()
	return database(t, func(s *server) string { return s.template })
}

// Empty is Fresh without the migrations.
func Empty(t testing.TB) string {
	t.Helper()
	return database(t, func(*server) string { return "template0" })
}

// Exec runs statements as the owner of a test database, on a connection of its own.
func Exec(t testing.TB, dsn, statements string) {
	t.Helper()
	c, err := pgx.Connect(t.Context(), dsn)
	require.NoError(t, err)
	_, err = c.Exec(t.Context(), statements)
	require.NoError(t, err)
	require.NoError(t, c.Close(t.Context()))
}

// Ask answers one number.
func Ask(t testing.TB, dsn, query string) (n int64) {
	t.Helper()
	c, err := pgx.Connect(t.Context(), dsn)
	require.NoError(t, err)
	require.NoError(t, c.QueryRow(t.Context(), query).Scan(&n))
	require.NoError(t, c.Close(t.Context()))
	return n
}

func database(t testing.TB, from func(*server) string) string {
	t.Helper()
	s, err := serverOnce()
	require.NoError(t, err)
	name := fmt.Sprintf("%s%s_%d", prefix, s.process, made.Add(1))
	require.NoError(t, s.exec(t.Context(), "create database "+name+" template "+from(s)))
	t.Cleanup(func() { // t.Context has ended by then, and a test may have left a connection open
		require.NoError(t, s.exec(context.Background(), "drop database "+name+" with (force)"))
	})
	return s.address(name)
}
