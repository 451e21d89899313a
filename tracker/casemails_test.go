package tracker_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
	"vialward/db/dbtest"
	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/templog"
)

// two sensors: T2 is a second one in R1, with the same figures.
func twoSensors(s *stock.Site) {
	second := s.Sensors[0]
	second.Code = "T2"
	s.Sensors = append(slices.Clone(s.Sensors), second)
}

func pagesFor(kinds ...string) func(*stock.Site) {
	return func(s *stock.Site) {
		for i := range s.Rules {
			s.Rules[i].PageWhenOpen = slices.Contains(kinds, s.Rules[i].Kind)
		}
	}
}

// of makes a plain log of one sensor.
func logOf(sensor string, from time.Time, celsius ...string) string {
	return strings.ReplaceAll(plainLog(from, celsius...), "T1,", sensor+",")
}

// post delivers readings as a live logger does.
func (s *setup) post(t *testing.T, text string) {
	t.Helper()
	p, err := templog.NewParser(strings.NewReader(text), nil, templog.Options{})
	require.NoError(t, err)
	_, err = s.TakeIn(t.Context(), "SMALL", tracker.Rule, tracker.Delivery{Source: "http", Name: "post", Live: true, Values: p})
	require.NoError(t, err)
}

// An old log that ends out of range wakes nobody; once the sensor says that it is so now, the page goes out, once.
func TestLateCaseThatIsStillSo(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, func(site *stock.Site) { site.RemindMinutes = 60 })
	s.batch(t, 1, "R1/A")
	from := s.now
	s.now = s.now.Add(4 * time.Hour)
	s.takeIn(t, plainLog(from, "5", "9", "9", "9", "9", "9"))
	require.True(t, s.cases(t)[0].Late)
	require.Equal(t, []alerts.Kind{alerts.LateData}, kinds(s.mails(t)))
	s.now = s.now.Add(5 * time.Minute)
	s.post(t, plainLog(s.now, "9.5"))
	s.now = s.now.Add(5 * time.Minute)
	s.post(t, plainLog(s.now, "9.6"))
	c := warm(t, s)
	require.False(t, c.Late)
	require.Equal(t, s.now.Add(55*time.Minute), c.NextReminder)
	require.Equal(t, 1, count(s.mails(t), alerts.Warm))
}

func warm(t *testing.T, s *setup) tracker.Case {
	t.Helper()
	all := s.cases(t)
	i := slices.IndexFunc(all, func(c tracker.Case) bool { return c.Kind == "warm" })
	require.GreaterOrEqual(t, i, 0)
	return all[i]
}

func count(mails []alerts.Row, kind alerts.Kind) (n int) {
	for _, k := range kinds(mails) {
		if k == kind {
			n++
		}
	}
	return n
}

// A unit that was said to be back in range and is out again is said to be out again, in the same thread, and back again:
// none missing. A second sensor of a unit that is out says nothing new.
func TestOutAgain(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, twoSensors)
	s.batch(t, 1, "R1/A")
	at := s.now
	s.now = at.Add(36 * time.Minute)
	s.post(t, logOf("T1", at.Add(5*time.Minute), "5", "9", "9", "9", "9", "5", "5"))
	require.Equal(t, []alerts.Kind{alerts.Warm, alerts.Recovered}, kinds(s.mails(t)))
	// The second sensor delivers later: it was out while the first one was, and is.
	s.now = at.Add(46 * time.Minute)
	s.post(t, logOf("T2", at.Add(5*time.Minute), "5", "9", "9", "9", "9", "9", "9", "9", "9"))
	require.Len(t, s.cases(t), 1)
	require.Equal(t, "open", s.cases(t)[0].State)
	require.Equal(t, []alerts.Kind{alerts.Warm, alerts.Recovered, alerts.Warm}, kinds(s.mails(t)))
	s.now = at.Add(66 * time.Minute)
	s.post(t, logOf("T1", at.Add(40*time.Minute), "9", "9", "9", "9", "9"))
	require.Len(t, s.mails(t), 3, "one state, one mail")
	s.now = at.Add(78 * time.Minute)
	s.post(t, logOf("T1", at.Add(65*time.Minute), "5", "5", "5"))
	s.post(t, logOf("T2", at.Add(50*time.Minute), "9", "9", "9", "5", "5", "5"))
	require.Equal(t, []alerts.Kind{alerts.Warm, alerts.Recovered, alerts.Warm, alerts.Recovered}, kinds(s.mails(t)))
	threads, ids := map[string]bool{}, map[string]bool{}
	for _, m := range s.mails(t) {
		threads[m.Thread], ids[m.MessageID] = true, true
	}
	require.Len(t, threads, 1)
	require.Len(t, ids, 4)
}

