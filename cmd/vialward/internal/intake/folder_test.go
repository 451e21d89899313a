package intake_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
	"vialward/cmd/vialward/internal/config"
	"vialward/cmd/vialward/internal/intake"
	"vialward/db"
	"vialward/db/dbtest"
	"vialward/tracker"
)

// watched is a folder over a small site, looked at by the test's own clock.
type watched struct {
	*intake.Folder
	dsn    string
	folder string
	now    time.Time
}

func newWatched(t *testing.T) *watched {
	t.Helper()
	dsn := dbtest.Fresh(t)
	store, err := db.Open(t.Context(), dsn)
	require.NoError(t, err)
	t.Cleanup(store.Close)
	text, err := os.ReadFile("../../../../testdata/site/small.toml")
	require.NoError(t, err)
	site, problems := config.ReadSite(text)
	require.False(t, config.Blocked(problems), "%v", problems)
	w := &watched{dsn: dsn, folder: t.TempDir(), now: time.Date(2025, 11, 12, 12, 0, 0, 0, time.UTC)}
	tr := &tracker.Tracker{Store: store, Now: func() time.Time { return w.now }, Log: slog.New(slog.DiscardHandler)}
	_, err = tr.LoadSite(t.Context(), tracker.Account("root"), site)
	require.NoError(t, err)
	w.Folder = &intake.Folder{Config: config.Intake{Folder: w.folder, Settle: 5 * time.Second}, Tracker: tr, Log: slog.New(slog.DiscardHandler)}
	return w
}

func (w *watched) put(t *testing.T, name, text string) {
	t.Helper()
	require.NoError(t, os.WriteFile(filepath.Join(w.folder, name), []byte(text), 0o600))
}

// look lets the folder settle.
func (w *watched) look(t *testing.T) {
	t.Helper()
	for range 2 {
		require.NoError(t, w.Look(t.Context(), w.now))
		w.now = w.now.Add(6 * time.Second)
	}
}

func (w *watched) names(t *testing.T, folder string) (names []string) {
	t.Helper()
	entries, err := os.ReadDir(filepath.Join(w.folder, folder))
	if err != nil {
		return nil
	}
	for _, e := range entries {
		if !e.IsDir() {
			names = append(names, e.Name())
		}
	}
	return names
}

func (w *watched) mails(t *testing.T) (rows []alerts.Row) {
	t.Helper()
	sites, err := w.Tracker.Store.Sites(t.Context())
	require.NoError(t, err)
	require.NoError(t, w.Tracker.Store.Read(t.Context(), sites[0], func(v tracker.View) (err error) {
		rows, err = v.Outbox(context.Background(), 100)
		return err
	}))
	return rows
}

func (w *watched) sensor(t *testing.T) string {
	t.Helper()
	sites, err := w.Tracker.Store.Sites(t.Context())
	require.NoError(t, err)
	s, err := w.Tracker.ShowSite(t.Context(), sites[0])
	require.NoError(t, err)
	return s.Sensors[0].Code
}

// A file still being written is left alone; one that has settled is taken and moved; the same again is harmless and
// keeps both names.
func TestTakenWhenItStopsGrowing(t *testing.T) {
	t.Parallel()
	w := newWatched(t)
	row := w.sensor(t) + ",2025-11-12T11:00:00Z,4.5\n"
	w.put(t, "log.csv", "sensor,at,celsius\n")
	require.NoError(t, w.Look(t.Context(), w.now))
	w.now = w.now.Add(4 * time.Second)
	w.put(t, "log.csv", "sensor,at,celsius\n"+row)
	require.NoError(t, w.Look(t.Context(), w.now))
	w.now = w.now.Add(4 * time.Second)
	require.NoError(t, w.Look(t.Context(), w.now))
	require.Equal(t, []string{"log.csv"}, w.names(t, "."), "it grew four seconds ago")
	w.look(t)
	require.Equal(t, []string{"log.csv"}, w.names(t, "taken"))
	require.Empty(t, w.names(t, "."))
	w.put(t, "log.csv", "sensor,at,celsius\n"+row)
	w.look(t)
	require.Equal(t, []string{"log.csv", "log.csv.1"}, w.names(t, "taken"))
	require.Empty(t, w.mails(t))
}

