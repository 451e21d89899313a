// Package intake is how temperature logs arrive: files on the command line, files in a watched folder, posts over HTTP.
// Whatever the way, text becomes readings in tracker/templog and readings become judged in tracker.TakeIn.
package intake

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"vialward/cmd/vialward/internal/config"
	"vialward/tracker"
	"vialward/tracker/templog"
)

// largest file that is read: a year of one-minute readings of a hundred sensors is half of it.
const largest = 4 << 30

// errUnreadable is a file that will not be read, however often it is tried as it is.
var errUnreadable = errors.New("it cannot be read as it is")

// How a file is to be read; zero fields are not said.
type How struct {
	Layout string // path of a layout file; "" = the plain form
	Zone   *time.Location
	Unit   string
	Source string // folder, command
	Live   bool

	bytes int64 // of the text, where it is a file
}

// File takes in one file. Links, devices and folders are not followed. The digest is that of its bytes.
func File(ctx context.Context, t *tracker.Tracker, site string, a tracker.Actor, path string, how How) (in tracker.Intake, digest []byte, err error) {
	f, err := open(path)
	if err != nil {
		return in, nil, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	h := sha256.New()
	if how.bytes, err = io.Copy(h, f); err != nil {
		return in, nil, fmt.Errorf("read %s: %w", path, err)
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return in, nil, fmt.Errorf("read %s: %w", path, err)
	}
	digest = h.Sum(nil)
	in, err = Text(ctx, t, site, a, filepath.Base(path), digest, f, how)
	return in, digest, err
}

// Text takes in a log from a stream.
func Text(ctx context.Context, t *tracker.Tracker, site string, a tracker.Actor, name string, digest []byte, r io.Reader, how How) (tracker.Intake, error) {
	var layout *templog.Layout
	text := ""
	if how.Layout != "" {
		l, err := config.ReadLayout(how.Layout)
		if err != nil {
			return tracker.Intake{}, err
		}
		raw, err := os.ReadFile(how.Layout)
		if err != nil {
			return tracker.Intake{}, fmt.Errorf("keep the layout beside the intake: %w", err)
		}
		layout, text = &l, string(bytes.ToValidUTF8(raw, nil))
	}
	if layout != nil && layout.Zone != nil && how.Zone != nil && layout.Zone.String() != how.Zone.String() { // one would silently not count
		return tracker.Intake{}, &templog.DocumentError{Why: fmt.Sprintf("%s: the layout says zone = %q, but the zone was given as %s: leave one out", name, layout.Zone, how.Zone)}
	}
	p, err := templog.NewParser(r, layout, templog.Options{Zone: how.Zone, Unit: how.Unit})
	if err != nil {
		return tracker.Intake{}, fmt.Errorf("%s: %w", name, err)
	}
	zone := ""
	if how.Zone != nil {
		zone = how.Zone.String()
	}
	return t.TakeIn(ctx, site, a, tracker.Delivery{Source: how.Source, Name: name, Digest: digest, Layout: text, Zone: zone, Live: how.Live, Values: p, Bytes: how.bytes})
}

// open refuses everything but a plain file, also one put in its place between looking and opening.
func open(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NOFOLLOW|syscall.O_NONBLOCK, 0)
	if errors.Is(err, fs.ErrPermission) {
		return nil, fmt.Errorf("%w (%w); let the user the daemon runs as read it", err, errUnreadable)
	}
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", path, err)
	}
	info, err := f.Stat()
	switch {
	case err != nil:
	case !info.Mode().IsRegular():
		err = fmt.Errorf("%s is not a plain file; give the file itself, not a link, folder or device", path)
	case info.Size() > largest:
		err = fmt.Errorf("%s has %d MB (%w); split it by sensor or by month", path, info.Size()>>20, errUnreadable)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}
