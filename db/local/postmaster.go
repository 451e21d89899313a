package local

import (
	"context"
	"fmt"
	"maps"
	"os/exec"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"
)

const (
	// orphanPatience is how long a start waits for what a daemon that died left running.
	orphanPatience = time.Minute
	// glance is how often a file of Postgres is looked at; nothing announces its change.
	glance = 5 * time.Millisecond
	// againAfter bounds the pace of starting Postgres again.
	againAfter = time.Second
)

// supervise starts Postgres, reports the first start, and starts it again when it dies, until Stop. The kernel ends
// the child with the *thread* that started it, so this goroutine keeps its thread for good.
func (s *Server) supervise(ctx context.Context, started chan<- error) {
	runtime.LockOSThread()
	defer close(s.done)
	p, err := s.launch(ctx)
	started <- err
	if err != nil {
		return // Start lets go of the lock
	}
	defer s.lock.Close()
	for {
		select {
		case <-s.stopping:
			s.end(p)
			return
		case <-p.exited:
		}
		s.log.Error("Postgres ended, starting it again", "folder", s.at.folder, "why", p.why())
		for p = nil; p == nil; {
			again, cancel := s.untilStop()
			p, err = s.launch(again) //nolint:contextcheck // the context of the start has ended
			cancel()
			if err == nil {
				break
			}
			s.log.Error("start Postgres again", "error", err)
			select {
			case <-s.stopping:
				return
			case <-time.After(againAfter):
			}
		}
	}
}

// untilStop is a context that ends with Stop.
func (s *Server) untilStop() (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancel(context.Background())
	go func() {
		select {
		case <-s.stopping:
			cancel()
		case <-ctx.Done():
		}
	}()
	return ctx, cancel
}

// launch waits for what an earlier run left, starts Postgres and returns when it takes connections.
func (s *Server) launch(ctx context.Context) (*postmaster, error) {
	patience, cancel := context.WithTimeout(ctx, orphanPatience) // for what is left; a recovery may take its time
	defer cancel()
	if err := s.awaitOrphan(patience); err != nil {
		return nil, err
	}
	for {
		p, err := s.exec()
		if err != nil {
			return nil, err
		}
		err = s.awaitReady(ctx, p)
		if err == nil {
			return p, nil
		}
		// Sessions of a killed Postgres notice within moments, and hold its shared memory until then.
		if !strings.Contains(p.said.String(), "shared memory block") || !wait(patience, 10*glance) {
			return nil, err
		}
	}
}

// exec starts the process.
func (s *Server) exec() (*postmaster, error) {
	cmd := exec.Command(s.bin.postgres, s.args()...) //nolint:noctx // it outlives the start, and is stopped in order
	cmd.Dir, cmd.Env, cmd.SysProcAttr = s.at.run, environment(), s.owner.attr(syscall.SIGINT)
	p := &postmaster{cmd: cmd, said: &chatter{log: s.log, stopping: s.stopping}, exited: make(chan struct{})}
	cmd.Stderr = p.said
	cmd.WaitDelay = time.Second // a session that outlives Postgres would hold its output open
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("start Postgres: %w", err)
	}
	go func() {
		p.err = cmd.Wait()
		close(p.exited)
	}()
	return p, nil
}

func (s *Server) args() []string {
	settings := map[string]string{
		"listen_addresses":        "",
		"unix_socket_directories": `"` + strings.ReplaceAll(s.at.run, `"`, `""`) + `"`, // it is a list
		"unix_socket_permissions": "0700",
		"port":                    port,
		"log_destination":         "stderr",
		"logging_collector":       "off",
		"log_line_prefix":         "",
		"lc_messages":             "C",
		"timezone":                "UTC",
		"log_timezone":            "UTC",
	}
	if !s.o.Durable {
		// Only an outage of the whole machine may lose something. synchronous_commit stays on: without it a killed
		// Postgres forgets what it has just acknowledged.
		settings["fsync"], settings["full_page_writes"] = "off", "off"
	}
	maps.Copy(settings, s.o.Settings)
	args := []string{"-D", s.at.data}
	for _, name := range slices.Sorted(maps.Keys(settings)) {
		args = append(args, "-c", name+"="+settings[name])
	}
	return args
}

// awaitReady returns when Postgres has written "ready" into its pid file (as pg_ctl does it), or ends a Postgres that
// did not in time.
func (s *Server) awaitReady(ctx context.Context, p *postmaster) error {
	for {
		if lines := s.pidFile(); len(lines) > 7 && lines[0] == strconv.Itoa(p.cmd.Process.Pid) &&
			strings.TrimSpace(lines[7]) == "ready" {
			return nil
		}
		select {
		case <-p.exited:
			return fmt.Errorf("start Postgres in %s: %s", s.at.folder, p.why())
		case <-ctx.Done():
			_ = p.cmd.Process.Signal(syscall.SIGQUIT)
			<-p.exited
			return fmt.Errorf("start Postgres in %s: not ready in time: %w: %s", s.at.folder, ctx.Err(), p.why())
		case <-time.After(glance):
		}
	}
}

// end stops Postgres: fast, then at once when Stop has lost patience.
func (s *Server) end(p *postmaster) {
	_ = p.cmd.Process.Signal(syscall.SIGINT)
	select {
	case <-p.exited:
		return
	case <-s.now:
	}
	_ = p.cmd.Process.Signal(syscall.SIGQUIT)
	select {
	case <-p.exited:
	case <-time.After(5 * time.Second):
		_ = p.cmd.Process.Kill()
		<-p.exited
	}
}

// wait is false when ctx ended first.
func wait(ctx context.Context, d time.Duration) bool {
	select {
	case <-ctx.Done():
		return false
	case <-time.After(d):
		return true
	}
}

// postmaster is one run of Postgres.
type postmaster struct {
	cmd    *exec.Cmd
	said   *chatter
	exited chan struct{}
	err    error // of Wait; read after exited
}

// why says how it ended, in its own words where it had some; after exited only.
func (p *postmaster) why() string {
	how := "it ended by itself"
	if p.err != nil {
		how = p.err.Error()
	}
	if said := strings.TrimSpace(p.said.String()); said != "" {
		return how + ": " + strings.ReplaceAll(said, "\n", "; ")
	}
	return how
}