// What is not the log it should be goes to refused/ with its reason, and people are told once.
func TestRefusedWithAReport(t *testing.T) {
	t.Parallel()
	w := newWatched(t)
	w.put(t, "noise.csv", strings.Repeat("\x00\xff junk;;\n", 4000))
	w.put(t, "part.csv", "sensor,at,celsius\n"+w.sensor(t)+",2025-11-12T11:00:00Z,4.5\nnobody,2025-11-12T11:00:00Z,4.5\n")
	w.look(t)
	require.Equal(t, []string{"noise.csv", "noise.csv.report.txt"}, w.names(t, "refused"))
	require.Equal(t, []string{"part.csv", "part.csv.report.txt"}, w.names(t, "taken"))
	report, err := os.ReadFile(filepath.Join(w.folder, "taken", "part.csv.report.txt"))
	require.NoError(t, err)
	require.Contains(t, string(report), "2 values read = 1 stored + 0 known already + 0 conflicting + 0 missing + 1 refused")
	require.Contains(t, string(report), "line 3: sensor \"nobody\" is not set up")
	mails := w.mails(t)
	require.NotEmpty(t, mails)
	for _, m := range mails {
		require.Equal(t, alerts.IntakeReport, m.Kind)
	}
}

// A file that cannot be read on is taken up to there, and lies where somebody looks at the rest, with a report and a mail
// that say so; corrected and sent again it is complete.
func TestReadInPart(t *testing.T) {
	t.Parallel()
	w := newWatched(t)
	row := w.sensor(t) + ",2025-11-12T11:0%d:00Z,4.5\n"
	good, last := fmt.Sprintf("sensor,at,celsius\n"+row+row, 0, 1), fmt.Sprintf(row, 2)
	w.put(t, "log.csv", good+strings.Repeat("x", 5<<20)+"\n"+last)
	w.look(t)
	require.Equal(t, []string{"log.csv", "log.csv.report.txt"}, w.names(t, "refused"))
	report, err := os.ReadFile(filepath.Join(w.folder, "refused", "log.csv.report.txt"))
	require.NoError(t, err)
	require.Contains(t, string(report), fmt.Sprintf("log.csv was taken in up to line 3; the rest, %d bytes, was not read: the line goes on for more than 4 MB", 5<<20+1+len(last)))
	require.Contains(t, string(report), "2 values read = 2 stored")
	mails := w.mails(t)
	require.NotEmpty(t, mails)
	require.Contains(t, mails[0].Subject, "READ IN PART")
	w.put(t, "log.csv", good+last)
	w.look(t)
	require.Equal(t, []string{"log.csv"}, w.names(t, "taken"))
	require.Len(t, w.mails(t), len(mails))
}

// Two daemons on one folder, as on one database: each file is moved once, its readings are stored once, its report is one,
// and neither daemon complains.
func TestTwoDaemonsOnOneFolder(t *testing.T) {
	t.Parallel()
	w := newWatched(t)
	sensor := w.sensor(t)
	const files, rows = 12, 50
	var want []string
	for i := range files {
		var b strings.Builder
		b.WriteString("sensor,at,celsius\nnobody,2025-11-12T11:00:00Z,4.5\n")
		for n := range rows {
			fmt.Fprintf(&b, "%s,%s,4.5\n", sensor, w.now.Add(-time.Duration(i*rows+n)*time.Second).Format(time.RFC3339))
		}
		name := fmt.Sprintf("%02d.csv", i)
		w.put(t, name, b.String())
		want = append(want, name, name+".report.txt")
	}
	other := &intake.Folder{Config: w.Config, Tracker: w.Tracker, Log: w.Log}
	for range 2 {
		var both sync.WaitGroup
		errs := make([]error, 2)
		for i, f := range []*intake.Folder{w.Folder, other} {
			both.Go(func() { errs[i] = f.Look(t.Context(), w.now) })
		}
		both.Wait()
		require.NoError(t, errors.Join(errs...))
		w.now = w.now.Add(6 * time.Second)
	}
	require.Equal(t, want, w.names(t, "taken"))
	require.Empty(t, w.names(t, "."))
	require.Equal(t, int64(files*rows), dbtest.Ask(t, w.dsn, "select sum(n)::int8 from reading"))
	require.Equal(t, int64(files*rows), dbtest.Ask(t, w.dsn, "select stored from intake_total"))
}

// Links, pipes and hidden files are nobody's log: a link out of the folder is never followed.
func TestOnlyPlainFiles(t *testing.T) {
	t.Parallel()
	w := newWatched(t)
	secret := filepath.Join(t.TempDir(), "secret.csv")
	require.NoError(t, os.WriteFile(secret, []byte("sensor,at,celsius\n"), 0o600))
	require.NoError(t, os.Symlink(secret, filepath.Join(w.folder, "link.csv")))
	w.put(t, ".hidden.csv", "sensor,at,celsius\n")
	w.look(t)
	require.Empty(t, w.names(t, "taken"))
	require.Empty(t, w.names(t, "refused"))
	_, _, err := intake.File(t.Context(), w.Tracker, "X", tracker.Rule, filepath.Join(w.folder, "link.csv"), intake.How{})
	require.Error(t, err)
}

