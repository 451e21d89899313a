package tracker_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
	"vialward/db/dbtest"
	"vialward/tracker"
	"vialward/tracker/templog"
)

var errCut = errors.New("the line was cut")

// cutReader gives so many bytes and then fails.
type cutReader struct {
	r    io.Reader
	left int
}

func (c *cutReader) Read(b []byte) (int, error) {
	if c.left <= 0 {
		return 0, errCut
	}
	n, err := c.r.Read(b[:min(len(b), c.left)])
	c.left -= n
	return n, err
}

// A statement that fails anywhere in a delivery (a full disk, say), a connection that is cut, a caller that goes away:
// nothing is half done, and the same sent again completes it.
func TestDeliveryCutAnywhere(t *testing.T) {
	t.Parallel()
	failures := map[string]string{
		"disk full":      `raise exception 'could not extend file: No space left on device' using errcode = 'disk_full';`,
		"connection cut": `perform pg_terminate_backend(pg_backend_pid());`,
		"caller gone":    `perform pg_sleep(60);`,
	}
	for name, does := range failures {
		for _, table := range []string{"intake", "reading_202510", "checkpoint", "excursion", "hold", "event", "outbox", "refused_value"} {
			if name == "caller gone" && table != "hold" {
				continue
			}
			t.Run(name+"/"+table, func(t *testing.T) {
				t.Parallel()
				s := newSite(t)
				codes := s.batch(t, 1, "R1/A")
				dbtest.Exec(t, s.dsn, `select make_reading_month('2025-10-01Z')`)
				tables := []string{"intake", "reading", "checkpoint", "incident", "excursion", "hold", "event", "outbox", "refused_value"}
				before := s.rows(t, tables)
				dbtest.Exec(t, s.dsn, `create function fails() returns trigger language plpgsql security definer as $$ begin `+does+` return new; end $$;
					create trigger fails before insert on `+table+` for each row execute function fails()`)
				text := plainLog(s.now, "5", "9", "9", "9", "9", "9") + "T9," + s.now.Format(time.RFC3339) + ",5\n"
				s.now = s.now.Add(25 * time.Minute)
				require.Error(t, s.deliver(t, text))
				dbtest.Exec(t, s.dsn, `drop trigger fails on `+table)
				require.Equal(t, before, s.rows(t, tables), "nothing is half done")
				in := s.takeIn(t, text)
				require.Equal(t, templog.Rows{Read: 7, Stored: 6, Refused: 1}, in.Rows)
				require.Equal(t, "case 1 (warm)", s.vial(t, codes[0]).HoldsInWords())
				require.Equal(t, []alerts.Kind{alerts.Warm}, kinds(s.mails(t)))
				require.Equal(t, int64(1), in.ID, "no number is used up")
				s.recounted(t)
			})
		}
	}
}

func (s *setup) deliver(t *testing.T, text string) error {
	t.Helper()
	p, err := templog.NewParser(strings.NewReader(text), nil, templog.Options{})
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	_, err = s.TakeIn(ctx, "SMALL", tracker.Rule, tracker.Delivery{Source: "http", Name: "test", Live: true, Values: p})
	return err
}

func (s *setup) rows(t *testing.T, tables []string) map[string]int64 {
	t.Helper()
	n := map[string]int64{}
	for _, table := range tables {
		n[table] = dbtest.Ask(t, s.dsn, "select count(*) from "+table)
	}
	return n
}

// An operation on vials that is cut off in its last statement leaves nothing, and can be asked again.
func TestOperationCutOff(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 3, "R1/A")
	for name, do := range map[string]func() error{
		"issue": func() error {
			_, err := s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes[:1], To: "WARD"})
			return err
		},
		"place": func() error {
			_, err := s.Place(ctx, "SMALL", technician, tracker.Place{Vials: codes[1:2], To: "R2/A"})
			return err
		},
		"discard": func() error {
			_, err := s.Discard(ctx, "SMALL", technician, tracker.Close{Vials: codes[2:], Reason: "expired"})
			return err
		},
	} {
		events := dbtest.Ask(t, s.dsn, "select count(*) from event")
		dbtest.Exec(t, s.dsn, `create or replace function fails() returns trigger language plpgsql security definer as $$
				begin perform pg_terminate_backend(pg_backend_pid()); return new; end $$;
			create trigger fails before update on stay for each row execute function fails()`)
		require.Error(t, do(), name)
		dbtest.Exec(t, s.dsn, `drop trigger fails on stay`)
		require.Equal(t, events, dbtest.Ask(t, s.dsn, "select count(*) from event"))
		s.recounted(t)
		require.NoError(t, do(), name)
	}
	s.recounted(t)
}

// noise is random bytes, alone or behind a header, or behind a good beginning; or rows of sensors nobody has.
func noise(kind string) io.Reader {
	const size = 100 << 20
	source := rand.NewChaCha8([32]byte{7})
	header := "sensor,at,celsius\n"
	switch kind {
	case "bytes":
		return io.LimitReader(source, size)
	case "after a header":
		return io.MultiReader(strings.NewReader(header), io.LimitReader(source, size))
	case "after a good beginning":
		good := strings.Repeat("T1,2025-10-13T10:00:00Z,5\n", 2000)
		return io.MultiReader(strings.NewReader(header+good), io.LimitReader(source, size))
	default:
		var row bytes.Buffer
		return io.MultiReader(strings.NewReader(header), io.LimitReader(readerOf(func(b []byte) int {
			for row.Len() < len(b) {
				fmt.Fprintf(&row, "%016x,2025-10-13T10:00:00Z,5\n", source.Uint64())
			}
			n, _ := row.Read(b)
			return n
		}), size))
	}
}

type readerOf func([]byte) int

func (r readerOf) Read(b []byte) (int, error) { return r(b), nil }

// A hundred megabytes of noise: refused whole with a sentence, or value by value and added up; in bounded memory, and
// without a mark on the record but its own intake.
func TestNoise(t *testing.T) {
	for kind, whole := range map[string]bool{"bytes": true, "after a header": true, "after a good beginning": false, "unknown sensors": false} {
		t.Run(kind, func(t *testing.T) {
			s := newSite(t)
			var before, after runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&before)
			p, err := templog.NewParser(noise(kind), nil, templog.Options{})
			var in tracker.Intake
			if err == nil {
				in, err = s.TakeIn(t.Context(), "SMALL", tracker.Rule, tracker.Delivery{Source: "command", Name: "noise\xff\x00", Values: p})
			}
			require.Empty(t, s.cases(t))
			if whole {
				require.Error(t, err)
				require.Zero(t, dbtest.Ask(t, s.dsn, "select count(*) from intake"))
				return
			}
			require.NoError(t, err)
			r := in.Rows
			require.Equal(t, r.Read, r.Stored+r.Duplicate+r.Conflicting+r.Missing+r.Refused)
			require.Greater(t, r.Refused, int64(100_000))
			runtime.GC()
			runtime.ReadMemStats(&after)
			require.Less(t, int64(after.HeapAlloc)-int64(before.HeapAlloc), int64(50<<20))
			runtime.KeepAlive(p)
		})
	}
}
