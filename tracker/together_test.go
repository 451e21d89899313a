package tracker_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
	"vialward/db"
	"vialward/db/dbtest"
	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/templog"
)

// second is another daemon on the same database, with the same clock.
func (s *setup) second(t *testing.T) *tracker.Tracker {
	t.Helper()
	store, err := db.Open(t.Context(), s.dsn)
	require.NoError(t, err)
	t.Cleanup(store.Close)
	other := *s.Tracker
	other.Store = store
	return &other
}

// allAtOnce runs everything at the same moment and answers what went wrong beyond a refusal.
func allAtOnce(fs ...func() error) (wrong []error) {
	var mu sync.Mutex
	var wait sync.WaitGroup
	begin := make(chan struct{})
	for _, f := range fs {
		wait.Go(func() {
			<-begin
			var no *stock.Refusal
			if err := f(); err != nil && !errors.As(err, &no) {
				mu.Lock()
				wrong = append(wrong, err)
				mu.Unlock()
			}
		})
	}
	close(begin)
	wait.Wait()
	return wrong
}

// Everything a busy site does at the same moment: nothing fails but by a refusal, nobody waits in a circle, no vial that
// was there escapes the excursion by being issued in that moment, and the record still adds up.
func TestAllAtOnce(t *testing.T) {
	t.Parallel()
	s, ctx := newSiteLike(t, twoSensors), t.Context()
	other := s.second(t)
	for round := range 6 {
		s.now = s.now.Add(2 * time.Hour)
		codes := s.batch(t, 6, "R1/A")
		at := s.now
		s.now = at.Add(30 * time.Minute)
		log := func(sensor string, celsius ...string) func() error {
			text := logOf(sensor, at.Add(5*time.Minute), celsius...)
			return func() error {
				p, err := templog.NewParser(strings.NewReader(text), nil, templog.Options{})
				if err != nil {
					return err
				}
				_, err = s.TakeIn(ctx, "SMALL", tracker.Rule, tracker.Delivery{Source: "http", Name: "post", Live: true, Values: p})
				return err
			}
		}
		issue := func(t *tracker.Tracker, code string) func() error {
			return func() error {
				_, err := t.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: []string{code}, To: "WARD"})
				return err
			}
		}
		move := func(codes ...string) func() error {
			return func() error {
				_, err := s.Place(ctx, "SMALL", technician, tracker.Place{Vials: codes, To: "R2/A"})
				return err
			}
		}
		text := logOf("T1", at.Add(7*time.Minute), "9", "9") + strings.TrimPrefix(logOf("T2", at.Add(7*time.Minute), "9", "9"), "sensor,at,celsius\n")
		both := func() error {
			p, err := templog.NewParser(strings.NewReader(text), nil, templog.Options{})
			if err != nil {
				return err
			}
			_, err = other.TakeIn(ctx, "SMALL", tracker.Rule, tracker.Delivery{Source: "folder", Name: "both", Values: p})
			return err
		}
		many := func() error { // the other daemon's small posts, in another order of sensors
			_, err := other.TakeInMany(ctx, "SMALL", []tracker.Arrival{
				arrival(t, logOf("T2", at.Add(6*time.Minute), "9", "9", "9")), arrival(t, logOf("T1", at.Add(6*time.Minute), "5", "9", "-1")), arrival(t, text),
			})
			return err
		}
		backwards := slices.Clone(codes)
		slices.Reverse(backwards)
		wrong := allAtOnce(
			many, log("T1", "5", "9", "-1", "9", "9", "9"), log("T2", "5", "-1", "9", "9", "9", "9"), log("T1", "5", "9", "-1", "9", "9", "9"), both,
			issue(s.Tracker, codes[0]), issue(other, codes[0]), issue(other, codes[1]), move(codes...), move(backwards...),
			func() error {
				_, err := other.Recall(ctx, "SMALL", pharmacist, tracker.Recall{Batch: stockBatch(codes[0]), Reason: fmt.Sprintf("round %d", round)})
				return err
			},
			func() error { return s.Tick(ctx, "SMALL") }, func() error { return other.Tick(ctx, "SMALL") },
			func() error {
				_, err := s.Withdraw(ctx, "SMALL", pharmacist, int64(2*round+1), "of another box")
				if errors.Is(err, tracker.ErrNotFound) {
					return nil
				}
				return err
			},
		)
		require.Empty(t, wrong)
		for _, code := range codes[:2] {
			require.Contains(t, s.vial(t, code).HoldsInWords(), "freeze", "issued or not, it was there")
		}
		s.recounted(t)
	}
	require.Zero(t, dbtest.Ask(t, s.dsn, "select deadlocks from pg_stat_database where datname = current_database()"))
}

