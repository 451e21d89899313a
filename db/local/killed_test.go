package local

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

// The starting process is killed at moments it names itself; the next start finds things as they must be.
func TestStarterKilled(t *testing.T) {
	t.Parallel()
	for _, moment := range []string{
		"begun",                         // before anything
		"making a new Postgres cluster", // initdb begins
		"starting PostgreSQL",           // the cluster is in place, Postgres begins
		"listening on Unix socket",      // its pid file is written
		"ready to accept connections",   // sessions may come
		"up",                            // one came
	} {
		t.Run(moment, func(t *testing.T) {
			t.Parallel()
			folder := state(t)
			p := begin(t, folder, false)
			p.until(t, moment)
			p.kill(t)

			s := running(t, folder)
			require.NoError(t, ask(context.Background(), s, "create table t (n int)"))
			eventually(t, "an unfinished initdb folder stays until the next start at most", func() bool {
				left, err := filepath.Glob(filepath.Join(folder, fresh))
				return err == nil && len(left) <= 1
			})
		})
	}
}

// A session of the killed program goes on for as long as its statement: the next start waits for it to be ended, and
// what was committed is there.
func TestStarterKilledWhileInUse(t *testing.T) {
	t.Parallel()
	folder := state(t)
	p := begin(t, folder, false)
	p.until(t, "up")
	ghost, err := place(folder)
	require.NoError(t, err)
	other := &Server{at: ghost}
	require.NoError(t, ask(context.Background(), other, "create table kept (n int)"))
	slow := make(chan error, 1)
	go func() { slow <- ask(context.Background(), other, "select pg_sleep(60)") }()
	p.kill(t)

	s := running(t, folder)
	require.Error(t, <-slow, "the old session was cut off")
	require.NoError(t, ask(context.Background(), s, "insert into kept values (1)"))
}

func TestPostmasterKilled(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := running(t, state(t))
	require.NoError(t, ask(ctx, s, "create table kept (n int)"))
	slow := make(chan error, 1)
	go func() { slow <- ask(ctx, s, "select pg_sleep(60)") }() // its session outlives the postmaster for a moment
	for range 2 {
		pid := postmasterOf(t, s)
		require.NoError(t, syscall.Kill(pid, syscall.SIGKILL))
		eventually(t, "Postgres to be started again", func() bool {
			return ask(ctx, s, "insert into kept values (1)") == nil && postmasterOf(t, s) != pid
		})
	}
	require.Error(t, <-slow)
	require.NoError(t, s.Stop(ctx))
	require.Empty(t, s.workers())
}

// Killed together with its starter, Postgres leaves a pid file, and the id in it may be another process's by then.
func TestKilledTogetherAndItsIDReused(t *testing.T) {
	t.Parallel()
	for name, first := range map[string]func(*testing.T, layout) string{
		"the id of another process of its user": another,
		"cut short before the id":               func(*testing.T, layout) string { return "" },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			folder := state(t)
			p := begin(t, folder, false)
			p.until(t, "up")
			at, err := place(folder)
			require.NoError(t, err)
			dead := &Server{at: at}
			require.NoError(t, p.cmd.Process.Signal(syscall.SIGSTOP)) // so that it starts none again
			require.NoError(t, syscall.Kill(postmasterOf(t, dead), syscall.SIGKILL))
			p.kill(t)
			eventually(t, "every process to be gone", func() bool { return len(dead.workers()) == 0 })

			lines := dead.pidFile()
			require.NotEmpty(t, lines, "a killed Postgres leaves its pid file")
			lines[0] = first(t, at)
			text := strings.Join(lines, "\n")
			if lines[0] == "" {
				text = ""
			}
			require.NoError(t, os.WriteFile(at.pid(), []byte(text), 0o600))
			require.NoError(t, ask(context.Background(), running(t, folder), "select 1"))
		})
	}
}

// another starts a process of whoever owns the data, and returns its id.
func another(t *testing.T, at layout) string {
	t.Helper()
	o, err := at.owner(true)
	require.NoError(t, err)
	cmd := exec.Command("cat")
	cmd.Dir, cmd.SysProcAttr = "/", o.attr(syscall.SIGKILL)
	in, err := cmd.StdinPipe()
	require.NoError(t, err)
	runtime.LockOSThread() // or it ends early, with a thread of the Go runtime
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		runtime.UnlockOSThread()
		_ = in.Close()
		_ = cmd.Wait()
	})
	return strconv.Itoa(cmd.Process.Pid)
}

func TestInitdbKilled(t *testing.T) {
	t.Parallel()
	folder := state(t)
	p := begin(t, folder, false)
	p.until(t, "making a new Postgres cluster")
	initdb := 0
	eventually(t, "initdb to appear", func() bool { initdb = childNamed(p.cmd.Process.Pid, "initdb"); return initdb != 0 })
	require.NoError(t, syscall.Kill(initdb, syscall.SIGKILL))
	require.Contains(t, p.until(t, "refused"), "make a new Postgres cluster")
	_ = p.cmd.Wait() // "exit status 1"

	s := running(t, folder)
	require.NoError(t, ask(context.Background(), s, "select 1"))
}

// postmasterOf reads the process id that Postgres wrote.
func postmasterOf(t *testing.T, s *Server) int {
	t.Helper()
	pid := 0
	eventually(t, "the pid file", func() bool {
		lines := s.pidFile()
		if len(lines) == 0 {
			return false
		}
		n, err := strconv.Atoi(lines[0])
		pid = n
		return err == nil
	})
	return pid
}

// childNamed finds the child of parent with that command, 0 if there is none now.
func childNamed(parent int, name string) int {
	lists, _ := filepath.Glob(filepath.Join("/proc", strconv.Itoa(parent), "task/*/children"))
	for _, list := range lists {
		ids, _ := os.ReadFile(list)
		for _, id := range strings.Fields(string(ids)) {
			comm, err := os.ReadFile(filepath.Join("/proc", id, "comm"))
			if pid, bad := strconv.Atoi(id); err == nil && bad == nil && strings.TrimSpace(string(comm)) == name {
				return pid
			}
		}
	}
	return 0
}