// Only the freeze rule pages. It clears before the cold one does: who was told that it froze is told when all is over.
func TestBackIsToldToWhoWasTold(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, pagesFor("freeze"))
	s.batch(t, 1, "R1/A")
	s.live(t, "5", "1", "1", "1", "1", "-1", "1", "1")
	require.Equal(t, []alerts.Kind{alerts.Freezing}, kinds(s.mails(t)))
	s.live(t, "5", "5")
	require.Equal(t, []alerts.Kind{alerts.Freezing, alerts.Recovered}, kinds(s.mails(t)))
}

// One reading completes the cold and begins the freeze: one mail, and it counts the freeze from its own beginning.
func TestColdAndFreezeAtOneReading(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, func(site *stock.Site) { site.Rooms[0].Name = "aseptic suite" })
	s.batch(t, 1, "R1/A")
	s.live(t, "5", "1", "1", "1", "-1")
	require.Equal(t, []alerts.Kind{alerts.Freezing}, kinds(s.mails(t)))
	require.Equal(t, []string{"cold", "freeze"}, excursionsOf(s.cases(t)[0]))
	froze := s.now.Add(-3*time.Minute - 15*time.Second).In(time.FixedZone("", -4*60*60)) // from 1 to -1 it passes 0.3 after 1:45 of 5 minutes
	m := s.mails(t)[0]
	require.Contains(t, m.Subject, "FREEZING R1 -1.0 C since "+froze.Format("15:04"))
	words := strings.Join(strings.Fields(m.Text), " ")
	require.Contains(t, words, "R1 (Room Q, aseptic suite): at or below the freeze limit 0.0 °C (0.3 °C, with the sensor's uncertainty) since "+froze.Format("15:04"))
	thread := m.Thread
	s.takeIn(t, plainLog(s.now.Add(-22*time.Minute), "1")) // late: the case began earlier, and is the same
	s.live(t, "5", "5", "5", "5", "5")
	require.Equal(t, []alerts.Kind{alerts.Freezing, alerts.Recovered}, kinds(s.mails(t)))
	require.Equal(t, thread, s.mails(t)[0].Thread)
}

// A unit that has been cold for long and freezes now: the freeze is told with its own beginning.
func TestFreezeAfterCold(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.batch(t, 1, "R1/A")
	s.live(t, "5", "1", "1", "1", "1", "1", "1")
	s.live(t, "-1")
	require.Equal(t, []alerts.Kind{alerts.Cold, alerts.Worse}, kinds(s.mails(t)))
	froze := s.now.Add(-4 * time.Minute).In(time.FixedZone("", -4*60*60))
	require.Contains(t, s.mails(t)[0].Subject, "NOW FREEZING R1 -1.0 C since "+froze.Format("15:04"))
}

func excursionsOf(c tracker.Case) (kinds []string) {
	for _, x := range c.Excursions {
		kinds = append(kinds, string(x.Found.Kind))
	}
	slices.Sort(kinds)
	return kinds
}

// What was moved or issued since is said to be where it is, and is given no time at which its allowance ends.
func TestStockOfACaseByWhere(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 3, "R1/A")
	s.live(t, "5", "9")
	_, err := s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes[:1], To: "WARD"})
	require.NoError(t, err)
	_, err = s.Place(ctx, "SMALL", technician, tracker.Place{Vials: codes[1:2], To: "R2/A"})
	require.NoError(t, err)
	s.live(t, "9", "9", "9")
	text := s.mails(t)[0].Text
	require.Equal(t, alerts.Warm, s.mails(t)[0].Kind)
	for _, where := range []string{", issued to WARD, BUD", ", R2, shelf A, BUD", ", shelf A, BUD"} {
		require.Contains(t, text, where)
	}
	require.Equal(t, 1, strings.Count(text, "minutes, ends "), text)
}

