package tracker_test

import (
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/db/dbtest"
	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/templog"
	"vialward/tracker/thermal"
)

func arrival(t testing.TB, text string) tracker.Arrival {
	t.Helper()
	p, err := templog.NewParser(strings.NewReader(text), nil, templog.Options{})
	require.NoError(t, err)
	return tracker.Arrival{By: tracker.Rule, Delivery: tracker.Delivery{Source: "http", Name: "post", Live: true, Values: p}}
}

// recorded is everything of the record that taking in readings may touch, a line a row.
func (s *setup) recorded(t *testing.T) map[string][]string {
	t.Helper()
	c, err := pgx.Connect(t.Context(), s.dsn)
	require.NoError(t, err)
	defer func() { require.NoError(t, c.Close(t.Context())) }()
	all := map[string][]string{}
	for table, columns := range map[string]string{
		"intake": "*", "intake_total": "*", "refused_value": "*", "reading": "*", "sensor_now": "*", "checkpoint": "*", "incident": "*",
		"excursion": "*", "hold": "*", "event": "*", "counter": "*", "outbox": "kind, dedupe, recipient, subject, body_text, thread, message_id, id",
	} {
		rows, err := c.Query(t.Context(), "select x::text from (select "+columns+" from "+table+") x order by 1")
		require.NoError(t, err)
		all[table], err = pgx.CollectRows(rows, pgx.RowTo[string])
		require.NoError(t, err)
	}
	return all
}

// drawnPost is one small delivery: readings of two sensors that may meet those of other posts, and what is refused.
func drawnPost(rt *rapid.T, now time.Time) string {
	var b strings.Builder
	b.WriteString("sensor,at,celsius\n")
	for range rapid.IntRange(0, 6).Draw(rt, "readings") {
		sensor := rapid.SampledFrom([]string{"T1", "T1", "T2", "T2", "T9"}).Draw(rt, "sensor")
		ago := rapid.SampledFrom([]int{0, 0, 5, 5, 10, 20, 45, 24 * 60, -60}).Draw(rt, "minutes ago")
		c := rapid.SampledFrom([]string{"5.0", "5.0", "9.4", "9.4", "9.5", "1.2", "-0.4", "", "warm"}).Draw(rt, "celsius")
		fmt.Fprintf(&b, "%s,%s,%s\n", sensor, now.Add(-time.Duration(ago)*time.Minute).Format(time.RFC3339), c)
	}
	return b.String()
}

// Law: posts taken together come to what they come to one after another: every answer, and every row of the record with
// its number, its time and its words.
func TestTogetherAsOneAfterAnother(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		together, alone := newSiteLike(t, twoSensors), newSiteLike(t, twoSensors)
		defer together.store.Close()
		defer alone.store.Close()
		for _, s := range []*setup{together, alone} {
			s.batch(t, 2, "R1/A")
		}
		stored := int64(0)
		for range rapid.IntRange(1, 6).Draw(rt, "times") {
			now := together.now.Add(time.Duration(rapid.IntRange(1, 20).Draw(rt, "minutes")) * time.Minute)
			together.now, alone.now = now, now
			var all []tracker.Arrival
			var want []tracker.Taken
			for range rapid.IntRange(1, 5).Draw(rt, "posts") {
				text := drawnPost(rt, now)
				all = append(all, arrival(t, text))
				a := arrival(t, text)
				in, err := alone.TakeIn(t.Context(), "SMALL", a.By, a.Delivery)
				require.NoError(rt, err)
				want = append(want, tracker.Taken{Intake: in})
			}
			got, err := together.TakeInMany(t.Context(), "SMALL", all)
			require.NoError(rt, err)
			require.Equal(rt, want, got)
			for _, x := range got {
				r := x.Intake.Rows
				require.Equal(rt, r.Read, r.Stored+r.Duplicate+r.Conflicting+r.Missing+r.Refused)
				stored += r.Stored
			}
		}
		require.Equal(rt, alone.recorded(t), together.recorded(t))
		require.Equal(rt, stored, dbtest.Ask(t, together.dsn, "select coalesce(sum(stored), 0)::int8 from intake_total"))
		together.recounted(t)
	})
}

// A post knows what the ones before it in the same transaction brought, whichever of them that was.
func TestTogetherKnowsItsNeighbours(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, twoSensors)
	taken, err := s.TakeInMany(t.Context(), "SMALL", []tracker.Arrival{
		arrival(t, logOf("T2", s.now, "5")), arrival(t, logOf("T1", s.now, "5")), arrival(t, logOf("T1", s.now, "5")), arrival(t, logOf("T1", s.now, "6")),
	})
	require.NoError(t, err)
	var rows []templog.Rows
	for _, x := range taken {
		rows = append(rows, x.Intake.Rows)
	}
	require.Equal(t, []templog.Rows{{Read: 1, Stored: 1}, {Read: 1, Stored: 1}, {Read: 1, Duplicate: 1}, {Read: 1, Conflicting: 1}}, rows)
	require.Equal(t, int64(3), dbtest.Ask(t, s.dsn, "select sum(n)::int8 from reading"))
}

