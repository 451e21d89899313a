// Package local runs a private Postgres from the binaries installed on this machine, for whoever gave no address of a
// database: one folder holds its data, its lock and its socket, and nobody else can reach it.
//
// What holds at any moment, also when a process is killed outright:
//   - The daemon dies: the kernel tells Postgres to stop (a fast stop), and the next start waits for it.
//   - Postgres dies: it is started again on the same socket, and recovers from its own log.
//   - initdb dies: it was writing into a folder that nothing has ever used; the next start makes a new one.
//   - Two daemons on one folder: the second is refused.
//
// Postgres listens on a Unix socket in a folder only its owner may enter, and on no network address.
package local

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
)

// Options of one private Postgres.
type Options struct {
	StateFolder string            // made when missing; holds data, lock and socket
	Log         *slog.Logger      // what Postgres says; nil: nothing is logged
	Durable     bool              // false: an outage of the machine may lose data. For tests and the demo
	Settings    map[string]string // more settings, named as in postgresql.conf
}

// ErrInUse is wrapped by Start when another process runs the Postgres of that folder.
var ErrInUse = errors.New("in use by another process")

// User owns the databases of a private Postgres.
const User = "vialward"

// port is only a part of the socket's name.
const port = "5432"

// socketPathMax is what fits into sockaddr_un.sun_path with its closing zero; see unix(7).
const socketPathMax = 107

// Server is a running private Postgres. It is started again when it dies, until Stop.
type Server struct {
	o     Options
	log   *slog.Logger
	at    layout
	bin   binaries
	owner *owner
	lock  *os.File

	stopping chan struct{} // closed by the first Stop
	stopOnce sync.Once
	now      chan struct{} // closed when a Stop runs out of patience
	nowOnce  sync.Once
	done     chan struct{} // closed when Postgres has ended after a Stop
}

// layout is where things lie in a state folder.
type layout struct{ folder, data, run, lock string }

func (l layout) socket() string { return filepath.Join(l.run, ".s.PGSQL."+port) }
func (l layout) pid() string    { return filepath.Join(l.data, "postmaster.pid") }

// Start returns when Postgres takes connections. A folder without data gets a new cluster first, which takes a second.
// Errors are sentences that say what to do; ErrInUse is wrapped when the folder has an owner already. ctx bounds the
// start alone: the server runs until Stop or until this process ends, however it ends.
func Start(ctx context.Context, o Options) (*Server, error) {
	at, err := place(o.StateFolder)
	if err != nil {
		return nil, err
	}
	s := &Server{
		o: o, at: at, log: o.Log,
		stopping: make(chan struct{}), now: make(chan struct{}), done: make(chan struct{}),
	}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	if s.lock, err = at.take(ctx); err != nil {
		return nil, err
	}
	if err := s.start(ctx); err != nil {
		s.lock.Close()
		return nil, err
	}
	return s, nil
}

func (s *Server) start(ctx context.Context) error {
	major, err := s.at.major()
	if err != nil {
		return err
	}
	if s.owner, err = s.at.owner(major != 0); err != nil {
		return err
	}
	if s.bin, err = find(ctx, major, s.at.data); err != nil {
		return err
	}
	if err := s.at.prepare(ctx, s.owner, s.bin); err != nil {
		return err
	}
	if major == 0 {
		if err := s.initialise(ctx); err != nil {
			return err
		}
	}
	started := make(chan error, 1)
	go s.supervise(ctx, started)
	return <-started
}

// place derives the layout, and refuses a folder whose socket no client could name.
func place(folder string) (layout, error) {
	if folder == "" {
		return layout{}, errors.New("the private Postgres needs a state folder, and none was given")
	}
	f, err := filepath.Abs(folder)
	if err != nil {
		return layout{}, fmt.Errorf("find the state folder %s: %w", folder, err)
	}
	if strings.Contains(f, ",") {
		return layout{}, fmt.Errorf("the path of the state folder %s has a comma, and clients of Postgres take that for"+
			" two servers: choose a folder without one", f)
	}
	l := layout{f, filepath.Join(f, "data"), filepath.Join(f, "run"), filepath.Join(f, "lock")}
	if n := len(l.socket()); n > socketPathMax {
		return layout{}, fmt.Errorf("the path of the state folder is %d bytes too long for a Unix socket (%s; at most %d"+
			" bytes): choose a folder with a shorter path", n-socketPathMax, l.socket(), socketPathMax)
	}
	return l, nil
}

// DSN is the address of one database of this server, as a URL.
func (s *Server) DSN(database string) string {
	u := url.URL{Scheme: "postgres", User: url.User(User), Path: "/" + database}
	q := url.Values{"host": {s.at.run}, "port": {port}, "sslmode": {"disable"}}
	u.RawQuery = strings.ReplaceAll(q.Encode(), "+", "%20") // libpq does not read + as a space
	return u.String()
}

// Stop ends Postgres: open transactions are rolled back, connections closed, everything written down. When ctx ends
// first Postgres is told to drop everything at once, and recovers at the next start; the error then is ctx's. A second
// Stop waits for the first.
func (s *Server) Stop(ctx context.Context) error {
	s.stopOnce.Do(func() { close(s.stopping) })
	select {
	case <-s.done:
		return nil
	case <-ctx.Done():
	}
	s.nowOnce.Do(func() { close(s.now) })
	<-s.done
	return fmt.Errorf("stop Postgres in %s: it had to be cut off: %w", s.at.folder, ctx.Err())
}
