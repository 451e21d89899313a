package web

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/present"
	"vialward/db"
	"vialward/db/dbtest"
	"vialward/tracker/templog"
)

// atOnce posts texts at the same moment.
func (s *shop) atOnce(token string, texts []string) []answer {
	answers := make([]answer, len(texts))
	var sent sync.WaitGroup
	for i, text := range texts {
		sent.Go(func() { answers[i] = s.readings(token, mediaCSV, text) })
	}
	sent.Wait()
	return answers
}

// one is a post of one reading of a sensor, so many minutes ago.
func one(sensor string, ago int, celsius string) string {
	return fmt.Sprintf("sensor,at,celsius\n%s,%s,%s\n", sensor, morning.Add(-time.Duration(ago)*time.Minute).Format(time.RFC3339), celsius)
}

// Posts that are taken together are each answered for themselves: what is refused, known or conflicting of one is not the
// other's, and each is an intake of its own.
func TestEachPostHasItsOwnAnswer(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	var texts []string
	for i := range 60 {
		texts = append(texts, one("T1", i, "4.8"), one("nobody", i, "4.8"), one("T2", i, "warm"), one("T2", i, "4.8")+one("T2", i, "4.8")[len("sensor,at,celsius\n"):])
	}
	for i, a := range s.atOnce("logger", texts) {
		got := read[takenIn](t, a)
		want := []templog.Rows{{Read: 1, Stored: 1}, {Read: 1, Refused: 1}, {Read: 1, Refused: 1}, {Read: 2, Stored: 1, Duplicate: 1}}[i%4]
		require.Equal(t, want, got.Rows)
		require.Len(t, got.Refused, int(want.Refused))
		for _, r := range got.Refused {
			require.Equal(t, 2, r.Line)
			require.Contains(t, r.Why, []string{1: "nobody", 2: "warm"}[i%4])
		}
	}
	require.Equal(t, int64(len(texts)), dbtest.Ask(t, s.dsn, "select count(*) from intake where finished_at is not null"))
	require.Equal(t, int64(len(texts)), dbtest.Ask(t, s.dsn, "select max(intake) from intake"))
	require.Equal(t, int64(5*60), dbtest.Ask(t, s.dsn, "select values_read from intake_total"))
}

// One logger's post that the record refuses, however it does so, is that logger's trouble alone.
func TestOnePostSpoilsNoOther(t *testing.T) {
	t.Parallel()
	for name, does := range map[string]string{
		"a rule of the schema": `raise exception 'no' using errcode = 'check_violation'`, "no room": `raise exception 'no' using errcode = 'disk_full'`,
		"its connection": `perform pg_terminate_backend(pg_backend_pid())`,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newShop(t)
			dbtest.Exec(t, s.dsn, `select make_reading_month('2025-10-01Z');
				create function fails() returns trigger language plpgsql security definer as $$ begin
					if new.sensor = 'T2' then `+does+`; end if; return new; end $$;
				create trigger fails before insert on reading for each row execute function fails()`)
			var texts []string
			for i := range 60 {
				texts = append(texts, one("T1", i, "4.8"))
			}
			texts = append(texts[:30:30], append([]string{one("T2", 0, "4.8")}, texts[30:]...)...)
			for i, a := range s.atOnce("logger", texts) {
				if i == 30 {
					require.GreaterOrEqual(t, a.status, http.StatusInternalServerError, "%s", a.body)
					a.problem(t)
					continue
				}
				require.Equal(t, templog.Rows{Read: 1, Stored: 1}, read[takenIn](t, a).Rows)
			}
			require.Equal(t, int64(60), dbtest.Ask(t, s.dsn, "select max(intake) from intake"), "no number is used up")
		})
	}
}

// leaver is a body whose sender goes away when all of it is read.
type leaver struct {
	io.Reader
	leave context.CancelFunc
}

func (l leaver) Read(p []byte) (int, error) {
	n, err := l.Reader.Read(p)
	if err == io.EOF {
		l.leave()
	}
	return n, err
}

