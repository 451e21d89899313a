package access_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/access"
)

// Limits of being signed in: NIST SP 800-63B, 4.2.3: 30 minutes without activity, 12 hours in all (M).
func TestStanding(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name       string
		full, seen time.Duration // before now
		live       bool
	}{
		{"just signed in", 0, 0, true},
		{"29:59 without a request", time.Hour, 30*time.Minute - time.Second, true},
		{"30 minutes without one", time.Hour, 30 * time.Minute, false},
		{"at work for 11:59:59", 12*time.Hour - time.Second, time.Second, true},
		{"at work for twelve hours", 12 * time.Hour, 0, false},
	} {
		s := access.Standing{Full: noon.Add(-c.full), Seen: noon.Add(-c.seen)}
		require.Equal(t, c.live, s.Live(noon), c.name)
		require.Equal(t, c.live, noon.Before(s.Ends()), c.name)
	}
}

// No row of requests, however close, keeps a session beyond the absolute limit; and one that is over stays over.
func TestNoSessionOutlivesItsLimits(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		s := access.Standing{Full: noon, Seen: noon}
		now := noon
		for range rapid.IntRange(1, 60).Draw(t, "requests") {
			now = now.Add(time.Duration(rapid.IntRange(0, 40*60).Draw(t, "pause")) * time.Second)
			if !s.Live(now) {
				require.False(t, s.Live(now.Add(time.Hour)), "it does not come back")
				return
			}
			require.Less(t, now.Sub(noon), access.Absolute)
			require.Less(t, now.Sub(s.Seen), access.Idle)
			s.Seen = now
		}
	})
}

// One full sign-in of the local day on a device, then a PIN does; the day is the site's, over clock changes too.
func TestMayUsePIN(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, zone, full, now string
		wrong                 int
		may                   bool
	}{
		{"the same morning", "America/New_York", "2025-11-12T06:45:00-05:00", "2025-11-12T09:00:00-05:00", 0, true},
		{"four wrong ones", "America/New_York", "2025-11-12T06:45:00-05:00", "2025-11-12T09:00:00-05:00", 4, true},
		{"five wrong ones", "America/New_York", "2025-11-12T06:45:00-05:00", "2025-11-12T09:00:00-05:00", 5, false},
		{"twelve hours later", "America/New_York", "2025-11-12T06:45:00-05:00", "2025-11-12T18:45:00-05:00", 0, false},
		{"a second before", "America/New_York", "2025-11-12T06:45:00-05:00", "2025-11-12T18:44:59-05:00", 0, true},
		{"after midnight", "America/New_York", "2025-11-12T22:00:00-05:00", "2025-11-13T00:00:00-05:00", 0, false},
		{"before midnight, another day in UTC", "America/New_York", "2025-11-12T18:00:00-05:00", "2025-11-12T23:59:59-05:00", 0, true},
		{"a day that began at 18:00 in New York", "Europe/Berlin", "2025-11-12T18:00:00-05:00", "2025-11-12T18:30:00-05:00", 0, true},
		{"Berlin's own", "Europe/Berlin", "2025-11-12T17:30:00-05:00", "2025-11-12T18:30:00-05:00", 0, false},
		{"the day of 25 hours", "America/New_York", "2025-11-02T00:30:00-04:00", "2025-11-02T12:00:00-05:00", 0, false},
		{"the day of 25 hours, within twelve of them", "America/New_York", "2025-11-02T01:30:00-04:00", "2025-11-02T12:00:00-05:00", 0, true},
		{"a clock set back", "America/New_York", "2025-11-12T09:00:00-05:00", "2025-11-12T08:59:59-05:00", 0, false},
		{"the same date a year on", "America/New_York", "2024-11-12T09:00:00-05:00", "2025-11-12T09:00:00-05:00", 0, false},
	} {
		zone, err := time.LoadLocation(c.zone)
		require.NoError(t, err)
		full, err := time.Parse(time.RFC3339, c.full)
		require.NoError(t, err)
		now, err := time.Parse(time.RFC3339, c.now)
		require.NoError(t, err)
		require.Equal(t, c.may, access.MayUsePIN(full, now, c.wrong, zone), c.name)
	}
	require.False(t, access.MayUsePIN(time.Time{}, noon, 0, time.UTC), "never signed in there")
}
