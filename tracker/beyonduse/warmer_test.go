package beyonduse_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/beyonduse"
)

// A refrigerated vial (Category 2, aseptic, sterile components; BUD 5 June 08:30) placed at room, or a frozen one
// thawed: room allows 4 days by the chapter (R) and what the invented stability row says.
func TestWarmer(t *testing.T) {
	for name, c := range map[string]struct {
		from, to  string
		stability time.Duration
		fromStart bool
		bud, by   string
	}{
		"stability from the move":        {"", "2026-06-02T10:00:00-04:00", 24 * time.Hour, false, "2026-06-03T10:00:00-04:00", "stability"},
		"stability from the start":       {"", "2026-06-02T10:00:00-04:00", 24 * time.Hour, true, "2026-06-02T08:30:00-04:00", "stability"},
		"late in its life: no later":     {"", "2026-06-04T20:00:00-04:00", 24 * time.Hour, false, "2026-06-05T08:30:00-04:00", "before"},
		"equal: nothing changes":         {"", "2026-06-04T08:30:00-04:00", 24 * time.Hour, false, "2026-06-05T08:30:00-04:00", "before"},
		"long stability: the chapter":    {"", "2026-06-01T08:45:00-04:00", 900 * time.Hour, false, "2026-06-05T08:30:00-04:00", "before"},
		"the chapter from the start":     {"", "2026-06-01T20:00:00-04:00", 900 * time.Hour, true, "2026-06-05T08:30:00-04:00", "before"},
		"seconds of the move are cut":    {"", "2026-06-02T10:00:59-04:00", time.Hour, false, "2026-06-02T11:00:00-04:00", "stability"},
		"expired by it at once":          {"", "2026-06-04T10:00:00-04:00", time.Hour, true, "2026-06-01T09:30:00-04:00", "stability"},
		"thawed: the chapter's 4 days":   {"2026-07-16T08:30:00-04:00", "2026-06-20T08:30:00-04:00", 900 * time.Hour, false, "2026-06-24T08:30:00-04:00", "sterility"},
		"thawed, counted from the start": {"2026-07-16T08:30:00-04:00", "2026-06-20T08:30:00-04:00", 900 * time.Hour, true, "2026-06-05T08:30:00-04:00", "sterility"},
	} {
		t.Run(name, func(t *testing.T) {
			in := prepared(t)
			soFar := at(t, "2026-06-05T08:30:00-04:00")
			if c.from != "" {
				soFar = at(t, c.from)
			}
			in.Storage, in.Stability[1].For = room, c.stability
			got, err := beyonduse.Warmer(in, soFar, at(t, c.to), c.fromStart)
			require.NoError(t, err)
			require.Equal(t, c.bud, got.BeyondUse.In(in.Zone).Format(time.RFC3339))
			require.Equal(t, c.by, got.GovernedBy)
			require.Len(t, got.Candidates, 3)
		})
	}
}

// A class without a cell or without a row gives no date for the move.
func TestWarmerWithoutLimit(t *testing.T) {
	in := prepared(t)
	in.Storage, in.Stability = room, in.Stability[:1]
	_, err := beyonduse.Warmer(in, at(t, "2026-06-05T08:30:00-04:00"), at(t, "2026-06-02T08:30:00-04:00"), false)
	require.EqualError(t, err, "There is no stability row for room storage: add one with its source, or store the preparation where there is one.")
	in.Zone = nil
	_, err = beyonduse.Warmer(in, in.StartedAt, in.StartedAt, false)
	require.ErrorContains(t, err, "zone")
}
