package tracker_test

import (
	"bytes"
	"cmp"
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

// A hundred megabytes of noise: refused whole with a sentence, or taken up to where the noise begins to be all there is, and
// added up; in bounded memory, and without a mark on the record but its own intake.
func TestNoise(t *testing.T) {
	for kind, whole := range map[string]bool{"bytes": true, "after a header": true, "after a good beginning": false, "unknown sensors": true} {
		t.Run(kind, func(t *testing.T) {
			s := newSite(t)
			var before, after runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&before)
			p, err := templog.NewParser(noise(kind), nil, templog.Options{})
			var in tracker.Intake
			if err == nil {
				in, err = s.TakeIn(t.Context(), "SMALL", tracker.Rule, tracker.Delivery{Source: "command", Name: "noise\xff\x00", Values: p, Bytes: 100 << 20})
			}
			require.Empty(t, s.cases(t))
			var document *templog.DocumentError
			require.ErrorAs(t, err, &document)
			if whole {
				require.Zero(t, in.ID)
				require.Zero(t, dbtest.Ask(t, s.dsn, "select count(*) from intake"))
				return
			}
			r := in.Rows
			require.Equal(t, r.Read, r.Stored+r.Duplicate+r.Conflicting+r.Missing+r.Refused)
			require.Greater(t, r.Refused, int64(90_000))
			require.NotNil(t, in.NotRead)
			require.Greater(t, in.NotRead.Bytes, int64(50<<20))
			require.Equal(t, int64(1), dbtest.Ask(t, s.dsn, "select count(*) from intake where finished_at is not null"))
			runtime.GC()
			runtime.ReadMemStats(&after)
			require.Less(t, int64(after.HeapAlloc)-int64(before.HeapAlloc), int64(50<<20))
			runtime.KeepAlive(p)
		})
	}
}

// Where a log cannot be read on, what is sound before is taken, in every class, and the answer and the record say from
// where on nothing was read, and how much; the corrected log brings the rest. Where nothing of it was taken, nothing is
// on record.
func TestReadInPart(t *testing.T) {
	t.Parallel()
	const junk = 5 << 20
	for name, x := range map[string]struct {
		before, after string // good rows; "" = none
		fill          io.Reader
		say           string
	}{
		"a line without end":      {"5\n5\n", "5\n", strings.NewReader(strings.Repeat("x", junk)), "goes on for more than 4 MB"},
		"nothing but junk":        {"", "5\n", strings.NewReader(strings.Repeat("x", junk)), "goes on for more than 4 MB"},
		"nobody's sensor":         {"5\n5\n", "5\n", nil, "were all refused"},
		"nobody's from the start": {"", "5\n", nil, "were all refused"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newSite(t)
			good := func(text string, from time.Time) string {
				return strings.TrimPrefix(plainLog(from, strings.Fields(text)...), "sensor,at,celsius\n")
			}
			at := s.now.AddDate(0, -1, 0)
			head := "sensor,at,celsius\n" + good(x.before, at)
			last := "\n" + good(x.after, at.Add(time.Hour))
			fill := x.fill
			refused := int64(0)
			if fill == nil {
				fill, refused = strings.NewReader(strings.Repeat("T9,2025-09-13T10:00:00Z,5\n", 1_200_000)), 1_000_000
			}
			take := func(r io.Reader, length int64) (tracker.Intake, error) {
				p, err := templog.NewParser(r, nil, templog.Options{})
				require.NoError(t, err)
				return s.TakeIn(t.Context(), "SMALL", tracker.Rule, tracker.Delivery{Source: "folder", Name: "log.csv", Values: p, Bytes: length})
			}
			in, err := take(io.MultiReader(strings.NewReader(head), fill, strings.NewReader(last)), int64(len(head)+junk+len(last)))
			var document *templog.DocumentError
			require.ErrorAs(t, err, &document)
			require.ErrorContains(t, err, x.say)
			if x.before == "" {
				require.Zero(t, in.ID)
				require.Zero(t, dbtest.Ask(t, s.dsn, "select count(*) from intake"))
				return
			}
			r := in.Rows
			require.Equal(t, int64(2), r.Stored)
			require.GreaterOrEqual(t, r.Refused, refused)
			require.Less(t, r.Refused, refused+5000)
			require.Equal(t, r.Read, r.Stored+r.Refused)
			require.Equal(t, 4+int(r.Refused), in.NotRead.FromLine)
			require.Contains(t, in.NotRead.Why, x.say)
			if refused == 0 {
				require.Equal(t, int64(junk+len(last)), in.NotRead.Bytes)
			}
			said := in.Refused[len(in.Refused)-1]
			require.Equal(t, templog.Refusal{Line: in.NotRead.FromLine, Why: in.NotRead.String()}, said)
			require.Equal(t, r.Read, dbtest.Ask(t, s.dsn, "select values_read from intake where finished_at is not null and intake = 1"))
			require.Equal(t, int64(said.Line), dbtest.Ask(t, s.dsn, "select line from refused_value where intake = 1 and why like '%was not read%'"))

			in, err = take(strings.NewReader(head+last), 0)
			require.NoError(t, err)
			require.Equal(t, templog.Rows{Read: 3, Stored: 1, Duplicate: 2}, in.Rows)
		})
	}
}