// A file's name writes no lines of its own into the report or the mail.
func TestNameWithLines(t *testing.T) {
	t.Parallel()
	w := newWatched(t)
	w.put(t, "log\nnothing was refused\r\x1b[2J.csv", "sensor,at,celsius\nnobody,2025-11-12T11:00:00Z,4.5\n")
	w.look(t)
	var reports []string
	for _, n := range w.names(t, "taken") {
		if strings.HasSuffix(n, ".report.txt") {
			text, err := os.ReadFile(filepath.Join(w.folder, "taken", n))
			require.NoError(t, err)
			reports = append(reports, string(text))
		}
	}
	require.Len(t, reports, 1)
	require.Contains(t, reports[0], `"log\nnothing was refused\r\x1b[2J.csv"`)
	require.NotContains(t, reports[0], "\x1b")
	for _, m := range w.mails(t) {
		require.NotContains(t, m.Text, "\nnothing was refused")
	}
}

// A link in the place of taken/ or refused/ would carry the files to where it points: nothing is moved through it.
func TestNothingIsMovedThroughALink(t *testing.T) {
	t.Parallel()
	w := newWatched(t)
	elsewhere, inTheWay := t.TempDir(), filepath.Join(w.folder, "taken")
	require.NoError(t, os.Symlink(elsewhere, inTheWay))
	w.put(t, "log.csv", "sensor,at,celsius\n"+w.sensor(t)+",2025-11-12T11:00:00Z,4.5\n")
	require.NoError(t, w.Look(t.Context(), w.now))
	w.now = w.now.Add(2 * time.Minute)
	require.ErrorContains(t, w.Look(t.Context(), w.now), "is not a folder of its own")
	left, err := os.ReadDir(elsewhere)
	require.NoError(t, err)
	require.Empty(t, left)
	require.FileExists(t, filepath.Join(w.folder, "log.csv"))
}

// A file that cannot be moved is taken in once all the same, and moved when it can be.
func TestTakenInOnceThoughItCannotBeMoved(t *testing.T) {
	t.Parallel()
	w := newWatched(t)
	inTheWay := filepath.Join(w.folder, "taken")
	require.NoError(t, os.Symlink("nowhere", inTheWay))
	w.put(t, "log.csv", "sensor,at,celsius\n"+w.sensor(t)+",2025-11-12T11:00:00Z,4.5\n")
	require.NoError(t, w.Look(t.Context(), w.now))
	for range 10 {
		w.now = w.now.Add(2 * time.Minute)
		require.ErrorContains(t, w.Look(t.Context(), w.now), "cannot be moved to taken")
	}
	w.now = w.now.Add(2 * time.Minute)
	require.FileExists(t, filepath.Join(w.folder, "log.csv"))
	require.NoError(t, os.Remove(inTheWay))
	w.look(t)
	require.Contains(t, w.names(t, "taken"), "log.csv")
	var of []string
	require.NoError(t, w.Tracker.Store.Read(t.Context(), w.site(t), func(v tracker.View) error {
		all, err := v.Intakes(t.Context(), 100)
		for _, in := range all {
			of = append(of, in.Name)
		}
		return err
	}))
	require.Equal(t, []string{"log.csv"}, of, "one intake, however often it could not be moved")
}

// What will never be read as it is does not lie there and wait: it is refused with its reason, and mailed.
func TestTooLargeToBeRead(t *testing.T) {
	t.Parallel()
	w := newWatched(t)
	w.put(t, "all.csv", "sensor,at,celsius\n")
	require.NoError(t, os.Truncate(filepath.Join(w.folder, "all.csv"), 5<<30)) // a hole: it takes no room
	w.look(t)
	require.Equal(t, []string{"all.csv", "all.csv.report.txt"}, w.names(t, "refused"))
	report, err := os.ReadFile(filepath.Join(w.folder, "refused", "all.csv.report.txt"))
	require.NoError(t, err)
	require.Contains(t, string(report), "has 5120 MB")
	require.Contains(t, string(report), "split it by sensor or by month")
	require.NotEmpty(t, w.mails(t))
}

// A watched folder that is gone is said, not taken for one without files; and it is watched again when it is back.
func TestWatchedFolderGone(t *testing.T) {
	t.Parallel()
	w := newWatched(t)
	require.NoError(t, os.Remove(w.folder))
	require.ErrorContains(t, w.Look(t.Context(), w.now), "make it, or correct intake.folder")
	require.NoError(t, os.Mkdir(w.folder, 0o700))
	w.put(t, "log.csv", "sensor,at,celsius\n"+w.sensor(t)+",2025-11-12T11:00:00Z,4.5\n")
	w.look(t)
	require.Equal(t, []string{"log.csv"}, w.names(t, "taken"))
}

func (w *watched) site(t *testing.T) string {
	t.Helper()
	sites, err := w.Tracker.Store.Sites(t.Context())
	require.NoError(t, err)
	require.Len(t, sites, 1)
	return sites[0]
}
