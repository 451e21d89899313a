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
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

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

	seen map[string]*mark // files that lie there, by path
}

// mark is what is known of a file that lies there.
type mark struct {
	size  int64
	mod   time.Time
	since time.Time // unchanged since
	done  *outcome  // it is taken, and only its move is left
	tries int       // that failed
	again time.Time // not tried before
}

// outcome is where a file goes, and what is written beside it; "" = nothing.
type outcome struct{ to, report string }

const (
	takenFolder   = "taken"
	refusedFolder = "refused"
	lookEvery     = time.Second
	sayEvery      = time.Minute // the same trouble again
	longestPutOff = time.Minute // of a file that could not be taken or moved
)

// Run looks until ctx ends.
func (f *Folder) Run(ctx context.Context) {
	tick := time.NewTicker(min(lookEvery, max(f.Config.Settle/2, 50*time.Millisecond)))
	defer tick.Stop()
	said, at := "", time.Time{}
	for {
		err := f.Look(ctx, time.Now())
		if err == nil {
			said = ""
		} else if ctx.Err() == nil && (err.Error() != said || time.Since(at) > sayEvery) {
			said, at = err.Error(), time.Now()
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
	if _, err := os.Stat(f.Config.Folder); err != nil {
		return fmt.Errorf("the watched folder cannot be looked into; make it, or correct intake.folder: %w", err)
	}
	before := f.seen
	f.seen = map[string]*mark{} // of what is gone nothing is kept
	var errs []error
	if len(sites) == 1 {
		errs = append(errs, f.lookIn(ctx, now, sites[0], f.Config.Folder, before))
	}
	for _, s := range sites {
		errs = append(errs, f.lookIn(ctx, now, s, filepath.Join(f.Config.Folder, s), before))
	}
	return errors.Join(errs...)
}

func (f *Folder) lookIn(ctx context.Context, now time.Time, site, folder string, before map[string]*mark) error {
	entries, err := os.ReadDir(folder)
	if errors.Is(err, fs.ErrNotExist) { // a site without files of its own
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
		m := before[path]
		if m == nil || m.size != info.Size() || !m.mod.Equal(info.ModTime()) {
			m = &mark{size: info.Size(), mod: info.ModTime(), since: now}
		}
		f.seen[path] = m
		if now.Sub(m.since) < f.Config.Settle || now.Before(m.again) || ctx.Err() != nil {
			continue
		}
		if err := f.takeAndMove(ctx, m, site, folder, e.Name()); err != nil {
			if !errors.Is(err, tracker.ErrAway) { // which is no trouble of this file
				m.again = now.Add(min(time.Second<<min(m.tries, 10), longestPutOff))
				m.tries++
			}
			errs = append(errs, err)
			continue // it stays, and is tried again
		}
		delete(f.seen, path)
	}
	return errors.Join(errs...)
}

// takeAndMove remembers what it has done of the two: a file that cannot be moved is not taken in again and again.
func (f *Folder) takeAndMove(ctx context.Context, m *mark, site, folder, name string) (err error) {
	if m.done == nil {
		m.done, err = f.take(ctx, site, folder, name)
		if errors.Is(err, fs.ErrNotExist) && gone(filepath.Join(folder, name)) {
			return nil // another daemon on the same folder was first
		}
		if err != nil {
			return err
		}
	}
	if err := move(filepath.Join(folder, name), filepath.Join(folder, m.done.to), name, m.done.report); err != nil {
		return fmt.Errorf("%s was taken in and cannot be moved to %s: %w", name, m.done.to, err)
	}
	return nil
}

// take takes one file. Only an error that is not the file's own fault is answered.
func (f *Folder) take(ctx context.Context, site, folder, name string) (*outcome, error) {
	how := How{Source: "folder", Live: true}
	for _, l := range f.Config.Layouts {
		if ok, err := filepath.Match(l.Files, name); err == nil && ok {
			how.Layout = l.Layout
			break
		}
	}
	in, digest, err := File(ctx, f.Tracker, site, tracker.Rule, filepath.Join(folder, name), how)
	var document *templog.DocumentError
	var mistakes config.Problems
	var refusal *stock.Refusal
	part := in.ID > 0 && err != nil
	if part && !errors.As(err, &document) {
		return nil, err
	}
	if err != nil && !errors.As(err, &document) && !errors.As(err, &mistakes) && !errors.As(err, &refusal) && !errors.Is(err, errUnreadable) {
		return nil, err
	}
	whole := err // why the whole was refused
	if part {
		whole = nil
	}
	said := plain(name)
	if err := f.Tracker.TellIntake(ctx, site, said, digest, in, whole); err != nil {
		return nil, err
	}
	to := takenFolder
	if err != nil { // also where a part of it was taken: somebody has to look at the rest
		to = refusedFolder
	}
	f.Log.Info("file taken in", "site", site, "file", name, "to", to, "read", in.Rows.Read, "stored", in.Rows.Stored,
		"duplicate", in.Rows.Duplicate, "conflicting", in.Rows.Conflicting, "missing", in.Rows.Missing, "refused", in.Rows.Refused)
	return &outcome{to, Report(said, in, whole)}, nil
}

// plain is a file's name as a report and a mail say it: one with line ends or other control characters in it is quoted, so
// that nobody writes lines of a report by naming a file.
func plain(name string) string {
	if !utf8.ValidString(name) || strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return strconv.Quote(name)
	}
	return name
}

// gone says that a file is not where it lay.
func gone(path string) bool {
	_, err := os.Lstat(path)
	return errors.Is(err, fs.ErrNotExist)
}

// move puts a file, and its report if there is one, into a folder, under a name that is free there. The report lies ready
// before the file is moved, under a name of its own: where another daemon on the same folder moved the file first, its
// report stands.
func move(path, folder, name, report string) error {
	if err := os.MkdirAll(folder, 0o750); err != nil {
		return err
	}
	if info, err := os.Lstat(folder); err != nil || !info.IsDir() { // a link would take the files elsewhere
		return errors.Join(err, fmt.Errorf("%s is not a folder of its own: remove what lies in its place", folder))
	}
	to := filepath.Join(folder, name)
	for n := 1; !gone(to); n++ {
		to = filepath.Join(folder, fmt.Sprintf("%s.%d", name, n))
	}
	ready := ""
	if report != "" {
		f, err := os.CreateTemp(folder, ".report-*")
		if err != nil {
			return err
		}
		ready = f.Name()
		_, err = f.WriteString(report)
		if err = errors.Join(err, f.Close()); err != nil {
			return errors.Join(err, os.Remove(ready))
		}
	}
	err := os.Rename(path, to)
	switch {
	case err == nil && ready != "":
		return os.Rename(ready, to+".report.txt")
	case ready != "":
		if failed := os.Remove(ready); failed != nil {
			return errors.Join(err, failed)
		}
	}
	if errors.Is(err, fs.ErrNotExist) && gone(path) {
		return nil
	}
	return err
}

// Report says in words what was refused of a file; "" when nothing was.
func Report(name string, in tracker.Intake, whole error) string {
	var b strings.Builder
	if whole != nil {
		fmt.Fprintf(&b, "%s was refused whole; nothing of it was taken in.\n%v\n", name, whole)
		return b.String()
	}
	if in.Rows.Refused == 0 && in.NotRead == nil {
		return ""
	}
	r := in.Rows
	if n := in.NotRead; n != nil {
		fmt.Fprintf(&b, "%s was taken in up to line %d; %s.\nWhat was not read counts as no temperatures. Correct the file and send it again: what is known already stays as it is.\n", name, n.FromLine-1, n)
	}
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