// And who was not told need not be told that it is over.
func TestNothingToldNothingBack(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, pagesFor("freeze"))
	s.live(t, "5", "9", "9", "9", "9", "5", "5")
	require.Equal(t, "recovered", s.cases(t)[0].State)
	require.Empty(t, s.mails(t))
}

// A case that was open before the work began and gets worse meanwhile is said when the work is over, in its thread.
func TestWorseDuringPlannedWork(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	s.batch(t, 1, "R1/A")
	s.live(t, "5", "1", "1", "1", "1")
	require.Equal(t, []alerts.Kind{alerts.Cold}, kinds(s.mails(t)))
	require.NoError(t, s.PlanWork(ctx, "SMALL", technician, tracker.PlannedWork{Unit: "R1", From: s.now, To: s.now.Add(20 * time.Minute), Reason: "defrost"}))
	s.live(t, "1", "-1", "-1")
	require.NoError(t, s.WorkEnded(ctx, "SMALL", s.now))
	require.Equal(t, []alerts.Kind{alerts.Cold}, kinds(s.mails(t)))
	s.live(t, "-1", "-1")
	require.NoError(t, s.WorkEnded(ctx, "SMALL", s.now))
	require.NoError(t, s.WorkEnded(ctx, "SMALL", s.now))
	require.Equal(t, []alerts.Kind{alerts.Cold, alerts.WorkEndedOut}, kinds(s.mails(t)))
	require.Equal(t, s.mails(t)[0].Thread, s.mails(t)[1].Thread)
	require.NotEqual(t, s.mails(t)[0].MessageID, s.mails(t)[1].MessageID)
}

// A live logger whose clock is an hour slow is heard all the same: its warm readings page at once, and an excursion that
// began and ended by its clock stays open until its zone is declared.
func TestSuspectClockStillPages(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 1, "R1/A")
	slow := func(celsius ...string) {
		s.now = s.now.Add(time.Duration(len(celsius)) * 5 * time.Minute)
		s.post(t, plainLog(s.now.Add(-time.Hour-time.Duration(len(celsius)-1)*5*time.Minute), celsius...))
	}
	for _, c := range []string{"5", "5", "5", "5", "9", "9", "9", "9", "9"} {
		slow(c)
	}
	require.Equal(t, []alerts.Kind{alerts.ClockSuspect, alerts.Warm}, kinds(s.mails(t)))
	slow("5")
	slow("-1", "5") // open and over in one delivery
	for _, c := range s.cases(t) {
		require.Equal(t, "open", c.State, c.Kind)
	}
	require.NoError(t, s.DeclareZone(ctx, "SMALL", pharmacist, "T1", "Etc/GMT+6", "compared with the wall clock"))
	for _, c := range s.cases(t) {
		require.Equal(t, "recovered", c.State, c.Kind)
	}
	require.Contains(t, s.vial(t, codes[0]).HoldsInWords(), "freeze")
}

