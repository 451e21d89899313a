package local

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// awaitOrphan waits for the Postgres that a dead daemon left in our folder. The lock is ours, so nobody needs it, and
// it has been told to stop. What a killed one left is tidied up, so that the next one starts.
func (s *Server) awaitOrphan(ctx context.Context) error {
	lines := s.pidFile()
	if len(lines) == 0 {
		return nil // it ended in order, or never ran
	}
	at := s.workers
	if lines[0] != "" {
		pid, err := strconv.Atoi(lines[0])
		if err != nil || pid <= 0 {
			return fmt.Errorf("%s does not begin with a process id: if no Postgres works in %s, remove that file",
				s.at.pid(), s.at.data)
		}
		at = func() []int {
			if s.works(pid, true) {
				return []int{pid}
			}
			return nil
		}
	}
	for pids := at(); len(pids) > 0; pids = at() {
		if !wait(ctx, glance) {
			return fmt.Errorf("Postgres (process %d) of an earlier run still works in %s: end it with kill -QUIT %d,"+
				" then start again: %w", pids[0], s.at.data, pids[0], ctx.Err())
		}
	}
	if lines = s.pidFile(); len(lines) == 0 {
		return nil
	}
	return s.tidy(lines)
}

// tidy readies the files of a killed Postgres for the next one. By now its id may be another process's, for which
// Postgres would refuse to start. It ignores its parent's id, so ours goes there; the rest of the file stays, because
// with it Postgres finds out whether sessions of the killed one are still alive. An empty file is from before there
// could be any.
func (s *Server) tidy(lines []string) error {
	gone := []string{s.at.socket(), s.at.socket() + ".lock"}
	if lines[0] == "" {
		gone = append(gone, s.at.pid())
	} else {
		lines[0] = strconv.Itoa(os.Getpid())
		whole := filepath.Join(s.at.data, "postmaster.pid.new")
		err := os.WriteFile(whole, []byte(strings.Join(lines, "\n")), 0o600)
		if err = errors.Join(err, s.owner.own(whole), os.Rename(whole, s.at.pid())); err != nil {
			return fmt.Errorf("write %s: %w", s.at.pid(), err)
		}
	}
	for _, f := range gone {
		if err := os.Remove(f); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("remove what a killed Postgres left: %w", err)
		}
	}
	return nil
}

// works is true while pid is a Postgres in our data folder. Where the kernel does not show its folder (root in a
// container may not look), the answer is unsure.
func (s *Server) works(pid int, unsure bool) bool {
	proc := filepath.Join("/proc", strconv.Itoa(pid))
	name, err := os.ReadFile(filepath.Join(proc, "comm"))
	if err != nil || !strings.HasPrefix(string(name), "post") { // postgres, or postmaster
		return false
	}
	stat, err := os.ReadFile(filepath.Join(proc, "stat"))
	if _, state, _ := bytes.Cut(stat, []byte(") ")); err != nil || bytes.HasPrefix(state, []byte("Z")) {
		return false // dead, and only waits for its parent to notice
	}
	cwd, err := os.Readlink(filepath.Join(proc, "cwd"))
	if err != nil {
		return unsure
	}
	for _, ours := range []string{s.at.data, s.at.run} { // it begins in run and moves to its data
		if path, err := filepath.EvalSymlinks(ours); err == nil && cwd == path {
			return true
		}
	}
	return false
}

// workers are all that work in our data folder.
func (s *Server) workers() []int {
	var pids []int
	entries, _ := os.ReadDir("/proc") // a /proc that cannot be read shows nobody
	for _, e := range entries {
		if pid, err := strconv.Atoi(e.Name()); err == nil && s.works(pid, false) {
			pids = append(pids, pid)
		}
	}
	return pids
}

// pidFile reads postmaster.pid by lines; none when it is not there.
func (s *Server) pidFile() []string {
	text, err := os.ReadFile(s.at.pid())
	if err != nil {
		return nil
	}
	return strings.Split(string(text), "\n")
}
