package tracker_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/thermal"
)

func (s *setup) snapshot(t *testing.T) tracker.Snapshot {
	t.Helper()
	out, err := s.store.Snapshot(t.Context(), s.now)
	require.NoError(t, err)
	return out
}

func (s *setup) coverage(t *testing.T) float64 {
	t.Helper()
	all := s.snapshot(t).Sensors
	i := slices.IndexFunc(all, func(c tracker.SensorCount) bool { return c.Sensor == "T1" })
	require.GreaterOrEqual(t, i, 0)
	return all[i].Coverage
}

// Coverage is of the last 24 hours to the reading, however a logger delivers: a file of more than a day begins before
// them, and what was withdrawn is not there.
func TestCoverageOfTheLastDay(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.now = s.now.Add(40 * time.Minute)
	in := s.takeIn(t, plainLog(s.now.Add(-30*time.Hour), slices.Repeat([]string{"4.8"}, 12*30+1)...))
	require.InDelta(t, 1, s.coverage(t), 1e-9)
	s.now = s.now.Add(6*time.Hour - 5*time.Minute)
	s.live(t, "4.8")
	const day = 24 * 12 // readings
	require.InDelta(t, (0.75*day+1)/day, s.coverage(t), 1e-9, "six hours without")
	_, err := s.Withdraw(t.Context(), "SMALL", pharmacist, in.ID, "of another box")
	require.NoError(t, err)
	require.InDelta(t, 1.0/day, s.coverage(t), 1e-9)
}

// Every sensor has a number for each kind, 0 too, and the one that is out shows it until its excursion is over.
func TestOpenExcursionsBySensor(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, func(site *stock.Site) {
		second := site.Sensors[0]
		second.Code = "T9"
		site.Sensors = append(site.Sensors, second)
	})
	open := func() map[string]int64 {
		out := map[string]int64{}
		for _, o := range s.snapshot(t).Open {
			if o.N > 0 {
				out[o.Unit+" "+o.Sensor+" "+o.Kind] = o.N
			}
		}
		return out
	}
	both := func(celsius, second string) {
		s.live(t, celsius)
		s.takeIn(t, strings.ReplaceAll(plainLog(s.now, second), "T1,", "T9,"))
	}
	for range 4 {
		both("9.0", "4.8")
	}
	require.Equal(t, map[string]int64{"R1 T1 warm": 1}, open())
	for _, kind := range []string{"warm", "cold", "freeze", "no_data"} {
		require.Contains(t, s.snapshot(t).Open, tracker.OpenCount{Site: "SMALL", Unit: "R1", Sensor: "T9", Kind: kind})
	}
	for range 4 {
		both("9.0", "9.0")
	}
	require.Equal(t, map[string]int64{"R1 T1 warm": 1, "R1 T9 warm": 1}, open())
	for range 4 {
		both("4.8", "9.0")
	}
	require.Equal(t, map[string]int64{"R1 T9 warm": 1}, open(), "one of the two is back, and the case is open")
	for range 4 {
		both("4.8", "4.8")
	}
	require.Empty(t, open())
}

// The newest reading is shown as its certificate corrects it, as it is on every page and list.
func TestTemperatureShownIsCorrected(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, func(site *stock.Site) { site.Sensors[0].Calibrations[0].OffsetMilliC = -200 })
	s.live(t, "4.8", "5.1")
	sensors := s.snapshot(t).Sensors
	require.Len(t, sensors, 1)
	require.Equal(t, thermal.MilliC(4900), sensors[0].LastMilliC)
	require.Equal(t, s.now, sensors[0].LastAt)
}

// The age of a stuck queue is that of its oldest mail, also while that is being tried; accepted ones have none.
func TestOldestUnsentMail(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	s.live(t, "4.8", "9.0", "9.0", "9.0", "9.0")
	first := s.now
	s.live(t, "4.8", "4.8", "4.8", "4.8")
	mails := func() map[string]tracker.MailCount {
		out := map[string]tracker.MailCount{}
		for _, m := range s.snapshot(t).Mail {
			out[m.State] = m
		}
		return out
	}
	require.Equal(t, int64(2), mails()["waiting"].N)
	require.True(t, mails()["waiting"].OldestUnsent.Equal(first))
	claimed, err := s.store.Claim(ctx, 1, time.Minute, "A")
	require.NoError(t, err)
	require.Equal(t, int64(1), mails()["waiting"].N)
	require.True(t, mails()["claimed"].OldestUnsent.Equal(first), "it is the older one that is tried")
	require.NoError(t, s.store.Accepted(ctx, claimed[0], "250"))
	require.Zero(t, mails()["accepted"].OldestUnsent)
	require.True(t, mails()["accepted"].LastAccepted.Equal(first))
	require.True(t, mails()["waiting"].OldestUnsent.After(first))
}