// A sender that goes away without waiting for the answer takes nothing back, neither its own nor its neighbours'.
func TestSenderThatLeaves(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	const loggers = 40
	var sent sync.WaitGroup
	answers := make([]int, loggers)
	for i := range loggers {
		sent.Go(func() {
			ctx, leave := context.WithCancel(context.Background())
			defer leave()
			body := io.Reader(strings.NewReader(one("T1", i, "4.8")))
			if i%2 == 0 {
				body = leaver{body, leave}
			}
			r := httptest.NewRequestWithContext(ctx, http.MethodPost, readingsPath, body)
			r.Host = "localhost"
			r.Header.Set("Authorization", "Bearer logger")
			r.Header.Set("Content-Type", mediaCSV)
			w := httptest.NewRecorder()
			s.h.ServeHTTP(w, r)
			answers[i] = w.Code
		})
	}
	sent.Wait()
	for i := range loggers {
		require.Equal(t, http.StatusOK, answers[i])
	}
	require.Len(t, read[present.Readings](t, s.get("/units/R1/readings?from=2025-10-13T00:00:00Z&to=2025-10-13T12:00:00Z")).Sensors[0].Readings, loggers)
}

// A token that is revoked, and a sensor that is added to the site, count from the next post on, however many come in.
func TestRevokedTokenStopsAtOnce(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	require.Equal(t, int64(1), read[takenIn](t, s.readings("logger", mediaCSV, one("T1", 0, "4.8"))).Rows.Stored)
	require.Equal(t, int64(1), read[takenIn](t, s.readings("logger", mediaCSV, one("T3", 0, "4.8"))).Rows.Refused)
	site := smallSite()
	third := site.Sensors[1]
	third.Code = "T3"
	site.Sensors = append(site.Sensors, third)
	_, err := s.Tracker.LoadSite(t.Context(), s.signing(site.People[0]), site)
	require.NoError(t, err)
	require.Equal(t, int64(1), read[takenIn](t, s.readings("logger", mediaCSV, one("T3", 0, "4.8"))).Rows.Stored)

	dbtest.Exec(t, s.dsn, "update api_token set revoked_at = '2025-10-13Z' where name = 'logger'")
	require.Equal(t, http.StatusUnauthorized, s.readings("logger", mediaCSV, one("T1", 1, "4.8")).status)
	require.Equal(t, int64(1), read[takenIn](t, s.readings("logger-T2", mediaCSV, one("T2", 1, "4.8"))).Rows.Stored)
}

// The shortest post that is on its own and the longest that is not come to the same.
func TestPostsAroundTheSmallOnes(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	header, row, _ := strings.Cut(one("T1", 0, "4.8"), "\n")
	const rows = 300
	text := header + "\n" + strings.Repeat(row, rows)
	for i, length := range []int{smallPost - 1, smallPost, smallPost + 1} {
		got := read[takenIn](t, s.readings("logger", mediaCSV, text+strings.Repeat("\n", length-len(text)))).Rows
		require.Equal(t, int64(rows), got.Read, "%v", got)
		require.Equal(t, got.Read, got.Stored+got.Duplicate)
		require.Equal(t, i == 0, got.Stored == 1)
	}
}

// second is another daemon's server on the same database, with the same clock.
func (s *shop) second(t *testing.T) *shop {
	t.Helper()
	store, err := db.Open(t.Context(), s.dsn)
	require.NoError(t, err)
	t.Cleanup(store.Close)
	other := *s.Tracker
	other.Store = store
	o := &shop{dsn: s.dsn, Server: &Server{Tracker: &other, Log: s.Log, Now: s.clock, MaxBodyBytes: s.MaxBodyBytes}}
	o.h = o.Handler()
	return o
}

