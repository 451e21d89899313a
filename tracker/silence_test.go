package tracker_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
	"vialward/tracker"
	"vialward/tracker/stock"
)

func silentFor(delay time.Duration) func(*stock.Site) {
	return func(site *stock.Site) { site.Rules[3].Delay = delay }
}

func (s *setup) sensorNow(t *testing.T) (n tracker.SensorNow) {
	t.Helper()
	require.NoError(t, s.store.Read(t.Context(), "SMALL", func(v tracker.View) error {
		all, err := v.SensorsNow(t.Context())
		n = all[0]
		return err
	}))
	return n
}

// The delay of a rule for missing data is how long a sensor has to be silent before the case opens: pages say at once that
// it is silent, people are told and stock is held when that has lasted, from the last reading on.
func TestSilenceWaitsForItsRulesDelay(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, silentFor(45*time.Minute))
	codes := s.batch(t, 1, "R1/A")
	s.live(t, "5.0", "5.0")
	last := s.now
	s.watch(t, 15)
	require.Zero(t, s.sensorNow(t).SilentSince)
	s.watch(t, 1)
	require.Equal(t, s.now, s.sensorNow(t).SilentSince, "silent_after is 15 minutes")
	s.watch(t, 4)
	s.takeIn(t, plainLog(last.Add(-25*time.Minute), "5.0", "5.0")) // an old log is no word of it, and no reason to hurry
	s.watch(t, 25)
	require.Empty(t, s.cases(t), "45 minutes, not longer")
	require.Empty(t, s.mails(t))
	s.watch(t, 1)
	require.Len(t, s.cases(t), 1)
	require.Equal(t, []any{last, s.now}, []any{s.cases(t)[0].From, s.cases(t)[0].RaisedAt})
	require.Equal(t, "case 1 (no temperatures)", s.vial(t, codes[0]).HoldsInWords())
	require.Equal(t, []alerts.Kind{alerts.NoTemperatures}, kinds(s.mails(t)))
	s.takeIn(t, plainLog(last.Add(-40*time.Minute), "5.0", "5.0"))
	s.watch(t, 30)
	require.Len(t, s.cases(t), 1)
	require.Equal(t, "open", s.cases(t)[0].State)
	require.Len(t, s.mails(t), 1)
}

// It speaks again before that: nothing was ever said. How long it was silent is for its log to fill, or a gap.
func TestSilenceThatEndsBeforeItsDelay(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, silentFor(45*time.Minute))
	s.batch(t, 1, "R1/A")
	s.live(t, "5.0", "5.0")
	s.watch(t, 25)
	s.live(t, "5.0")
	require.Zero(t, s.sensorNow(t).SilentSince)
	s.watch(t, 10)
	require.Empty(t, s.cases(t))
}

// A delay longer than what the site's file had makes an open case no less open.
func TestALongerDelayClosesNothing(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.batch(t, 1, "R1/A")
	s.live(t, "5.0", "5.0")
	last := s.now
	s.watch(t, 20)
	require.Equal(t, "open", s.cases(t)[0].State)
	require.NoError(t, s.reload(t, silentFor(10*time.Hour)))
	s.takeIn(t, plainLog(last.Add(-25*time.Minute), "5.0", "5.0"))
	require.Equal(t, "open", s.cases(t)[0].State)
}

// A sensor whose time at a unit is known to end some day is watched until then.
func TestSilenceOfASensorThatWillLeave(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, func(site *stock.Site) {
		site.Sensors[0].Assignments[0].To = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	})
	codes := s.batch(t, 1, "R1/A")
	s.live(t, "5.0", "5.0")
	s.watch(t, 20)
	require.Equal(t, "case 1 (no temperatures)", s.vial(t, codes[0]).HoldsInWords())
}

// A rule that may not page neither reminds nor speaks up when planned work is over; once the site's file lets it, it does.
func TestARuleThatMayNotPageNeverDoes(t *testing.T) {
	t.Parallel()
	quiet := func(site *stock.Site) { site.RemindMinutes = 30 }
	s, ctx := newSiteLike(t, quiet, pagesFor("freeze")), t.Context()
	s.batch(t, 1, "R1/A")
	require.NoError(t, s.PlanWork(ctx, "SMALL", technician, tracker.PlannedWork{Unit: "R1", From: s.now, To: s.now.Add(30 * time.Minute), Reason: "cleaning"}))
	s.live(t, "5", "9", "9", "9", "9", "9")
	for range 20 {
		s.live(t, "9")
		require.NoError(t, s.Reminders(ctx, "SMALL", s.now))
		require.NoError(t, s.WorkEnded(ctx, "SMALL", s.now))
	}
	require.Equal(t, "open", warm(t, s).State)
	require.False(t, warm(t, s).Muted)
	require.Empty(t, s.mails(t))
	require.NoError(t, s.reload(t, quiet))
	for range 7 {
		s.live(t, "9")
		require.NoError(t, s.Reminders(ctx, "SMALL", s.now))
	}
	require.Equal(t, []alerts.Kind{alerts.StillOpen}, kinds(s.mails(t)))
	require.True(t, s.mails(t)[0].First)
	s.live(t, "5", "5", "5")
	require.Equal(t, []alerts.Kind{alerts.StillOpen, alerts.Recovered}, kinds(s.mails(t)))
	require.Equal(t, s.mails(t)[1].MessageID, s.mails(t)[0].Root())
}
