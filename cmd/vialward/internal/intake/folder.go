package intake

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"vialward/cmd/vialward/internal/config"
	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/templog"
)

// Folder watches for files. A file is taken when it has stopped growing, then moved: to taken/, or, when it is not the
// log it is described as, to refused/ with a report beside it. It is looked at, not listened to: a poll sees files that
// arrived before the daemon did, over any file system.
//
// A folder serves the one site there is; where there are several, files lie in a folder named after their site's code.
// The daemon may die at any point: a file is moved only after what it brought is stored, and taking it again is
// harmless.
type Folder struct {
	Config  config.Intake
	Tracker *tracker.Tracker
	Log     *slog.Logger

	seen map[string]mark // size and time of files that are not settled yet
}

type mark struct {
	size  int64
	mod   time.Time
	since time.Time
}

const (
	takenFolder   = "taken"
	refusedFolder = "refused"
	lookEvery     = time.Second
)

// Run looks until ctx ends.
func (f *Folder) Run(ctx context.Context) {
	tick := time.NewTicker(min(lookEvery, max(f.Config.Settle/2, 50*time.Millisecond)))
	defer tick.Stop()
	for {
		if err := f.Look(ctx, time.Now()); err != nil && ctx.Err() == nil {
			f.Log.Error("watched folder", "folder", f.Config.Folder, "error", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// Look takes every file that has not changed for the settling time, as seen by now.
func (f *Folder) Look(ctx context.Context, now time.Time) error {
	sites, err := f.Tracker.Store.Sites(ctx)
	if err != nil {
		return err
	}
	if f.seen == nil {
		f.seen = map[string]mark{}
	}
	var errs []error
	if len(sites) == 1 {
		errs = append(errs, f.lookIn(ctx, now, sites[0], f.Config.Folder))
	}
	for _, s := range sites {
		errs = append(errs, f.lookIn(ctx, now, s, filepath.Join(f.Config.Folder, s)))
	}
	return errors.Join(errs...)
}

func (f *Folder) lookIn(ctx context.Context, now time.Time, site, folder string) error {
	entries, err := os.ReadDir(folder)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	var errs []error
	for _, e := range entries {
		if !e.Type().IsRegular() || strings.HasPrefix(e.Name(), ".") {
			continue
		}
		path := filepath.Join(folder, e.Name())
		info, err := e.Info()
		if err != nil {
			continue // gone between listing and looking
		}
		m, known := f.seen[path]
		if !known || m.size != info.Size() || !m.mod.Equal(info.ModTime()) {
			f.seen[path] = mark{info.Size(), info.ModTime(), now}
			continue
		}
		if now.Sub(m.since) < f.Config.Settle {
			continue
		}
		if err := f.take(ctx, site, folder, e.Name()); err != nil {
			errs = append(errs, err)
			continue // it stays, and is tried again
		}
		delete(f.seen, path)
	}
	return errors.Join(errs...)
}

// take takes one file and moves it. Only an error that is not the file's own fault leaves it where it is.
func (f *Folder) take(ctx context.Context, site, folder, name string) error {
	how := How{Source: "folder", Live: true}
	for _, l := range f.Config.Layouts {
		if ok, err := filepath.Match(l.Files, name); err == nil && ok {
			how.Layout = l.Layout
			break
		}
	}
	path := filepath.Join(folder, name)
	in, digest, err := File(ctx, f.Tracker, site, tracker.Rule, path, how)
	var document *templog.DocumentError
	var mistakes config.Problems
	var refusal *stock.Refusal
	whole := err
	if err != nil && !errors.As(err, &document) && !errors.As(err, &mistakes) && !errors.As(err, &refusal) {
		return err
	}
	if err := f.Tracker.TellIntake(ctx, site, name, digest, in, whole); err != nil {
		return err
	}
	to := takenFolder
	if whole != nil {
		to = refusedFolder
	}
	f.Log.Info("file taken in", "site", site, "file", name, "to", to, "read", in.Rows.Read, "stored", in.Rows.Stored,
		"duplicate", in.Rows.Duplicate, "conflicting", in.Rows.Conflicting, "missing", in.Rows.Missing, "refused", in.Rows.Refused)
	return move(path, filepath.Join(folder, to), name, Report(name, in, whole))
}

// move puts a file, and its report if there is one, into a folder, under a name that is free there.
func move(path, folder, name, report string) error {
	if err := os.MkdirAll(folder, 0o750); err != nil {
		return err
	}
	to := filepath.Join(folder, name)
	for n := 1; ; n++ {
		if _, err := os.Lstat(to); errors.Is(err, fs.ErrNotExist) {
			break
		}
		to = filepath.Join(folder, fmt.Sprintf("%s.%d", name, n))
	}
	if report != "" {
		if err := os.WriteFile(to+".report.txt", []byte(report), 0o600); err != nil {
			return err
		}
	}
	return os.Rename(path, to)
}

// Report says in words what was refused of a file; "" when nothing was.
func Report(name string, in tracker.Intake, whole error) string {
	var b strings.Builder
	if whole != nil {
		fmt.Fprintf(&b, "%s was refused whole; nothing of it was taken in.\n%v\n", name, whole)
		return b.String()
	}
	if in.Rows.Refused == 0 {
		return ""
	}
	r := in.Rows
	fmt.Fprintf(&b, "%s: %d values read = %d stored + %d known already + %d conflicting + %d missing + %d refused.\n", name,
		r.Read, r.Stored, r.Duplicate, r.Conflicting, r.Missing, r.Refused)
	lines := slices.Clone(in.Refused)
	for _, x := range lines {
		fmt.Fprintf(&b, "line %d: %s\n", x.Line, x.Why)
	}
	if rest := r.Refused - int64(len(lines)); rest > 0 {
		fmt.Fprintf(&b, "and %d more\n", rest)
	}
	return b.String()
}