// A delivery of which a part is on record already, when it cannot be read on or not be stored: that part stays, and the
// answer says so; where reading stopped, all that was read is accounted for. The same sent again brings the rest.
func TestPartOnRecord(t *testing.T) {
	t.Parallel()
	const n, part = 1_300_000, 1 << 20
	at := time.Date(2025, 9, 20, 0, 0, 0, 0, time.UTC)
	var text bytes.Buffer
	text.WriteString("sensor,at,celsius\n")
	for i := range n {
		text.WriteString("T1,")
		text.Write(at.Add(time.Duration(i)*time.Second).AppendFormat(text.AvailableBuffer(), time.RFC3339))
		text.WriteString(",5\n")
	}
	take := func(t *testing.T, s *setup, ctx context.Context, r io.Reader) (tracker.Intake, error) {
		t.Helper()
		p, err := templog.NewParser(r, nil, templog.Options{})
		require.NoError(t, err)
		return s.TakeIn(ctx, "SMALL", tracker.Rule, tracker.Delivery{Source: "http", Name: "log", Values: p, Bytes: int64(text.Len())})
	}
	again := func(t *testing.T, s *setup, before int64) {
		t.Helper()
		in, err := take(t, s, t.Context(), bytes.NewReader(text.Bytes()))
		require.NoError(t, err)
		require.Equal(t, templog.Rows{Read: n, Stored: n - before, Duplicate: before}, in.Rows)
		require.Equal(t, int64(n), dbtest.Ask(t, s.dsn, "select sum(n)::int8 from reading"))
	}
	t.Run("the line is cut and the sender gone", func(t *testing.T) {
		t.Parallel()
		s := newSite(t)
		ctx, leave := context.WithCancel(t.Context())
		cut := text.Len() - 20_000
		in, err := take(t, s, ctx, io.MultiReader(io.LimitReader(bytes.NewReader(text.Bytes()), int64(cut)), readerThat(func() error { leave(); return errCut })))
		require.ErrorIs(t, err, errCut)
		require.Equal(t, in.Rows.Read, in.Rows.Stored)
		require.Greater(t, in.Rows.Stored, int64(part))
		require.Equal(t, int(in.Rows.Read)+2, in.NotRead.FromLine)
		require.Contains(t, in.NotRead.Why, errCut.Error())
		require.Equal(t, in.Rows.Read, dbtest.Ask(t, s.dsn, "select values_read from intake_total"))
		require.Equal(t, int64(1), dbtest.Ask(t, s.dsn, "select count(*) from intake where finished_at is not null"))
		again(t, s, in.Rows.Stored)
	})
	t.Run("it is withdrawn while it comes in", func(t *testing.T) {
		t.Parallel()
		s := newSite(t)
		half := text.Len() - 20_000
		withdraw := readerThat(func() error {
			_, err := s.Withdraw(t.Context(), "SMALL", pharmacist, 1, "of another box")
			return cmp.Or(err, io.EOF)
		})
		_, err := take(t, s, t.Context(), io.MultiReader(bytes.NewReader(text.Bytes()[:half]), withdraw, bytes.NewReader(text.Bytes()[half:])))
		refused(t, err, "withdrawn")
		require.Zero(t, dbtest.Ask(t, s.dsn, "select count(*) from intake where finished_at is not null"))
		require.Zero(t, dbtest.Ask(t, s.dsn, "select count(*) from sensor_now where last_at is not null"))
		in := s.takeIn(t, text.String())
		require.Equal(t, templog.Rows{Read: n, Stored: n}, in.Rows, "what was set aside is not known")
	})
	t.Run("the disk is full", func(t *testing.T) {
		t.Parallel()
		s := newSite(t)
		dbtest.Exec(t, s.dsn, `create function fails() returns trigger language plpgsql as $$ begin
				raise exception 'no room' using errcode = 'disk_full'; end $$;
			create trigger fails before insert on event for each row when (new.kind = 'intake_taken') execute function fails()`)
		in, err := take(t, s, t.Context(), bytes.NewReader(text.Bytes()))
		require.ErrorIs(t, err, tracker.ErrAway)
		require.Equal(t, int64(1), in.ID)
		require.Nil(t, in.NotRead)
		require.Equal(t, in.Rows.Read, in.Rows.Stored)
		require.GreaterOrEqual(t, in.Rows.Stored, int64(part))
		require.Less(t, in.Rows.Stored, int64(n))
		require.Equal(t, in.Rows.Stored, dbtest.Ask(t, s.dsn, "select sum(n)::int8 from reading"))
		dbtest.Exec(t, s.dsn, "drop trigger fails on event")
		again(t, s, in.Rows.Stored)
	})
}

// readerThat only fails.
type readerThat func() error

func (r readerThat) Read([]byte) (int, error) { return 0, r() }