// All of several posts are taken, or none: of a statement that fails in the last of them nothing stays, no number is used
// up, and a document that is none keeps nobody out.
func TestTogetherAllOrNone(t *testing.T) {
	t.Parallel()
	s, ctx := newSiteLike(t, twoSensors), t.Context()
	s.batch(t, 1, "R1/A")
	dbtest.Exec(t, s.dsn, `select make_reading_month('2025-10-01Z');
		create function fails() returns trigger language plpgsql as $$ begin
			if new.sensor = 'T2' then raise exception 'no room' using errcode = 'disk_full'; end if; return new; end $$;
		create trigger fails before insert on reading for each row execute function fails()`)
	s.now = s.now.Add(20 * time.Minute)
	posts := func() []tracker.Arrival {
		cut, err := templog.NewJSONParser(strings.NewReader(`[{"sensor":"T1","at":"2025-10-13T12:00:00Z","celsius":4},`), templog.Options{})
		require.NoError(t, err)
		none := tracker.Arrival{By: tracker.Rule, Delivery: tracker.Delivery{Source: "http", Name: "cut", Values: cut}}
		return []tracker.Arrival{
			arrival(t, logOf("T1", s.now.Add(-15*time.Minute), "9", "9", "9", "9")), none, arrival(t, logOf("T2", s.now.Add(-15*time.Minute), "9", "9")),
		}
	}
	before := s.recorded(t)
	_, err := s.TakeInMany(ctx, "SMALL", posts())
	require.ErrorIs(t, err, tracker.ErrAway, "a full disk may have room again")
	require.Equal(t, before, s.recorded(t))
	dbtest.Exec(t, s.dsn, "drop trigger fails on reading")
	taken, err := s.TakeInMany(ctx, "SMALL", posts())
	require.NoError(t, err)
	var document *templog.DocumentError
	require.ErrorAs(t, taken[1].Err, &document)
	require.Zero(t, taken[1].Intake.ID)
	require.Equal(t, templog.Rows{Read: 4, Stored: 4}, taken[0].Intake.Rows)
	require.Equal(t, templog.Rows{Read: 2, Stored: 2}, taken[2].Intake.Rows)
	require.Equal(t, []int64{1, 2}, []int64{taken[0].Intake.ID, taken[2].Intake.ID})
	require.Len(t, s.cases(t), 1)
}

// Readings are judged by the set-up in force when their sensor is theirs alone, not by the one they began under.
func TestSetUpChangesBeforeASensorIsLocked(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	other := s.second(t)
	require.NoError(t, s.store.In(ctx, "SMALL", func(tx tracker.Tx) error {
		_, err := other.LoadSite(ctx, s.signing(pharmacist), recalibrated())
		require.NoError(t, err)
		require.NotEqual(t, thermal.MilliC(-7000), thermal.MilliC(tx.Site().Sensors[0].Calibrations[0].OffsetMilliC))
		_, err = tx.LockSensors(ctx, []string{"T1"})
		require.Equal(t, int32(-7000), tx.Site().Sensors[0].Calibrations[0].OffsetMilliC)
		return err
	}))
}

// recalibrated is the site with another certificate of T1, by which 6.5 is a freeze.
func recalibrated() stock.Site {
	site := wardSite()
	site.Sensors[0].Calibrations[0].OffsetMilliC = -7000
	return site
}

// A certificate is entered while the first reading a sensor ever sends is on its way into the record: whichever is first,
// that reading counts as the certificate says.
func TestSetUpChangesUnderAFirstReading(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 1, "R1/A")
	dbtest.Exec(t, s.dsn, `select make_reading_month('2025-10-01Z')`)
	other := s.second(t)
	a := arrival(t, plainLog(s.now, "6.5"))
	let := dbtest.Hold(t, s.dsn, "lock table reading in share mode") // it gets as far as storing
	var both sync.WaitGroup
	var taking, loading error
	loaded := make(chan struct{}, 1)
	both.Go(func() { _, taking = s.TakeIn(ctx, "SMALL", a.By, a.Delivery) })
	waiting := func(n int64) func() bool {
		return func() bool {
			return len(loaded) > 0 || n <= dbtest.Ask(t, s.dsn, "select count(*) from pg_stat_activity where datname = current_database() and wait_event_type = 'Lock'")
		}
	}
	until(t, waiting(1))
	both.Go(func() { _, loading = other.LoadSite(ctx, s.signing(pharmacist), recalibrated()); loaded <- struct{}{} })
	until(t, waiting(2))
	let()
	both.Wait()
	require.NoError(t, taking)
	require.NoError(t, loading)
	require.Contains(t, s.vial(t, codes[0]).HoldsInWords(), "freeze")
}

// until asks again and again, for a minute at most.
func until(t *testing.T, ask func() bool) {
	t.Helper()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	end := time.After(time.Minute)
	for !ask() {
		select {
		case <-tick.C:
		case <-end:
			require.Fail(t, "still not")
		}
	}
}
