package tracker_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
)

// A label's date that no limit of the chapter can give is a wrong year, or a manufacturer's expiry: with it a vial would
// never expire. The longest limit is 180 days (USP <797>, Category 3, terminal, frozen, R), from the end of the day.
func TestTakeOverWithinTheChapter(t *testing.T) {
	t.Parallel()
	s, ctx := newSiteLike(t, withRoomAndFreezer), t.Context()
	over := func(bud string) error {
		_, err := s.TakeOver(ctx, "SMALL", pharmacist, tracker.TakeOver{Product: "PANT", Count: 1, BUD: bud, Made: "2025-10-10", To: "R1/A"})
		return err
	}
	require.NoError(t, over("2026-04-09"), "180 days from the end of 10 October")
	for _, bud := range []string{"2026-04-10", "2099-01-01", "2026-04-09T05:01:00Z"} {
		err := over(bud)
		refused(t, err, "bud")
		require.ErrorContains(t, err, "the longest limit is 180 days, USP <797>", bud)
	}
}
