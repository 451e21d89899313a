package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/app"
	"vialward/db/dbtest"
	"vialward/tracker"
)

// secretFile is a file with a password, as its owner would have it.
func secretFile(t *testing.T, secret string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "secret")
	require.NoError(t, os.WriteFile(file, []byte(secret+"\n"), 0o600))
	return file
}

// The first administrator by command on the machine, the others by the administrator; from there on nobody acts without
// their password, and no password stands on a command line.
func TestPeopleByCommandLine(t *testing.T) {
	t.Setenv("VIALWARD_DSN", dbtest.Fresh(t))
	t.Setenv("VIALWARD_STATE", t.TempDir())
	var out map[string]any
	done(t, &out, "site", "load", inventedSite(t))
	refused := func(code int, say string, args ...string) {
		t.Helper()
		got, _, stderr := vialward(t, "", args...)
		require.Equal(t, code, got, "%v: %s", args, stderr)
		require.Contains(t, stderr, say)
	}
	bench := []string{"token", "make", "admin", "--as", "admin", "--name", "bench"}
	refused(exitFailed, "do not go together", bench...) // nobody has a password yet
	refused(exitFailed, "is no administrator", "person", "first", "tech-1", "--new-password-file", passwordFile)
	refused(exitFailed, "easily guessed", "person", "first", "admin", "--new-password-file", secretFile(t, "admin admin admin"))
	refused(exitUsage, "others may read it", "person", "first", "admin", "--new-password-file", func() string {
		file := secretFile(t, password)
		require.NoError(t, os.Chmod(file, 0o640))
		return file
	}())
	refused(exitUsage, "several lines", "person", "first", "admin", "--new-password-file", secretFile(t, password+"\nand more"))
	done(t, &out, "person", "first", "admin", "--new-password-file", passwordFile)
	refused(exitFailed, "has a password", "person", "first", "admin", "--new-password-file", passwordFile)

	done(t, &out, "person", "password", "tech-1", "--as", "admin")
	start := secretFile(t, out["start_password"].(string))
	mine := []string{"session", "list", "--as", "tech-1", "--password-file"}
	refused(exitFailed, "choose one of your own first", append(mine, start)...)
	done(t, &out, "person", "password", "--as", "tech-1", "--password-file", start, "--new-password-file", passwordFile)
	refused(exitFailed, "do not go together", append(mine, start)...)
	refused(exitFailed, "do not go together", append(mine, secretFile(t, "not this one"))...)
	refused(exitUsage, "no person", "session", "list", "--as", "nobody")
	refused(exitUsage, "say who acts", "session", "list")
	refused(exitFailed, "may not", "person", "password", "rph-1", "--as", "tech-1")
	refused(exitUsage, "no such file", "session", "list", "--as", "tech-1", "--password-file", "nowhere")
	refused(exitFailed, "may not", "session", "list", "--all", "--as", "tech-1")

	// Tokens and sessions.
	done(t, &out, bench...)
	var tokens struct {
		Tokens []struct {
			Number  int
			Person  string
			Scopes  []string
			Revoked *string `json:"revoked_at"`
		}
	}
	done(t, &out, "token", "make", "loggers", "--as", "admin", "--name", "gateway", "--scope", "read,readings", "--sensor", "T1")
	done(t, &tokens, "token", "list", "--all", "--as", "admin")
	require.Len(t, tokens.Tokens, 2)
	require.Equal(t, []string{"read", "readings"}, tokens.Tokens[0].Scopes)
	done(t, &out, "token", "revoke", "2", "--as", "admin")
	done(t, &tokens, "token", "list", "--all", "--as", "admin")
	require.NotNil(t, tokens.Tokens[0].Revoked)
	_, text, _ := vialward(t, "", "token", "list", "--as", "admin")
	require.Contains(t, text, "bench: act  never used, ends ")

	b, err := app.Open(t.Context(), "", os.Stderr)
	require.NoError(t, err)
	_, err = b.Tracker.SignIn(t.Context(), "QUILLMERE", "tech-1", password, tracker.From{Address: "192.0.2.7", Browser: "a phone"})
	require.NoError(t, err)
	require.NoError(t, b.Close())
	var sessions struct {
		Sessions []struct {
			Number        int
			Person, By    string
			Browser, From string
		}
	}
	done(t, &sessions, "session", "list", "--all", "--as", "admin")
	require.Len(t, sessions.Sessions, 1)
	require.Equal(t, "192.0.2.7", sessions.Sessions[0].From)
	done(t, &out, "session", "end", "1", "--as", "tech-1")
	done(t, &sessions, "session", "list", "--all", "--as", "admin")
	require.Empty(t, sessions.Sessions)
}

// On a terminal the password is asked for and not shown. script(1) of util-linux is the terminal.
func TestPasswordIsNotShown(t *testing.T) {
	dsn := dbtest.Fresh(t)
	t.Setenv("VIALWARD_DSN", dsn)
	t.Setenv("VIALWARD_STATE", t.TempDir())
	var out map[string]any
	done(t, &out, "site", "load", inventedSite(t))
	terminal := func(command string, typed ...string) (string, error) {
		cmd := exec.CommandContext(t.Context(), "script", "-q", "-e", "-c", os.Args[0]+" "+command, "/dev/null")
		cmd.Env = append(os.Environ(), asVialward+"=1")
		said := &spoken{}
		cmd.Stdout, cmd.Stderr = said, said
		in, err := cmd.StdinPipe()
		require.NoError(t, err)
		require.NoError(t, cmd.Start())
		for n, line := range typed {
			until(t, "it asks", func() bool { return strings.Count(said.String(), ": ") > n })
			_, err := in.Write([]byte(line + "\n"))
			require.NoError(t, err)
		}
		err = cmd.Wait()
		return said.String(), err
	}
	said, err := terminal("person first admin", password, password+"x")
	require.Error(t, err)
	require.Contains(t, said, "the two differ")
	require.NotContains(t, said, password)
	said, err = terminal("person first admin", password, password)
	require.NoError(t, err, said)
	require.NotContains(t, said, password)
	require.Contains(t, said, "admin can sign in")
	said, err = terminal("token list --as admin", password)
	require.NoError(t, err, said)
	require.NotContains(t, said, password)
}
