package alerts_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
)

// One mail when there is a new one, and once a day as long as there are any: 24 hours after all were told last.
func TestWhenUnheardLoggersAreToldOf(t *testing.T) {
	now := at(time.October, 13, 10, 35)
	for name, c := range map[string]struct {
		told []time.Time
		want bool
	}{
		"none is unheard":              {nil, false},
		"a new one":                    {[]time.Time{{}}, true},
		"a new one beside one told of": {[]time.Time{now.Add(-time.Minute), {}}, true},
		"told of a minute ago":         {[]time.Time{now.Add(-time.Minute)}, false},
		"a minute short of a day":      {[]time.Time{now.Add(-24*time.Hour + time.Minute)}, false},
		"a day ago":                    {[]time.Time{now.Add(-24 * time.Hour)}, true},
	} {
		require.Equal(t, c.want, alerts.TellUnheard(c.told, now), name)
	}
}

// Loggers connected an hour after stock was taken over come in time, whatever the rule's delay; a rule or a logger that
// is slower than the grace is waited for.
func TestWhenUnprovenStockIsHeld(t *testing.T) {
	placed := at(time.October, 13, 8, 34)
	for name, c := range map[string]struct{ delay, rhythm, after time.Duration }{
		"quick ones":          {15 * time.Minute, 20 * time.Minute, 2 * time.Hour},
		"a slow rule":         {3 * time.Hour, 20 * time.Minute, 3 * time.Hour},
		"a logger once a day": {time.Hour, 72 * time.Hour, 72 * time.Hour},
	} {
		require.Equal(t, placed.Add(c.after), alerts.HoldUnheard(placed, c.delay, c.rhythm), name)
	}
	require.True(t, alerts.HoldUnheard(placed, 0, 0).After(placed.Add(time.Hour)))
}

// It is for working hours: it may never be routed as what wakes somebody.
func TestNeverHeardWakesNobody(t *testing.T) {
	require.Equal(t, alerts.Medium, alerts.NeverHeard.Severity())
}
