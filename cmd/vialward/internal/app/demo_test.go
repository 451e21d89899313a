package app_test

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/app"
)

// showing is a running demo.
type showing struct {
	url   string
	stop  context.CancelFunc
	ended chan error
}

// show starts the demo and waits for its last line, as a visitor does.
func show(t *testing.T, folder string) *showing {
	t.Helper()
	ctx, stop := context.WithTimeout(context.Background(), 8*time.Minute) // a hang ends; how fast it starts is not tested here
	said, stdout := io.Pipe()
	s := &showing{stop: stop, ended: make(chan error, 1)}
	go func() {
		err := app.Demo(ctx, app.DemoOptions{StateFolder: folder, Stdout: stdout, Stderr: io.Discard})
		_ = stdout.CloseWithError(io.EOF) // whoever waits for a line hears that none comes
		s.ended <- err
	}()
	t.Cleanup(stop)
	line, err := bufio.NewReader(said).ReadString('\n')
	require.NoError(t, err, "the demo ended before it was ready")
	require.Contains(t, line, "Ctrl-C")
	_, rest, found := strings.Cut(line, "http://")
	require.True(t, found, line)
	host, _, _ := strings.Cut(rest, ",")
	s.url = "http://" + host
	return s
}

func (s *showing) end(t *testing.T) {
	t.Helper()
	s.stop()
	require.NoError(t, <-s.ended)
	_, err := http.Get(s.url + "/livez") //nolint:noctx,bodyclose // nobody answers
	require.Error(t, err)
}

func (s *showing) ask(t *testing.T, method, path, body string) string {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, s.url+path, strings.NewReader(body))
	require.NoError(t, err)
	if body != "" {
		r.Header.Set("Authorization", "Bearer demo")
		r.Header.Set("Content-Type", "text/csv")
	}
	got, err := http.DefaultClient.Do(r)
	require.NoError(t, err)
	defer got.Body.Close()
	text, err := io.ReadAll(got.Body)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, got.StatusCode, "%s %s: %s", method, path, text)
	return string(text)
}

// The demo plays its days once, begins at the same morning again whatever its last visitor did, and leaves nothing behind
// that runs.
func TestDemoBeginsAtTheSameMorning(t *testing.T) {
	folder, err := os.MkdirTemp("", "demo") //nolint:usetesting // short: a socket lies in it
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(folder)) })
	require.NoError(t, os.Chmod(folder, 0o755)) //nolint:gosec // Postgres may run as another user

	first := show(t, folder)
	first.ask(t, http.MethodGet, "/readyz", "")
	mails := first.mails(t)
	require.Contains(t, mails[0].Subject, "SWEEP")
	require.Equal(t, "2025-11-12T07:00:00-05:00", mails[0].At)
	require.Contains(t, mails[0].HTML, "<")
	rows := first.ask(t, http.MethodPost, "/api/v1/readings", "sensor,at,celsius\nT7,2025-11-12T12:01:00Z,5.1\nT9,2025-11-12T12:01:00Z,5.1\n")
	require.Contains(t, rows, `"stored":1`)
	require.Contains(t, rows, `"refused":1`)
	require.Contains(t, first.ask(t, http.MethodGet, "/demo/mail", ""), mails[0].Subject)
	first.ask(t, http.MethodGet, "/", "")
	first.ask(t, http.MethodGet, "/metrics", "")
	first.end(t)
	require.NoFileExists(t, filepath.Join(folder, "postgres", "data", "postmaster.pid"), "the database server has stopped and said goodbye")

	begun := time.Now()
	second := show(t, folder)
	require.Less(t, time.Since(begun), 10*time.Second, "nothing is played again")
	require.Equal(t, mails, second.mails(t), "the same mails")
	require.Contains(t, second.ask(t, http.MethodPost, "/api/v1/readings", "sensor,at,celsius\nT7,2025-11-12T12:01:00Z,5.1\n"),
		`"stored":1`, "what the last visitor stored is gone")
	err = app.Demo(t.Context(), app.DemoOptions{StateFolder: folder, Stdout: io.Discard, Stderr: io.Discard})
	require.ErrorContains(t, err, "another demo is running", "two on one folder")
	second.end(t)
}

type caught struct{ To, Subject, At, Text, HTML string }

func (s *showing) mails(t *testing.T) (mails []caught) {
	t.Helper()
	require.NoError(t, json.Unmarshal([]byte(s.ask(t, http.MethodGet, "/demo/mail.json", "")), &mails))
	require.Greater(t, len(mails), 100)
	return mails
}