// Law: whatever the same sensors' values are sent as, CSV, JSON or lines of it, in small posts and long ones, through two
// daemons at once, often more than once and sometimes with another value for the same instant: each value is in one class,
// an instant's first value is stored, any other one conflicts, and the rest is known; the record has each of them once,
// and sent again all of it is known.
func TestEveryWayAtOnce(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	servers := []*shop{s, s.second(t)}
	random := rand.New(rand.NewPCG(7, 11))
	type reading struct {
		sensor string
		minute int
		value  string
	}
	distinct := map[reading]bool{}
	instants := map[reading]bool{}
	var posts []func() answer
	sent := 0
	for n := range 150 {
		count := 1 + random.IntN(4)
		if n%15 == 0 {
			count = 800 // a post on its own: longer than the small ones
		}
		media := []string{mediaCSV, mediaJSON, mediaNDJSON}[random.IntN(3)]
		var csv, lines strings.Builder
		csv.WriteString("sensor,at,celsius\n")
		var objects []string
		for range count {
			r := reading{[]string{"T1", "T2"}[random.IntN(2)], random.IntN(600), "4.8"}
			if random.IntN(20) == 0 {
				r.value = "4.9"
			}
			distinct[r], instants[reading{r.sensor, r.minute, ""}] = true, true
			at := morning.Add(-time.Duration(r.minute) * time.Minute).Format(time.RFC3339)
			fmt.Fprintf(&csv, "%s,%s,%s\n", r.sensor, at, r.value)
			o := fmt.Sprintf(`{"sensor":%q,"at":%q,"celsius":%s}`, r.sensor, at, r.value)
			objects = append(objects, o)
			lines.WriteString(o + "\n")
		}
		sent += count
		body := map[string]string{mediaCSV: csv.String(), mediaJSON: "[" + strings.Join(objects, ",") + "]", mediaNDJSON: lines.String()}[media]
		posts = append(posts, func() answer { return servers[n%2].readings("logger", media, body) })
	}
	all := func() (sum templog.Rows) {
		answers := make([]answer, len(posts))
		var wait sync.WaitGroup
		for i, post := range posts {
			wait.Go(func() { answers[i] = post() })
		}
		wait.Wait()
		for _, a := range answers {
			r := read[takenIn](t, a).Rows
			require.Equal(t, r.Read, r.Stored+r.Duplicate+r.Conflicting)
			sum.Read, sum.Stored, sum.Duplicate, sum.Conflicting = sum.Read+r.Read, sum.Stored+r.Stored, sum.Duplicate+r.Duplicate, sum.Conflicting+r.Conflicting
		}
		return sum
	}
	sum := all()
	require.Equal(t, int64(sent), sum.Read)
	require.Equal(t, int64(len(distinct)), dbtest.Ask(t, s.dsn, "select sum(n)::int8 from reading"))
	require.Equal(t, int64(len(distinct)), sum.Stored+sum.Conflicting)
	require.LessOrEqual(t, sum.Stored, int64(len(instants)))
	require.Equal(t, templog.Rows{Read: sum.Read, Duplicate: sum.Read}, all(), "sent again all of it is known")
	for column, want := range map[string]int64{"values_read": 2 * sum.Read, "stored": sum.Stored, "duplicate": sum.Duplicate + sum.Read, "conflicting": sum.Conflicting} {
		require.Equal(t, want, dbtest.Ask(t, s.dsn, "select "+column+" from intake_total"), column)
		require.Equal(t, want, dbtest.Ask(t, s.dsn, "select sum("+column+")::int8 from intake"), column)
	}
	require.Equal(t, int64(2*len(posts)), dbtest.Ask(t, s.dsn, "select count(*) from intake"))
	require.Equal(t, int64(2*len(posts)), dbtest.Ask(t, s.dsn, "select max(intake) from intake"), "numbers without a hole")
	require.Equal(t, int64(2*len(posts)), dbtest.Ask(t, s.dsn, "select count(*) from event where kind = 'intake_taken'"))
	require.Zero(t, dbtest.Ask(t, s.dsn, "select deadlocks from pg_stat_database where datname = current_database()"))
}
