package thermal_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/thermal"
)

// A logger every 10 minutes, worth a look after half an hour of one value.
func TestStuck(t *testing.T) {
	for name, c := range map[string]struct {
		readings []thermal.Reading
		since    float64
		stuck    bool
	}{
		"half an hour of one value":        {trace(0, 5, 10, 4, 20, 4, 30, 4, 40, 4), 10, true},
		"ten minutes less":                 {trace(0, 5, 10, 4, 20, 4, 30, 4), 10, false},
		"it moved just now":                {trace(0, 4, 10, 4, 20, 4, 30, 4, 40, 4.1), 40, false},
		"and came back":                    {trace(0, 4, 10, 4, 20, 4, 30, 4.1, 40, 4), 40, false},
		"one value before and after a gap": {trace(0, 4, 600, 4), 0, false},
		"one reading":                      {trace(0, 4), 0, false},
	} {
		s := thermal.Steady{}.On(c.readings)
		require.Equal(t, c.stuck, s.Stuck(30*time.Minute, 10*time.Minute), name)
		require.Equal(t, start+int64(c.since*float64(minute)), s.SinceMicros, name)
	}
	require.False(t, thermal.Steady{}.On(nil).Stuck(time.Hour, time.Minute))
	require.False(t, thermal.Steady{Readings: 1000}.Stuck(0, time.Minute), "a site that does not ask")
}

// It does not matter in how many deliveries the readings came.
func TestSteadyInAnySplit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		readings, _ := thermal.Merge(raw.Draw(t, "readings"))
		cut := rapid.IntRange(0, len(readings)).Draw(t, "cut")
		if a, b := (thermal.Steady{}).On(readings), (thermal.Steady{}).On(readings[:cut]).On(readings[cut:]); a != b {
			t.Fatalf("%+v at once, %+v in two", a, b)
		}
	})
}
