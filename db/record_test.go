package db_test

import (
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"vialward/db"
	"vialward/db/dbtest"
	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/thermal"
)

var noon = time.Date(2025, 11, 1, 16, 0, 0, 0, time.UTC)

func appendEvent(t *testing.T, d *db.DB, kind stock.Kind) stock.Event {
	t.Helper()
	e := stock.Event{Kind: kind, At: noon, EnteredAt: noon, By: "rph-1", Via: "test", Body: stock.Body{Reason: "x"}}
	require.NoError(t, d.In(t.Context(), "A", func(tx tracker.Tx) error { return tx.Append(t.Context(), &e) }))
	return e
}

// The record is only added to, in one order, by the daemon's role and by the owner alike.
func TestEventsAreOnlyAddedTo(t *testing.T) {
	t.Parallel()
	dsn := dbtest.Fresh(t)
	d, err := db.Open(t.Context(), dsn)
	require.NoError(t, err)
	defer d.Close()
	_, err = d.NewSite(t.Context(), "A", "America/New_York")
	require.NoError(t, err)
	require.Equal(t, int64(1), appendEvent(t, d, stock.AreaSet).Seq)
	require.Equal(t, int64(2), appendEvent(t, d, stock.AreaSet).Seq)

	c, err := pgx.Connect(t.Context(), dsn)
	require.NoError(t, err)
	defer func() { require.NoError(t, c.Close(t.Context())) }()
	for _, role := range []string{"reset role", "set role vialward_daemon"} {
		_, err = c.Exec(t.Context(), role)
		require.NoError(t, err)
		for _, sql := range []string{
			"update event set by_person = 'x' where seq = 1", "delete from event where seq = 2", "truncate event cascade",
			"insert into event values (1, 5, 'x', '2025-01-01Z', '2025-01-01Z', 'x', 'x', '{}')",
			"insert into event values (1, 2, 'x', '2025-01-01Z', '2025-01-01Z', 'x', 'x', '{}')",
			"delete from vial", "delete from hold", "delete from intake", "delete from reading", "truncate reading",
		} {
			_, err := c.Exec(t.Context(), sql)
			require.Error(t, err, "%s: %s", role, sql)
		}
	}
}

// Two transactions that both add wait for each other; a failed one leaves no hole.
func TestOneOrderWithoutHoles(t *testing.T) {
	t.Parallel()
	d := freshSite(t)
	errs := make(chan error, 20)
	for i := range 20 {
		go func() {
			e := stock.Event{Kind: stock.AreaSet, At: noon, EnteredAt: noon, By: "x", Via: "test"}
			errs <- d.In(t.Context(), "A", func(tx tracker.Tx) error {
				if err := tx.Append(t.Context(), &e); err != nil {
					return err
				}
				if i%3 == 0 {
					return pgx.ErrTxClosed // as good as any
				}
				return nil
			})
		}()
	}
	failed := 0
	for range 20 {
		if err := <-errs; err != nil {
			failed++
		}
	}
	require.Equal(t, 7, failed)
	var events []stock.Event
	require.NoError(t, d.Read(t.Context(), "A", func(v tracker.View) (err error) {
		events, err = v.Events(t.Context(), tracker.EventQuery{})
		return err
	}))
	require.Len(t, events, 13)
	for i, e := range events {
		require.Equal(t, int64(i+1), e.Seq)
	}
}

// Readings over the repeated hour, a month's and a year's end come back as they went in, in a session zone a day ahead.
func TestReadingsComeBack(t *testing.T) {
	t.Parallel()
	d := freshSite(t)
	for _, from := range []time.Time{
		time.Date(2025, 11, 2, 4, 0, 0, 0, time.UTC), time.Date(2025, 12, 31, 20, 0, 0, 0, time.UTC), time.Date(2024, 2, 28, 22, 0, 0, 0, time.UTC),
	} {
		var want []thermal.Reading
		for i := range 600 {
			want = append(want, thermal.Reading{AtMicros: from.Add(time.Duration(i) * time.Minute).UnixMicro(), MilliC: thermal.MilliC(4000 + i)})
		}
		require.NoError(t, d.In(t.Context(), "A", func(tx tracker.Tx) error {
			id, err := tx.NewIntake(t.Context(), tracker.Intake{Source: "command", Name: "x", By: "x", ReceivedAt: noon})
			if err != nil {
				return err
			}
			_, err = tx.AddReadings(t.Context(), id, 1, "T1", want)
			require.NoError(t, err)
			return tx.Append(t.Context(), &stock.Event{Kind: stock.IntakePart, At: noon, EnteredAt: noon, By: "x", Via: "test"})
		}))
		require.NoError(t, d.Read(t.Context(), "A", func(v tracker.View) error {
			got, conflicts, err := v.Readings(t.Context(), "T1", from, from.Add(600*time.Minute))
			require.NoError(t, err)
			require.Empty(t, conflicts)
			require.Equal(t, want, got)
			got, _, err = v.Readings(t.Context(), "T1", from.Add(10*time.Minute), from.Add(20*time.Minute))
			require.NoError(t, err)
			require.Equal(t, want[10:20], got)
			return nil
		}))
	}
}

