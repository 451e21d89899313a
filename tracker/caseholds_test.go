package tracker_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
)

// A hold of R1's shelf A from 02:00 to 03:00: which stays it touches. Ends count: who left as it began was there.
func TestWhichStaysAHoldMeets(t *testing.T) {
	t.Parallel()
	at := func(minute int) time.Time {
		return time.Date(2025, 10, 13, 2, 0, 0, 0, time.UTC).Add(time.Duration(minute) * time.Minute)
	}
	hold := tracker.HoldRow{Unit: "R1", Shelves: []string{"A"}, From: at(0), To: at(60)}
	for name, c := range map[string]struct {
		unit, shelf string
		from, to    time.Time
		want        bool
	}{
		"all through":          {"R1", "A", at(-30), at(90), true},
		"still there":          {"R1", "A", at(-30), time.Time{}, true},
		"came and went within": {"R1", "A", at(10), at(20), true},
		"left as it began":     {"R1", "A", at(-30), at(0), true},
		"left a minute before": {"R1", "A", at(-30), at(-1), false},
		"came as it ended":     {"R1", "A", at(60), time.Time{}, true},
		"came a minute after":  {"R1", "A", at(61), time.Time{}, false},
		"on another shelf":     {"R1", "B", at(-30), at(90), false},
		"in another unit":      {"R2", "A", at(-30), at(90), false},
	} {
		stay := tracker.Stay{Unit: c.unit, Shelf: c.shelf, From: c.from, To: c.to}
		require.Equal(t, c.want, hold.Meets(stay), name)
	}
	whole := hold
	whole.Shelves, whole.To = nil, time.Time{}
	require.True(t, whole.Meets(tracker.Stay{Unit: "R1", From: at(600)}), "a growing hold of a whole unit meets whoever comes")
}
