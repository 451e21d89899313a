package local

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

// asChild names the state folder when the test binary is to be a program that starts a private Postgres.
const asChild = "VIALWARD_LOCAL_CHILD"

func TestMain(m *testing.M) {
	if folder := os.Getenv(asChild); folder != "" {
		os.Exit(child(folder))
	}
	os.Exit(m.Run())
}

// child says on its output what it does, one line each, until its input ends.
func child(folder string) int {
	fmt.Println("begun")
	s, err := Start(context.Background(), Options{
		StateFolder: folder, Durable: true,
		Log: slog.New(slog.NewTextHandler(os.Stdout, &slog.HandlerOptions{Level: slog.LevelDebug})),
	})
	if err != nil {
		fmt.Println("refused:", err)
		return 1
	}
	if err := ask(context.Background(), s, "select 1"); err != nil {
		fmt.Println("refused:", err)
		return 1
	}
	fmt.Println("up")
	_, _ = io.Copy(io.Discard, os.Stdin)
	if err := s.Stop(context.Background()); err != nil {
		fmt.Println("refused:", err)
		return 1
	}
	fmt.Println("stopped")
	return 0
}

// program is a running child.
type program struct {
	cmd   *exec.Cmd
	input io.Closer
	lines *bufio.Scanner
}

// nobody is Debian's user who owns nothing.
const nobody = 65534

// begin runs a child, as nobody where that is asked for and possible: who is not root is an ordinary user already.
func begin(t *testing.T, folder string, ordinary bool) *program {
	t.Helper()
	exe, err := os.Executable()
	require.NoError(t, err)
	attr := &syscall.SysProcAttr{}
	if ordinary && os.Geteuid() == 0 {
		attr.Credential = &syscall.Credential{Uid: nobody, Gid: nobody}
		exe = reachable(t, exe)
	}
	cmd := exec.Command(exe)
	cmd.Dir, cmd.SysProcAttr = "/", attr
	cmd.Env = append(os.Environ(), asChild+"="+folder, "PGPORT=1", "PGDATA=/nowhere", "TZ=Pacific/Apia")
	in, err := cmd.StdinPipe()
	require.NoError(t, err)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	return &program{cmd, in, bufio.NewScanner(out)}
}

// until reads on to a line that has the words, and returns it.
func (p *program) until(t *testing.T, words string) string {
	t.Helper()
	var said []string
	for p.lines.Scan() {
		said = append(said, p.lines.Text())
		if strings.Contains(p.lines.Text(), words) {
			return p.lines.Text()
		}
	}
	t.Fatalf("the child ended without %q; it said:\n%s", words, strings.Join(said, "\n"))
	return ""
}

// kill ends it as an outage would.
func (p *program) kill(t *testing.T) {
	t.Helper()
	require.NoError(t, p.cmd.Process.Kill())
	_ = p.cmd.Wait() // "signal: killed"
}

// reachable copies the test binary, which the go command builds in a folder closed to others.
func reachable(t *testing.T, exe string) string {
	t.Helper()
	to := filepath.Join(state(t), "child")
	data, err := os.ReadFile(exe)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(to, data, 0o755))
	return to
}

// state is an empty folder that every user may pass through; t.TempDir is closed, and too long for a socket.
func state(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "vialward local ") //nolint:usetesting // see above; with spaces: they have to work
	require.NoError(t, err)
	require.NoError(t, os.Chmod(dir, 0o755))
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	return dir
}

// running starts one in this process and stops it with the test.
func running(t *testing.T, folder string) *Server {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	s, err := Start(ctx, Options{StateFolder: folder})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Stop(context.Background())) })
	return s
}

// ask runs one statement on a connection of its own.
func ask(ctx context.Context, s *Server, statement string) error {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	c, err := pgx.Connect(ctx, s.DSN("postgres"))
	if err != nil {
		return err
	}
	defer func() { _ = c.Close(ctx) }()
	_, err = c.Exec(ctx, statement)
	return err
}

// eventually asks again until it is so, and fails after half a minute.
func eventually(t *testing.T, what string, so func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	for !so() {
		require.True(t, wait(ctx, 2*time.Millisecond), "still waiting: %s", what)
	}
}
