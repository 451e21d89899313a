package main

import (
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts/mail"
	"vialward/db/dbtest"
)

// logs is a watched folder, and files for it in a layout of their own: semicolons, decimal commas, local times, and a
// freezing hour in each.
type logs struct {
	folder string
	rows   int
	files  []string
}

func newLogs(t *testing.T, rows int) (l *logs, section string) {
	t.Helper()
	l = &logs{folder: t.TempDir(), rows: rows}
	layout := filepath.Join(t.TempDir(), "layout.toml")
	text := "delimiter = \";\"\ndecimal = \",\"\nheader = true\ntime = [\"day\", \"time\"]\ntime_format = \"%d.%m.%Y %H:%M:%S\"\nzone = \"-05:00\"\n" +
		"unit = \"Cel\"\nvalue = [\"T1\", \"T7\"]\nmissing = [\"---\"]\n"
	require.NoError(t, os.WriteFile(layout, []byte(text), 0o600))
	return l, fmt.Sprintf("[intake]\nfolder = %q\nsettle = \"1 s\"\n[[intake.layouts]]\nfiles = \"week*.csv\"\nlayout = %q\n", l.folder, layout)
}

// drop writes a file of one reading a minute up to an instant, the way careful programs do: beside its place, then in it.
func (l *logs) drop(t *testing.T, to time.Time) {
	t.Helper()
	zone := time.FixedZone("", -5*60*60)
	var b strings.Builder
	b.WriteString("day;time;T1;T7\n")
	for n := range l.rows {
		value := []string{"5,0;4,5", "5,1;4,6"}[n%2]
		if n < 60 {
			value = "-0,5;4,5"
		}
		b.WriteString(to.Add(time.Duration(n-l.rows)*time.Minute).In(zone).Format("02.01.2006;15:04:05") + ";" + value + "\n")
	}
	name := fmt.Sprintf("week-%02d.csv", len(l.files))
	l.files = append(l.files, name)
	hidden := filepath.Join(l.folder, "."+name)
	require.NoError(t, os.WriteFile(hidden, []byte(b.String()), 0o600))
	require.NoError(t, os.Rename(hidden, filepath.Join(l.folder, name)))
}

// in lists the files in a folder of the watched one.
func (l *logs) in(t *testing.T, folder string) (names []string) {
	t.Helper()
	entries, err := os.ReadDir(filepath.Join(l.folder, folder))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	require.NoError(t, err)
	for _, e := range entries {
		if !e.IsDir() {
			names = append(names, e.Name())
		}
	}
	return names
}

// stored counts readings: a row of the table holds a sensor's day.
const stored = "select coalesce(sum(n), 0)::int8 from reading"

// Killed at random moments around the taking of a file: every file ends in taken/, every reading of it is stored once,
// every freeze in it is found, and the mail that tells of it is sent.
func TestKilledWhileAFileIsTaken(t *testing.T) {
	t.Parallel()
	kills := 4
	if os.Getenv("VIALWARD_LONG") != "" {
		kills = 20
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 3))
	l, section := newLogs(t, 7*24*60)
	p := setUp(t, section)
	end := time.Now().Add(-time.Hour).Truncate(time.Minute)
	met := 0
	for n := range kills {
		l.drop(t, end.Add(-time.Duration(n)*7*24*time.Hour))
		g := p.start(t, "")
		begun := dbtest.Ask(t, p.dsn, stored)
		timer := time.NewTimer(900*time.Millisecond + time.Duration(random.IntN(700))*time.Millisecond)
		<-timer.C
		g.kill()
		if dbtest.Ask(t, p.dsn, stored) > begun && len(l.in(t, "")) > 0 {
			met++
		}
	}
	l.drop(t, end.Add(-time.Duration(kills)*7*24*time.Hour))
	g := p.start(t, "")
	until(t, "every file is taken", func() bool { return len(l.in(t, "")) == 0 })
	t.Logf("%d of %d kills came between the storing of a file and its move", met, kills)
	require.Equal(t, l.files, l.in(t, "taken"))
	require.Empty(t, l.in(t, "refused"))
	require.Equal(t, int64(2*l.rows*len(l.files)), dbtest.Ask(t, p.dsn, stored))
	var freezes int
	for _, c := range g.cases(t) {
		if c.Kind == "freeze" && c.Unit == "R1" {
			freezes++
		}
	}
	require.Equal(t, len(l.files), freezes)
	require.NotEmpty(t, g.allSent(t))
	g.stop(t)
}

