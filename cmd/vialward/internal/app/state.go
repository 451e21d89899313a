package app

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
)

// claim is a daemon's hold on its state folder: one file, locked as long as the process lives, with the name the daemon
// goes by in the database. The kernel lets go of the lock however the process ends, and the name stays: what a killed
// daemon had claimed there is known to be its successor's.
type claim struct {
	file *os.File
	name string
}

const claimFile = "daemon"

// makeState makes the folder where it is missing.
func makeState(folder string) error {
	mode := fs.FileMode(0o700)
	if os.Geteuid() == 0 {
		mode = 0o755 // a private Postgres under it runs as another user
	}
	if err := os.MkdirAll(folder, mode); err != nil {
		return fmt.Errorf("make the state folder %s: %w; make it by hand, or set state.folder to another", folder, err)
	}
	return nil
}

// claimState takes the folder for this daemon, and refuses when another has it.
func claimState(folder string) (c *claim, err error) {
	if err := makeState(folder); err != nil {
		return nil, err
	}
	f, err := os.OpenFile(filepath.Join(folder, claimFile), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open the state folder %s: %w; it has to be the daemon's own, or set state.folder to another", folder, err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, f.Close())
		}
	}()
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, fmt.Errorf("another daemon runs on the state folder %s; stop that one, or set state.folder to another", folder)
		}
		return nil, fmt.Errorf("lock the state folder %s: %w", folder, err)
	}
	text, err := io.ReadAll(io.LimitReader(f, 100))
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", f.Name(), err)
	}
	host, err := os.Hostname()
	if err != nil {
		return nil, fmt.Errorf("ask for this machine's name: %w", err)
	}
	// A folder that was copied from another machine brought that one's name: it gets one of its own.
	if name := strings.TrimSpace(string(text)); strings.HasPrefix(name, host+"-") {
		return &claim{f, name}, nil
	}
	name := host + "-" + strings.ToLower(rand.Text())
	if err := errors.Join(f.Truncate(0), writeAtStart(f, name+"\n")); err != nil {
		return nil, fmt.Errorf("write %s: %w", f.Name(), err)
	}
	return &claim{f, name}, nil
}

func writeAtStart(f *os.File, text string) error {
	_, err := f.WriteAt([]byte(text), 0)
	return err
}

// let another daemon have the folder.
func (c *claim) let() error { return c.file.Close() }
