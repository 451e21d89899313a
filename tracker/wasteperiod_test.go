package tracker_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
)

func TestPeriodOf(t *testing.T) {
	t.Parallel()
	zone, err := time.LoadLocation("America/New_York")
	require.NoError(t, err)
	now := time.Date(2025, 12, 1, 3, 0, 0, 0, time.UTC) // still November there
	for _, c := range []struct{ from, to, begin, end string }{
		{"", "", "2025-10-01T00:00:00-04:00", "2025-11-01T00:00:00-04:00"},
		{"2025-11", "", "2025-11-01T00:00:00-04:00", "2025-12-01T00:00:00-05:00"},
		{"2025-11-02", "", "2025-11-02T00:00:00-04:00", "2025-11-03T00:00:00-05:00"}, // 25 hours
		{"2025-12", "2026-01", "2025-12-01T00:00:00-05:00", "2026-02-01T00:00:00-05:00"},
		{"2025-10-13", "2025-11-11", "2025-10-13T00:00:00-04:00", "2025-11-12T00:00:00-05:00"},
		{"2025-10-13T07:00:00-04:00", "2025-10-13T12:00:00Z", "2025-10-13T07:00:00-04:00", "2025-10-13T08:00:00-04:00"},
	} {
		begin, end, err := tracker.PeriodOf(zone, c.from, c.to, now)
		require.NoError(t, err)
		require.Equal(t, c.begin+" "+c.end, begin.In(zone).Format(time.RFC3339)+" "+end.In(zone).Format(time.RFC3339))
	}
	for _, c := range []struct{ from, to, say string }{
		{"2025-11", "2025-10", "the period ends at or before its start; give an end that is later"},
		{"2025-10-13T07:00:00-04:00", "", "the period ends at or before its start; give an end that is later"},
		{"October", "", `"October" is no start of a period; write a month as 2025-10, a day as 2025-10-31, or a time with its offset`},
		{"2025-10", "31.10.", `"31.10." is no end of a period; write a month as 2025-10, a day as 2025-10-31, or a time with its offset`},
		{"2025-02-30", "", `"2025-02-30" is no start of a period; write a month as 2025-10, a day as 2025-10-31, or a time with its offset`},
	} {
		_, _, err := tracker.PeriodOf(zone, c.from, c.to, now)
		require.EqualError(t, err, c.say)
	}
}
