package local

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

func TestKeepsItsDataAndStops(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	folder := filepath.Join(state(t), "made when missing")
	s, err := Start(ctx, Options{StateFolder: folder, Settings: map[string]string{"timezone": "Pacific/Apia"}})
	require.NoError(t, err)
	require.NoError(t, ask(ctx, s, "create table kept (n int)"))
	require.NoError(t, s.Stop(ctx))
	require.NoError(t, s.Stop(ctx), "a second Stop")
	require.Empty(t, s.workers(), "processes left behind")
	require.Error(t, ask(ctx, s, "select 1"))

	s = running(t, folder)
	require.NoError(t, ask(ctx, s, "insert into kept values (1)"))
}

func TestSettingsReachTheServer(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	for _, durable := range []bool{true, false} {
		s, err := Start(ctx, Options{
			StateFolder: state(t), Durable: durable, Settings: map[string]string{"timezone": "Pacific/Apia"},
		})
		require.NoError(t, err)
		c, err := pgx.Connect(ctx, s.DSN("postgres"))
		require.NoError(t, err)
		for name, want := range map[string]string{
			"TimeZone": "Pacific/Apia", "listen_addresses": "", "lc_collate": "C", "server_encoding": "UTF8",
			"fsync": map[bool]string{true: "on", false: "off"}[durable],
		} {
			var got string
			require.NoError(t, c.QueryRow(ctx, "select current_setting($1)", name).Scan(&got))
			require.Equal(t, want, got, name)
		}
		require.NoError(t, c.Close(ctx))
		require.NoError(t, s.Stop(ctx))
	}
}

func TestStopOutOfPatienceCutsOff(t *testing.T) {
	t.Parallel()
	s, err := Start(context.Background(), Options{StateFolder: state(t)})
	require.NoError(t, err)
	ended, cancel := context.WithCancel(context.Background())
	cancel()
	if err := s.Stop(ended); err != nil { // it may be quick enough all the same
		require.ErrorIs(t, err, context.Canceled)
	}
	require.Empty(t, s.workers())
}

func TestOnlyItsOwnerReachesIt(t *testing.T) {
	t.Parallel()
	s := running(t, state(t))
	for _, closed := range []string{s.at.run, s.at.data} {
		info, err := os.Stat(closed)
		require.NoError(t, err)
		require.Equal(t, os.FileMode(0o700), info.Mode().Perm(), closed)
	}
}

// Every refusal says what is wrong, where, and what to do.
func TestRefusals(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		folder func(t *testing.T) string
		says   []string
	}{
		"no folder":   {func(*testing.T) string { return "" }, []string{"none was given"}},
		"a long path": {func(*testing.T) string { return "/tmp/" + strings.Repeat("x", 100) }, []string{"16 bytes too long", "shorter path"}},
		"a comma":     {func(*testing.T) string { return "/tmp/a,b" }, []string{"comma", "without one"}},
		"another version": {func(t *testing.T) string {
			dir := state(t)
			require.NoError(t, os.Mkdir(filepath.Join(dir, "data"), 0o700))
			require.NoError(t, os.WriteFile(filepath.Join(dir, "data", "PG_VERSION"), []byte("9\n"), 0o600))
			if os.Geteuid() == 0 {
				require.NoError(t, os.Chown(filepath.Join(dir, "data"), nobody, nobody))
			}
			return dir
		}, []string{"made by Postgres 9", "install version 9", "new state folder"}},
		"a version that is no number": {func(t *testing.T) string {
			dir := state(t)
			require.NoError(t, os.Mkdir(filepath.Join(dir, "data"), 0o700))
			require.NoError(t, os.WriteFile(filepath.Join(dir, "data", "PG_VERSION"), []byte("new"), 0o600))
			return dir
		}, []string{`says version "new"`, "another state folder"}},
		"not a Postgres": {func(t *testing.T) string {
			dir := state(t)
			require.NoError(t, os.Mkdir(filepath.Join(dir, "data"), 0o700))
			return dir
		}, []string{"no PG_VERSION", "move it away"}},
		"a file in its place": {func(t *testing.T) string {
			f := filepath.Join(state(t), "file")
			require.NoError(t, os.WriteFile(f, nil, 0o600))
			return f
		}, []string{"open the state folder", "not a directory"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := Start(context.Background(), Options{StateFolder: c.folder(t)})
			require.Error(t, err)
			for _, words := range c.says {
				require.ErrorContains(t, err, words)
			}
		})
	}
}

func TestSecondStarterIsRefused(t *testing.T) {
	t.Parallel()
	folder := state(t)
	s := running(t, folder)
	_, err := Start(context.Background(), Options{StateFolder: folder})
	require.ErrorIs(t, err, ErrInUse)
	require.ErrorContains(t, err, "choose another state folder")
	require.NoError(t, ask(context.Background(), s, "select 1"), "the first one goes on")
}

func TestOrdinaryUser(t *testing.T) {
	t.Parallel()
	p := begin(t, open(t), true)
	p.until(t, "up")
	require.NoError(t, p.input.Close())
	p.until(t, "stopped")
}

func TestOrdinaryUserIsRefusedAnotherUsersFolder(t *testing.T) {
	t.Parallel()
	folder := state(t)
	closed := filepath.Join(folder, "closed")
	require.NoError(t, os.Mkdir(closed, 0o700))
	if os.Geteuid() != 0 {
		require.NoError(t, os.Chmod(closed, 0)) // as good as another user's
	}
	line := begin(t, closed, true).until(t, "refused")
	require.Contains(t, line, "belongs to user")
	require.Contains(t, line, "start as that user, or choose another state folder")
}

// A folder that an ordinary user made serves root too, who then runs Postgres as that user; the other way round the
// ordinary user is told whose it is.
func TestFolderChangesHands(t *testing.T) {
	t.Parallel()
	folder := open(t)
	p := begin(t, folder, true)
	p.until(t, "up")
	require.NoError(t, p.input.Close())
	p.until(t, "stopped")

	begin(t, folder, false).until(t, "up")
}

// Root's Postgres runs as another user, who has to get there.
func TestFolderBehindAClosedOne(t *testing.T) {
	t.Parallel()
	dir := state(t)
	require.NoError(t, os.Chmod(dir, 0o700))
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	s, err := Start(ctx, Options{StateFolder: filepath.Join(dir, "inner")})
	if os.Geteuid() != 0 {
		require.NoError(t, err, "its own user gets there")
		require.NoError(t, s.Stop(ctx))
		return
	}
	require.ErrorContains(t, err, "user postgres, as whom Postgres runs, does not get to")
	require.ErrorContains(t, err, "chmod o+x")
}

// open is a state folder that the ordinary user may write to.
func open(t *testing.T) string {
	t.Helper()
	folder := filepath.Join(state(t), "of nobody")
	require.NoError(t, os.Mkdir(folder, 0o755))
	if os.Geteuid() == 0 {
		require.NoError(t, os.Chown(folder, nobody, nobody))
	}
	return folder
}
