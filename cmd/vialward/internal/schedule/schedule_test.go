package schedule_test

import (
	"context"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/schedule"
)

// Expressions that panic the library, fire never, or drag a zone in.
func TestCheck(t *testing.T) {
	for _, bad := range []string{"", "TZ=UTC", "TZ=UTC 0 * * * *", "CRON_TZ=Asia/Tokyo 0 * * * *", "0 0 30 2 *", "* * * *", "61 * * * *"} {
		require.Error(t, schedule.Check(bad), bad)
	}
	for _, good := range []string{"* * * * *", "@every 1m", "0 0 29 2 *"} {
		require.NoError(t, schedule.Check(good), good)
	}
}

// All mistakes at once.
func TestNewListsEveryMistake(t *testing.T) {
	_, err := schedule.New(t.Context(), slog.New(slog.DiscardHandler), []schedule.Job{{Name: "a", Spec: "x"}, {Name: "b", Spec: "TZ=UTC"}})
	require.ErrorContains(t, err, "a:")
	require.ErrorContains(t, err, "b:")
}

// A year of minutes: every one wakes, over both clock changes, although a job panics now and then.
func TestWakesThroughPanicsAndClockChanges(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var woken int
		s, err := schedule.New(t.Context(), slog.New(slog.DiscardHandler), []schedule.Job{{Name: "tick", Spec: "0 * * * *", Run: func(context.Context) {
			woken++
			if woken%100 == 0 {
				panic("a fault in a job")
			}
		}}})
		require.NoError(t, err)
		s.Start()
		time.Sleep(365*24*time.Hour + time.Second) // the bubble's clock: no time passes
		synctest.Wait()
		s.Stop()
		require.Equal(t, 365*24, woken)
	})
}