func stockBatch(vial string) string { return vial[:strings.LastIndexByte(vial, '-')] }

// Two sensors of a unit say at the same moment that they are back in range: the case they share recovers, and is told
// once.
func TestTwoSensorsClearAtOnce(t *testing.T) {
	t.Parallel()
	s, ctx := newSiteLike(t, twoSensors), t.Context()
	for range 8 {
		at := s.now
		s.now = at.Add(30 * time.Minute)
		for _, sensor := range []string{"T1", "T2"} {
			s.post(t, logOf(sensor, at.Add(5*time.Minute), "5", "9", "9", "9", "9"))
		}
		s.now = at.Add(40 * time.Minute)
		back := func(sensor string) func() error {
			text := logOf(sensor, at.Add(30*time.Minute), "5", "5", "5")
			return func() error {
				p, err := templog.NewParser(strings.NewReader(text), nil, templog.Options{})
				if err != nil {
					return err
				}
				_, err = s.TakeIn(ctx, "SMALL", tracker.Rule, tracker.Delivery{Source: "http", Name: "post", Live: true, Values: p})
				return err
			}
		}
		require.Empty(t, allAtOnce(back("T1"), back("T2")))
		require.Equal(t, "recovered", s.cases(t)[0].State)
	}
	require.Len(t, s.cases(t), 8)
	require.Equal(t, 8, count(s.mails(t), alerts.Recovered))
}

// Two pharmacists release the same vials: one decision is on record, the other is told that there is nothing to release.
func TestTwoReleases(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 3, "R1/A")
	s.live(t, "5", "9", "9", "9", "9", "5", "5")
	other := s.second(t)
	release := func(t *tracker.Tracker) func() error {
		return func() error {
			_, err := t.Release(ctx, "SMALL", s.signing(pharmacist), tracker.Release{Case: 1, Vials: codes, Basis: "within allowance"})
			return err
		}
	}
	require.Empty(t, allAtOnce(release(s.Tracker), release(other), release(s.Tracker)))
	require.Empty(t, s.vial(t, codes[0]).HoldsInWords())
	require.Equal(t, int64(1), dbtest.Ask(t, s.dsn, "select count(*) from event where kind = 'released'"))
}

// Two daemons and their clocks through a day with a silent sensor, a warm unit, lists, reminders and a restart in the
// middle: each list, reminder and silence once, and list numbers without a hole.
func TestTwoDaemonsTick(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, func(site *stock.Site) {
		twoSensors(site)
		site.Sensors[1].Assignments = []stock.Assignment{{Unit: "R2", From: site.Sensors[0].Assignments[0].From}}
		site.RemindMinutes = 60
		site.Sweeps = []stock.Slot{{Days: stock.Weekdays, At: "07:00"}, {Days: stock.Weekdays, At: "13:00"}, {Days: stock.Weekdays, At: "19:00"}}
	})
	ctx := t.Context()
	s.batch(t, 2, "R1/A")
	s.now = time.Date(2025, 10, 13, 10, 50, 0, 0, time.UTC) // 06:50 EDT
	s.takeIn(t, logOf("T2", s.now, "5"))
	other := s.second(t)
	for i := range 160 {
		s.now = s.now.Add(5 * time.Minute)
		c := "5"
		if i > 20 {
			c = "9"
		}
		s.post(t, plainLog(s.now, c))
		if i >= 90 && i < 130 {
			continue // both are down
		}
		require.Empty(t, allAtOnce(
			func() error { return s.Tick(ctx, "SMALL") }, func() error { return other.Tick(ctx, "SMALL") }, func() error { return s.Tick(ctx, "SMALL") },
		))
	}
	var lists []tracker.SweepRow
	require.NoError(t, s.store.Read(ctx, "SMALL", func(v tracker.View) (err error) {
		lists, err = v.Sweeps(ctx, 100)
		return err
	}))
	var slots []string
	for i, l := range lists {
		require.Equal(t, len(lists)-i, l.Number)
		slots = append(slots, l.Slot)
	}
	require.Equal(t, []string{"2025-10-13 19:00", "2025-10-13 13:00", "2025-10-13 07:00"}, slots)
	seen := map[alerts.Kind]int{}
	for _, m := range s.mails(t) {
		seen[m.Kind]++
	}
	require.Equal(t, 1, seen[alerts.Warm])
	require.Equal(t, 1, seen[alerts.NoTemperatures])
	require.Equal(t, 3, seen[alerts.NothingToPull]+seen[alerts.SweepList])
	require.Equal(t, 3, seen[alerts.SweepUnconfirmed])
	require.LessOrEqual(t, seen[alerts.StillOpen], 2*13)
	require.GreaterOrEqual(t, seen[alerts.StillOpen], 2*7)
	s.recounted(t)
}