// Classes that do not add up are refused by the schema, and so is a temperature out of both bounds.
func TestIntakeAddsUp(t *testing.T) {
	t.Parallel()
	d := freshSite(t)
	err := d.In(t.Context(), "A", func(tx tracker.Tx) error {
		in := tracker.Intake{Source: "command", Name: "x", By: "x", ReceivedAt: noon}
		id, err := tx.NewIntake(t.Context(), in)
		require.NoError(t, err)
		in.ID, in.Finished, in.Rows.Read, in.Rows.Stored = id, noon, 5, 4
		require.NoError(t, tx.FinishIntake(t.Context(), in))
		return tx.Append(t.Context(), &stock.Event{Kind: stock.IntakeTaken, At: noon, EnteredAt: noon, By: "x", Via: "test"})
	})
	_, broken := db.Broken(err)
	require.True(t, broken, "%v", err)
	err = d.In(t.Context(), "A", func(tx tracker.Tx) error {
		id, err := tx.NewIntake(t.Context(), tracker.Intake{Source: "command", Name: "x", By: "x", ReceivedAt: noon})
		require.NoError(t, err)
		_, err = tx.AddReadings(t.Context(), id, 1, "T1", []thermal.Reading{{AtMicros: noon.UnixMicro(), MilliC: 300_000}})
		require.NoError(t, err)
		return tx.Append(t.Context(), &stock.Event{Kind: stock.IntakePart, At: noon, EnteredAt: noon, By: "x", Via: "test"})
	})
	_, broken = db.Broken(err)
	require.True(t, broken, "%v", err)
}

// Checkpoints after an instant are replaced, and the newest before one is found, whether the sensor is locked and its
// newest known or not, and in whatever order that is asked for.
func TestCheckpointsAreReplaced(t *testing.T) {
	t.Parallel()
	d := freshSite(t)
	ctx := t.Context()
	at := func(minutes ...int) (cs []tracker.Checkpoint) {
		for _, m := range minutes {
			cs = append(cs, tracker.Checkpoint{AtMicros: noon.Add(time.Duration(m) * time.Minute).UnixMicro(), States: []byte{byte(m)}})
		}
		return cs
	}
	for name, locked := range map[string]bool{"T1": true, "T2": false} {
		found := func(tx tracker.Tx, before int, want ...int) {
			t.Helper()
			c, ok, err := tx.Checkpoint(ctx, name, at(before)[0].AtMicros)
			require.NoError(t, err)
			require.Equal(t, len(want) > 0, ok)
			if ok {
				require.Equal(t, at(want...)[0], c)
			}
		}
		in := func(f func(tx tracker.Tx)) {
			t.Helper()
			require.NoError(t, d.In(ctx, "A", func(tx tracker.Tx) error {
				if locked {
					_, err := tx.LockSensors(ctx, []string{name})
					require.NoError(t, err)
				}
				f(tx)
				return nil
			}))
		}
		save := func(tx tracker.Tx, after int, cs ...int) {
			t.Helper()
			require.NoError(t, tx.SaveCheckpoints(ctx, name, at(after)[0].AtMicros, at(cs...)))
		}
		in(func(tx tracker.Tx) {
			found(tx, 99)
			save(tx, 0, 10, 20, 30)
			found(tx, 99, 30)
			found(tx, 30, 20)
			save(tx, 15, 25)
			found(tx, 99, 25)
			found(tx, 25, 10)
		})
		in(func(tx tracker.Tx) {
			found(tx, 99, 25)
			found(tx, 25, 10)
			save(tx, 25, 40)
			found(tx, 99, 40)
			save(tx, 12)
			found(tx, 99, 10)
		})
		in(func(tx tracker.Tx) {
			found(tx, 99, 10)
			save(tx, 5)
			found(tx, 99)
			save(tx, 5, 7)
		})
		in(func(tx tracker.Tx) { found(tx, 99, 7) })
	}
}

// Migrating twice, and twice at once, is the same as once.
func TestMigrateTwice(t *testing.T) {
	t.Parallel()
	dsn := dbtest.Empty(t)
	done := make(chan error, 2)
	for range 2 {
		go func() { done <- db.Migrate(t.Context(), dsn) }()
	}
	require.NoError(t, <-done)
	require.NoError(t, <-done)
	require.NoError(t, db.Migrate(t.Context(), dsn))
}
