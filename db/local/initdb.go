package local

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"time"
)

// fresh is the pattern of the folders initdb writes into.
const fresh = "initdb-*"

// initialise makes a new cluster. initdb's children outlive it when it is killed and go on writing, so each run gets
// a folder of its own, and only a finished one is renamed to data.
func (s *Server) initialise(ctx context.Context) error {
	left, _ := filepath.Glob(filepath.Join(s.at.folder, fresh)) // errs on a bad pattern only
	for _, old := range left {
		_ = os.RemoveAll(old) // an orphan may be writing still: then a later start removes it
	}
	dir, err := os.MkdirTemp(s.at.folder, fresh)
	if err != nil {
		return s.at.explain(err)
	}
	if err := s.owner.own(dir); err != nil {
		return s.at.explain(err)
	}
	// trust, because only the owner (and root) can enter the socket's folder. The C locale sorts the same everywhere:
	// an index does not break when the system's library changes its mind.
	args := []string{
		"--pgdata=" + dir, "--username=" + User, "--auth-local=trust", "--auth-host=reject",
		"--encoding=UTF8", "--locale=C", "--no-instructions",
	}
	if !s.o.Durable {
		args = append(args, "--no-sync")
	}
	s.log.Info("making a new Postgres cluster", "folder", s.at.data)
	out, err := s.run(ctx, s.bin.initdb, args...)
	if err != nil {
		_ = os.RemoveAll(dir)
		return fmt.Errorf("make a new Postgres cluster in %s: %w: %s", s.at.folder, err, strings.TrimSpace(out))
	}
	if err := os.Rename(dir, s.at.data); err != nil {
		return fmt.Errorf("put the new Postgres cluster in its place: %w", err)
	}
	if !s.o.Durable {
		return nil
	}
	return syncFolder(s.at.folder)
}

// run runs a program as the owner to its end. Whatever it leaves behind ends with it.
func (s *Server) run(ctx context.Context, program string, args ...string) (string, error) {
	type result struct {
		out []byte
		err error
	}
	ended := make(chan result, 1)
	go func() {
		runtime.LockOSThread() // see supervise
		cmd := exec.CommandContext(ctx, program, args...)
		cmd.Dir, cmd.Env, cmd.SysProcAttr = s.at.run, environment(), s.owner.attr(syscall.SIGINT)
		group := func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
		cmd.Cancel, cmd.WaitDelay = group, time.Second // a child that it left would hold its output open
		out, err := cmd.CombinedOutput()
		if cmd.Process != nil && err != nil {
			_ = group() // its children, where it left some
		}
		ended <- result{out, err}
	}()
	r := <-ended
	return string(r.out), r.err
}

// environment of every child: nothing of ours that Postgres would listen to (PGDATA, PGPORT, a language, a zone).
func environment() []string {
	return []string{"PATH=" + os.Getenv("PATH"), "LC_ALL=C", "TZ=UTC"}
}

// syncFolder makes a rename in it last.
func syncFolder(folder string) error {
	f, err := os.Open(folder)
	if err != nil {
		return fmt.Errorf("open %s: %w", folder, err)
	}
	defer f.Close()
	if err := f.Sync(); err != nil {
		return fmt.Errorf("write %s to the disk: %w", folder, err)
	}
	return nil
}