// The server behind the private Postgres is killed outright while the daemon works: it is started again, the daemon goes
// on by itself, and nothing acknowledged is lost.
func TestPrivatePostgresKilled(t *testing.T) {
	t.Parallel()
	p := newPlace(t, "", "")
	g := p.start(t, "")
	p.load(t)
	g.token = p.token
	codes := p.stocked(t, 3, time.Hour)
	w := newPromises()
	stop, ended := make(chan struct{}), make(chan struct{})
	go func() { defer close(ended); w.work(g, codes, "T1", "-1.5", stop) }()
	t.Cleanup(func() { g.kill(); <-ended })
	for range 3 {
		text, err := os.ReadFile(filepath.Join(p.folder, "postgres", "data", "postmaster.pid"))
		require.NoError(t, err)
		first, _, _ := strings.Cut(string(text), "\n")
		pid, err := strconv.Atoi(first)
		require.NoError(t, err)
		require.NoError(t, syscall.Kill(pid, syscall.SIGKILL))
		again := w.told.Load() + 20
		until(t, "the daemon works again", func() bool { return w.told.Load() >= again })
	}
	close(stop)
	<-ended
	t.Logf("refused by status: %v", w.refusals)
	w.kept(t, p, g)
	w.undisturbed(t, g, codes)
	require.NotEmpty(t, g.allSent(t))
	g.stop(t)
	require.Empty(t, runningIn(t, p.folder))
}

// fullDisk lets a database store so many more rows of readings, and then has no room (53100 disk_full, PostgreSQL's
// documentation, appendix A).
func fullDisk(t *testing.T, dsn string, rows int) (makeRoom func()) {
	t.Helper()
	dbtest.Exec(t, dsn, `create sequence room;
		create function full_disk() returns trigger language plpgsql security definer as $$ begin
			if nextval('room') > `+strconv.Itoa(rows)+` then
				raise exception 'could not extend file: No space left on device' using errcode = 'disk_full';
			end if;
			return new;
		end $$;
		create trigger full_disk before insert on reading for each row execute function full_disk()`)
	return func() { dbtest.Exec(t, dsn, "drop trigger full_disk on reading") }
}

// The disk fills up in the middle of what comes in: whoever sends is told in a sentence, nothing of it is done by half,
// and the same again, once there is room, is taken whole. A file waits until then.
func TestDiskFullWhileReadingsComeIn(t *testing.T) {
	t.Parallel()
	l, section := newLogs(t, 2*24*60)
	p := setUp(t, section)
	codes := p.stocked(t, 2, time.Hour)
	g := p.start(t, "")
	state := func() (all []int64) {
		for _, table := range []string{"intake", "refused_value", "reading", "incident", "excursion", "hold", "outbox", "event", "checkpoint"} {
			all = append(all, dbtest.Ask(t, p.dsn, "select count(*) from "+table))
		}
		return append(all, dbtest.Ask(t, p.dsn, "select coalesce(sum(values_read), 0)::int8 from intake_total"))
	}
	before := state()
	makeRoom := fullDisk(t, p.dsn, 4)
	var text strings.Builder
	text.WriteString("sensor,at,celsius\n")
	for _, sensor := range []string{"T1", "T4", "T7"} { // each in transactions of its own or in one: none may stay
		for n := range 3 {
			fmt.Fprintf(&text, "%s,%s,-1.5\n", sensor, time.Now().Add(-time.Duration(n)*24*time.Hour).UTC().Format(time.RFC3339))
		}
	}
	text.WriteString("nobody,2025-11-12T11:00:00Z,4.5\n")
	for range 2 {
		refused := g.api("/readings", "text/csv", strings.NewReader(text.String()))
		require.Contains(t, []int{http.StatusServiceUnavailable, http.StatusInsufficientStorage}, refused.status, "%s", refused.body)
		require.Empty(t, refused.complaint())
		require.Equal(t, before, state())
	}
	for _, c := range codes {
		require.Empty(t, g.holds(t, c))
	}
	l.drop(t, time.Now().Add(-10*24*time.Hour))
	until(t, "the file was tried", func() bool { return strings.Contains(g.said.String(), "watched folder") })
	require.Equal(t, l.files, l.in(t, ""), "it waits")
	require.Equal(t, before, state())
	require.Equal(t, http.StatusOK, g.get("/readyz"), "what is stored can be read")

	makeRoom()
	rows := g.api("/readings", "text/csv", strings.NewReader(text.String())).rows(t)
	require.Equal(t, int64(9), rows["stored"], "%v", rows)
	require.Equal(t, int64(1), rows["refused"])
	until(t, "the file is taken", func() bool { return slices.Equal(l.in(t, "taken"), l.files) })
	require.Equal(t, int64(9+2*l.rows), dbtest.Ask(t, p.dsn, stored))
	for _, c := range codes {
		require.NotEmpty(t, g.holds(t, c))
	}
	require.NotEmpty(t, g.allSent(t))
	g.stop(t)
	p.recounts(t)
}

