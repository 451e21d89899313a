package local

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// owner is the user Postgres runs as. Postgres refuses to be root, so root drops to another.
type owner struct {
	name     string
	uid, gid int
	drop     bool // this process is root and the owner is not
}

// systemUser is who Postgres runs as when root starts it: the user its package makes.
const systemUser = "postgres"

// attr starts a child as the owner, in a process group of its own (Ctrl-C is for us: we stop it in order), and has
// the kernel end it with sig when the thread that started it ends.
func (o *owner) attr(sig syscall.Signal) *syscall.SysProcAttr {
	a := &syscall.SysProcAttr{Setpgid: true, Pdeathsig: sig}
	if o.drop {
		a.Credential = &syscall.Credential{Uid: uint32(o.uid), Gid: uint32(o.gid)}
	}
	return a
}

// own gives a folder that we made to the owner.
func (o *owner) own(folder string) error {
	if !o.drop {
		return nil
	}
	return os.Chown(folder, o.uid, o.gid)
}

// letGo is how long a lock may outlive who held it: a child that a killed program had just forked has the lock's file open
// until it becomes initdb or Postgres.
const letGo = time.Second

// take makes the folder and locks it for this process. The kernel lets go of the lock when the process ends.
func (l layout) take(ctx context.Context) (*os.File, error) {
	mode := fs.FileMode(0o700)
	if os.Geteuid() == 0 {
		mode = 0o755 // the owner has to pass through; data and run are closed themselves
	}
	if err := os.MkdirAll(l.folder, mode); err != nil {
		return nil, l.explain(err)
	}
	f, err := os.OpenFile(l.lock, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, l.explain(err)
	}
	const tries = 20
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	for n := 0; n < tries && errors.Is(err, syscall.EWOULDBLOCK) && ctx.Err() == nil; n++ {
		select {
		case <-ctx.Done():
		case <-time.After(letGo / tries):
			err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		}
	}
	if err != nil {
		f.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, fmt.Errorf("the Postgres in %s is %w: stop that one, or choose another state folder",
				l.folder, ErrInUse)
		}
		return nil, fmt.Errorf("lock %s: %w", l.lock, err)
	}
	return f, nil
}

// explain turns "permission denied" into what to do about it.
func (l layout) explain(err error) error {
	if !errors.Is(err, fs.ErrPermission) {
		return fmt.Errorf("open the state folder: %w", err)
	}
	return fmt.Errorf("the state folder %s belongs to %s, and %s may not use it: start as that user, or choose another"+
		" state folder (%w)", l.folder, nameOf(uidOf(l.folder)), nameOf(os.Geteuid()), err)
}

// major is the version that made the data, 0 where there is none yet.
func (l layout) major() (int, error) {
	text, err := os.ReadFile(filepath.Join(l.data, "PG_VERSION"))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if _, err := os.Lstat(l.data); err == nil {
			return 0, fmt.Errorf("%s is not the data of a Postgres (no PG_VERSION in it): move it away, or choose"+
				" another state folder", l.data)
		}
		return 0, nil
	case err != nil:
		return 0, l.explain(err)
	}
	n, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		return 0, fmt.Errorf("%s says version %q, which this program does not know: choose another state folder",
			l.data, strings.TrimSpace(string(text)))
	}
	return n, nil
}

// owner decides who Postgres runs as: ourselves, or for root whoever has the data, or else the system user.
func (l layout) owner(exists bool) (*owner, error) {
	me := os.Geteuid()
	if me != 0 {
		if uid := uidOf(l.data); exists && uid != me {
			return nil, l.explain(fs.ErrPermission)
		}
		return &owner{name: nameOf(me), uid: me, gid: os.Getegid()}, nil
	}
	if exists {
		var st syscall.Stat_t
		if err := syscall.Stat(l.data, &st); err != nil {
			return nil, fmt.Errorf("look at %s: %w", l.data, err)
		}
		if st.Uid == 0 {
			return nil, fmt.Errorf("%s belongs to root, and Postgres does not run as root: chown -R %s %s",
				l.data, systemUser, l.data)
		}
		return &owner{name: nameOf(int(st.Uid)), uid: int(st.Uid), gid: int(st.Gid), drop: true}, nil
	}
	u, err := user.Lookup(systemUser)
	if err != nil {
		return nil, fmt.Errorf("Postgres does not run as root, and there is no user %s to run it as: make one (useradd"+
			" --system %s), or start as an ordinary user", systemUser, systemUser)
	}
	uid, err := strconv.Atoi(u.Uid)
	if err != nil {
		return nil, fmt.Errorf("read the id of user %s: %w", systemUser, err)
	}
	gid, err := strconv.Atoi(u.Gid)
	if err != nil {
		return nil, fmt.Errorf("read the group of user %s: %w", systemUser, err)
	}
	return &owner{name: systemUser, uid: uid, gid: gid, drop: true}, nil
}

// prepare makes the socket's folder and makes sure that the owner gets there.
func (l layout) prepare(ctx context.Context, o *owner, b binaries) error {
	if err := os.Mkdir(l.run, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return l.explain(err)
	}
	if err := errors.Join(os.Chmod(l.run, 0o700), o.own(l.run)); err != nil {
		return l.explain(err)
	}
	if !o.drop {
		return nil
	}
	// Any child will do: the kernel enters its folder as the owner.
	probe := exec.CommandContext(ctx, b.postgres, "--version")
	probe.Dir, probe.SysProcAttr = l.run, o.attr(syscall.SIGKILL)
	if err := probe.Run(); err != nil {
		return fmt.Errorf("user %s, as whom Postgres runs, does not get to %s: let others pass through every folder"+
			" above it (chmod o+x), or choose another state folder (%w)", o.name, l.run, err)
	}
	return nil
}

func uidOf(path string) int {
	for {
		var st syscall.Stat_t
		if err := syscall.Stat(path, &st); err == nil {
			return int(st.Uid)
		}
		up := filepath.Dir(path)
		if up == path {
			return 0
		}
		path = up // the folder that is there is the one that refused
	}
}

func nameOf(uid int) string {
	if u, err := user.LookupId(strconv.Itoa(uid)); err == nil {
		return "user " + u.Username
	}
	return "user " + strconv.Itoa(uid)
}