// Two excursions that prove to be one: the younger one's hold, which was still growing, ends, and a pharmacist can
// release what both held.
func TestMergedHoldEnds(t *testing.T) {
	t.Parallel()
	s, ctx := newSiteLike(t, func(site *stock.Site) {
		for i := range site.Rules {
			site.Rules[i].ClearAfter = 20 * time.Minute
		}
	}), t.Context()
	codes := s.batch(t, 2, "R1/A")
	at := s.now
	s.now = at.Add(2 * time.Hour)
	s.takeIn(t, plainLog(at.Add(5*time.Minute), "5", "9", "9", "9", "9", "5", "5", "5", "5", "5", "5"))
	s.takeIn(t, plainLog(at.Add(65*time.Minute), "5", "9", "9", "9", "9", "9", "9", "9", "9", "9", "9"))
	require.Len(t, warmOpen(s, t), 1)
	// Another reading-out of the same time: it was never in range for long between the two.
	in := s.takeIn(t, plainLog(at.Add(32*time.Minute), "9", "9", "9", "9", "9", "9", "9"))
	require.Positive(t, in.Rows.Stored)
	s.now = s.now.Add(40 * time.Minute)
	s.takeIn(t, plainLog(at.Add(120*time.Minute), "5", "5", "5", "5", "5", "5", "5"))
	merged := false
	for _, c := range s.cases(t) {
		for _, x := range c.Excursions {
			merged = merged || x.MergedInto > 0
		}
		require.NotEqual(t, "open", c.State, "case %d, %s", c.No, c.Kind)
		var holds []tracker.HoldRow
		require.NoError(t, s.store.Read(ctx, "SMALL", func(v tracker.View) (err error) {
			holds, err = v.Holds(ctx, c.No)
			return err
		}))
		for _, h := range holds {
			require.False(t, h.To.IsZero(), "hold of case %d", c.No)
		}
		if v := s.vial(t, codes[0]); slices.ContainsFunc(v.Touches, func(o stock.Touch) bool { return o.Case == c.No }) {
			_, err := s.Release(ctx, "SMALL", pharmacist, tracker.Release{Case: c.No, Vials: codes, Basis: "known in full"})
			require.NoError(t, err)
		}
	}
	require.True(t, merged)
	require.Empty(t, s.vial(t, codes[0]).HoldsInWords())
}

func warmOpen(s *setup, t *testing.T) (open []tracker.Case) {
	t.Helper()
	for _, c := range s.cases(t) {
		if c.Kind == "warm" && c.State == "open" {
			open = append(open, c)
		}
	}
	return open
}

// A delivery that cannot be finished after it brought something to light (the daemon is killed, the disk is full): the clock
// tells it, since the same readings sent again are nothing new.
func TestLateFindsOfACutDelivery(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	last := s.now.AddDate(0, 0, -40)
	var b strings.Builder
	b.WriteString("sensor,at,celsius\n")
	rows := 1<<20 + 50_000
	for i := range rows { // a reading a second, so that the first part is stored before the end has been read
		c := "5"
		if i > 2000 && i < 6000 {
			c = "9"
		}
		fmt.Fprintf(&b, "T1,%s,%s\n", last.Add(time.Duration(i)*time.Second).Format(time.RFC3339), c)
	}
	dbtest.Exec(t, s.dsn, `create function fails() returns trigger language plpgsql as $$ begin
			raise exception 'no room' using errcode = 'disk_full'; end $$;
		create trigger fails before insert on event for each row when (new.kind = 'intake_taken') execute function fails()`)
	p, err := templog.NewParser(strings.NewReader(b.String()), nil, templog.Options{})
	require.NoError(t, err)
	_, err = s.TakeIn(ctx, "SMALL", tracker.Rule, tracker.Delivery{Source: "http", Name: "long.csv", Values: p})
	require.ErrorIs(t, err, tracker.ErrAway)
	dbtest.Exec(t, s.dsn, "drop trigger fails on event")
	require.Len(t, s.cases(t), 1)
	require.Empty(t, s.mails(t))
	s.now = s.now.Add(29 * time.Minute)
	require.NoError(t, s.LateFinds(ctx, "SMALL", s.now))
	require.Empty(t, s.mails(t), "it may still be coming in")
	s.now = s.now.Add(2 * time.Minute)
	require.NoError(t, s.LateFinds(ctx, "SMALL", s.now))
	require.NoError(t, s.LateFinds(ctx, "SMALL", s.now))
	require.Equal(t, []alerts.Kind{alerts.LateData}, kinds(s.mails(t)))
	in := s.takeIn(t, b.String())
	require.Equal(t, int64(50_000), in.Rows.Stored, "what was taken stays")
	require.Equal(t, []alerts.Kind{alerts.LateData}, kinds(s.mails(t)))
}
