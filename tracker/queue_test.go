package tracker_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
	"vialward/tracker/walltime"
)

// A mail nobody takes is said once, after half an hour; what says so is not itself counted as stuck.
func TestStuckMailIsSaidOnce(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	s.live(t, "5.0", "8.5", "9.0", "9.3", "9.6")
	require.Equal(t, []alerts.Kind{alerts.Warm}, kinds(s.mails(t)))
	health := func(after time.Duration) {
		s.now = s.now.Add(after)
		require.NoError(t, s.QueueHealth(ctx, "SMALL", walltime.Cut(s.now)))
	}
	health(30 * time.Minute)
	require.Len(t, s.mails(t), 1, "not longer than half an hour yet")
	health(time.Minute)
	require.Equal(t, []alerts.Kind{alerts.Warm, alerts.QueueStuck}, kinds(s.mails(t)))
	require.Contains(t, s.mails(t)[0].Text, s.mails(t)[1].Subject)
	require.Contains(t, s.mails(t)[0].Text, "WHAT  1 mail waiting.\n", "nothing of what there is none of")
	health(40 * time.Minute)
	require.Len(t, s.mails(t), 2)
}
