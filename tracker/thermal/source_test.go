package thermal_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/thermal"
)

func TestClockSuspect(t *testing.T) {
	receipt := time.UnixMicro(start)
	for _, c := range []struct {
		name    string
		age     time.Duration
		every   time.Duration
		offset  time.Duration
		suspect bool
	}{
		{"just measured", 5 * time.Second, 5 * time.Minute, 0, false},
		{"one delivery old", 5 * time.Minute, 5 * time.Minute, 0, false},
		{"an hourly delivery", time.Hour, time.Hour, 0, false},
		{"a quarter of an hour over", 20 * time.Minute, 5 * time.Minute, 0, false},
		{"a little fast", -10 * time.Minute, 5 * time.Minute, 0, false},
		{"an hour slow, as after a clock change", 63 * time.Minute, 10 * time.Minute, time.Hour, true},
		{"five hours slow: another zone", 5*time.Hour + 4*time.Minute, 10 * time.Minute, 5 * time.Hour, true},
		{"an hour fast", -57 * time.Minute, 10 * time.Minute, -time.Hour, true},
		{"half an hour fast", -30 * time.Minute, 5 * time.Minute, -30 * time.Minute, true},
		{"five and a half hours fast", -5*time.Hour - 30*time.Minute, 5 * time.Minute, -5*time.Hour - 30*time.Minute, true},
		{"47 minutes slow is no zone", 47 * time.Minute, 5 * time.Minute, 47 * time.Minute, true},
		{"a day slow: the wrong date", 24*time.Hour + time.Minute, 5 * time.Minute, 24 * time.Hour, true},
	} {
		offset, suspect := thermal.ClockSuspect(receipt.Add(-c.age), receipt, c.every)
		require.Equal(t, c.suspect, suspect, c.name)
		require.Equal(t, c.offset, offset, c.name)
	}
}

func TestFromFutureAndSilent(t *testing.T) {
	require.False(t, thermal.FromFuture(start+2*minute, start))
	require.True(t, thermal.FromFuture(start+2*minute+1, start))
	require.False(t, thermal.Silent(start, 5*time.Minute, 10*time.Minute, start+15*minute))
	require.True(t, thermal.Silent(start, 5*time.Minute, 10*time.Minute, start+15*minute+1))
	require.True(t, thermal.Silent(0, 5*time.Minute, 10*time.Minute, start), "never heard of")
}