// A relay that is down for a day: every mail waits and says why, however often it was tried, and is tried again within
// minutes; once the relay is back each arrives once.
func TestRelayDownForADay(t *testing.T) {
	t.Parallel()
	p := setUp(t, "")
	p.stocked(t, 1, time.Hour)
	relay, err := mail.NewCatcher("127.0.0.1:0", nil)
	require.NoError(t, err)
	require.NoError(t, relay.Close()) // nobody listens there now
	p.edit(t, p.caught.Addr(), relay.Addr())
	g := p.start(t, "")
	for _, sensor := range []string{"T1", "T4", "T7"} {
		text := strings.ReplaceAll(csv(time.Now(), 2, time.Minute, "-1.5"), "T1,", sensor+",")
		require.Equal(t, int64(2), g.api("/readings", "text/csv", strings.NewReader(text)).rows(t)["stored"])
	}
	waits := func(tries int) func() bool {
		return func() bool {
			mails := g.outbox(t)
			return len(mails) >= 6 && !slices.ContainsFunc(mails, func(m sent) bool {
				return m.State != "waiting" || m.Attempts <= tries || !strings.Contains(m.LastError, "connection refused")
			})
		}
	}
	until(t, "every mail waits with its reason", waits(0))
	const day = 500 // tries, or more
	for n := 1; n <= 2; n++ {
		until(t, "every mail was tried again", func() bool { // one that is being tried at this moment is met by the next update
			dbtest.Exec(t, p.dsn, fmt.Sprintf(`update outbox set attempt = attempt + %d, next_attempt = clock_timestamp()
				where state = 'waiting' and attempt < %d; select pg_notify('vialward_outbox', '')`, day, n*day))
			return waits(n * day)()
		})
		longest := dbtest.Ask(t, p.dsn, "select max(extract(epoch from coalesce(lease_until, next_attempt) - clock_timestamp()))::int8 from outbox")
		require.LessOrEqual(t, longest, int64(300), "seconds until the next try")
	}
	require.Contains(t, g.text("/metrics"), `vialward_outbox_depth{site="QUILLMERE"}`)
	require.Equal(t, http.StatusOK, g.get("/readyz"), "a restart would not bring the relay back")

	back, err := mail.NewCatcher(relay.Addr(), nil)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, back.Close()) })
	dbtest.Exec(t, p.dsn, "update outbox set next_attempt = clock_timestamp() where state = 'waiting'; select pg_notify('vialward_outbox', '')")
	mails := g.allSent(t)
	var arrived, promised []string
	for _, m := range back.Mails() {
		arrived = append(arrived, m.MessageID+" to "+m.To)
	}
	for _, m := range mails {
		promised = append(promised, m.MessageID+" to "+m.To)
	}
	require.ElementsMatch(t, promised, arrived, "each once")
	g.stop(t)
}
