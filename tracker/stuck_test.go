package tracker_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
	"vialward/tracker"
	"vialward/tracker/stock"
)

func stuckAfterAnHour(site *stock.Site) { site.Sensors[0].StuckAfter = time.Hour }

func (s *setup) stuckSince(t *testing.T) (since time.Time) {
	t.Helper()
	require.NoError(t, s.store.Read(t.Context(), "SMALL", func(v tracker.View) error {
		all, err := v.SensorsNow(t.Context())
		for _, n := range all {
			sensor, _ := v.Site().Sensor(n.Sensor)
			since = n.StuckSince(sensor)
		}
		return err
	}))
	return since
}

// A probe that shows one value for longer than the site finds likely is said to people: on the morning's list, on pages
// and in metrics, never by a page of its own, and it clears and opens nothing.
func TestStuckValueIsSaid(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, stuckAfterAnHour)
	s.batch(t, 1, "R1/A")
	s.live(t, "4.9")
	first := s.now.Add(5 * time.Minute)
	s.live(t, strings.Split(strings.Repeat("4.6,", 11)+"4.6", ",")...)
	require.Zero(t, s.stuckSince(t), "55 minutes")
	require.False(t, s.sensorCount(t).Stuck)
	s.live(t, "4.6")
	require.Equal(t, first, s.stuckSince(t))
	require.True(t, s.sensorCount(t).Stuck)
	require.Empty(t, s.mails(t))
	require.Empty(t, s.cases(t))
	require.NoError(t, s.store.Read(t.Context(), "SMALL", func(v tracker.View) error {
		l, err := s.Preview(t.Context(), v, s.now)
		require.True(t, first.Equal(l.Units[0].Head.Probes[0].Stuck))
		return err
	}))
	s.now = time.Date(2025, 10, 14, 11, 0, 0, 0, time.UTC) // the morning's list
	require.NoError(t, s.Sweeps(t.Context(), "SMALL", s.now))
	require.Equal(t, []alerts.Kind{alerts.NothingToPull}, kinds(s.mails(t)))
	require.Contains(t, unwrapped(s.mails(t)[0].Text), "STUCK? one value since Mon 07:15: the unit's own display says ______")
	require.Equal(t, alerts.Low, s.mails(t)[0].Severity)
	s.live(t, "4.7")
	require.Zero(t, s.stuckSince(t))
}

// A probe stuck out of range keeps its case open, however long; one stuck in range clears like any other.
func TestStuckIsMeasuredAllTheSame(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, stuckAfterAnHour)
	s.live(t, strings.Split("5,"+strings.Repeat("9.6,", 14)+"9.6", ",")...)
	require.NotZero(t, s.stuckSince(t))
	require.Equal(t, "open", s.cases(t)[0].State)
	s.live(t, strings.Split(strings.Repeat("5,", 14)+"5", ",")...)
	require.NotZero(t, s.stuckSince(t))
	require.Equal(t, "recovered", s.cases(t)[0].State)
}

// Late data and withdrawn intakes are counted as if they had come in order.
func TestStuckByLateData(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, stuckAfterAnHour)
	start := s.now
	s.now = start.Add(3 * time.Hour)
	s.takeIn(t, plainLog(start, "5", "4.6", "4.6", "4.6", "4.6", "4.6", "4.6"))
	s.takeIn(t, plainLog(start.Add(60*time.Minute), "4.6", "4.6", "4.6", "4.6"))
	require.Zero(t, s.stuckSince(t), "ten readings")
	between := s.takeIn(t, plainLog(start.Add(35*time.Minute), "4.6", "4.6", "4.6", "4.6", "4.6"))
	require.Equal(t, start.Add(5*time.Minute), s.stuckSince(t))
	other := s.takeIn(t, plainLog(start.Add(70*time.Minute+time.Second), "4.7"))
	require.Zero(t, s.stuckSince(t), "it moved, as is known now")
	_, err := s.Withdraw(t.Context(), "SMALL", pharmacist, other.ID, "of another box")
	require.NoError(t, err)
	require.Equal(t, start.Add(5*time.Minute), s.stuckSince(t))
	_, err = s.Withdraw(t.Context(), "SMALL", pharmacist, between.ID, "of another box")
	require.NoError(t, err)
	require.Zero(t, s.stuckSince(t))
}

// A value that stood for days keeps its beginning when late data comes, though only its last hours are read again.
func TestStuckForDays(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, stuckAfterAnHour)
	start := s.now
	s.now = start.Add(10 * time.Hour)
	s.takeIn(t, plainLog(start.Add(5*time.Minute), strings.Split(strings.Repeat("4.6,", 118)+"4.6", ",")...))
	require.Equal(t, start.Add(5*time.Minute), s.stuckSince(t))
	s.takeIn(t, plainLog(s.now.Add(-7*time.Minute), "4.6"))
	require.Equal(t, start.Add(5*time.Minute), s.stuckSince(t))
}
