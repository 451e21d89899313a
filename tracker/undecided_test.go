package tracker_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
)

// A time that is typed in takes no hold off: a move entered now as if it had been before the excursion leaves the vial
// held, until a pharmacist decides.
func TestBackdatedMoveKeepsTheHold(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 2, "R1/A")
	s.live(t, "5")
	before := s.now
	s.live(t, "9", "9", "9", "9", "5", "5")
	require.Equal(t, "case 1 (warm)", s.vial(t, codes[0]).HoldsInWords())
	_, err := s.Place(ctx, "SMALL", technician, tracker.Place{Vials: codes[:1], To: "R2/A", At: before})
	require.NoError(t, err)
	require.Equal(t, "case 1 (warm)", s.vial(t, codes[0]).HoldsInWords())
	_, err = s.Release(ctx, "SMALL", pharmacist, tracker.Release{Case: 1, Vials: codes, Basis: "moved before, says the second signature"})
	require.NoError(t, err)
	require.Empty(t, s.vial(t, codes[0]).HoldsInWords())
	s.recounted(t)
}

// A release counts for the stays that were known: a vial that is found to have been in the warm unit at another time too
// is undecided again.
func TestReleaseOfAnotherStay(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 1, "R1/A")
	s.live(t, "5", "9", "9")
	_, err := s.Place(ctx, "SMALL", technician, tracker.Place{Vials: codes, To: "R2/A"})
	require.NoError(t, err)
	s.live(t, "9", "9", "9", "9")
	_, err = s.Release(ctx, "SMALL", pharmacist, tracker.Release{Case: 1, Vials: codes, Basis: "was out of it after 10 minutes"})
	require.NoError(t, err)
	require.Empty(t, s.vial(t, codes[0]).HoldsInWords())
	_, err = s.Find(ctx, "SMALL", technician, tracker.Place{Vials: codes, To: "R1/B", Note: "it never left"})
	require.NoError(t, err)
	require.Equal(t, "case 1 (warm)", s.vial(t, codes[0]).HoldsInWords())
}

// Late data that shows it was warmer within the same hours: what was decided on the milder picture is decided again, but
// only for vials that were there then.
func TestWorseLateDataUndecides(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 2, "R1/A")
	at := s.now
	s.live(t, "5", "8.5", "8.5", "8.5", "8.5")
	_, err := s.Place(ctx, "SMALL", technician, tracker.Place{Vials: codes[1:], To: "R2/A"})
	require.NoError(t, err)
	s.live(t, "8.5", "8.5", "8.5", "8.5", "8.5", "5", "5")
	_, err = s.Release(ctx, "SMALL", pharmacist, tracker.Release{Case: 1, Vials: codes, Basis: "50 minutes at 8.5"})
	require.NoError(t, err)
	s.takeIn(t, plainLog(at.Add(42*time.Minute), "14"))
	require.Equal(t, "case 1 (warm)", s.vial(t, codes[0]).HoldsInWords())
	require.Empty(t, s.vial(t, codes[1]).HoldsInWords(), "it had left by then")
	_, err = s.Release(ctx, "SMALL", pharmacist, tracker.Release{Case: 1, Vials: codes[:1], Basis: "a minute at 14"})
	require.NoError(t, err)
	require.Empty(t, s.vial(t, codes[0]).HoldsInWords())
	s.takeIn(t, plainLog(at.Add(42*time.Minute), "14"))
	require.Empty(t, s.vial(t, codes[0]).HoldsInWords(), "the same sent again is nothing new")
}

// A hold that grew anew never ends before it had ended once, whatever is withdrawn.
func TestHoldNeverShrinks(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	s.batch(t, 1, "R1/A")
	at := s.now
	s.now = at.Add(3 * time.Hour)
	s.takeIn(t, plainLog(at.Add(5*time.Minute), "5", "9", "9", "9", "9"))
	in := s.takeIn(t, plainLog(at.Add(30*time.Minute), "9", "9", "9", "9", "9", "9", "5", "5"))
	end := s.holds(t, 1)[0].To
	require.Equal(t, at.Add(60*time.Minute), end)
	s.takeIn(t, plainLog(at.Add(61*time.Minute), "9"))
	more := s.takeIn(t, plainLog(at.Add(62*time.Minute), "9"))
	for _, id := range []int64{in.ID, more.ID} {
		_, err := s.Withdraw(ctx, "SMALL", pharmacist, id, "of another box")
		require.NoError(t, err)
	}
	s.takeIn(t, plainLog(at.Add(32*time.Minute), "5", "5"))
	h := s.holds(t, 1)[0]
	require.False(t, !h.To.IsZero() && h.To.Before(end), "%v ends before %v", h.To, end)
}

// The readings of an intake that was withdrawn count no more, also where they were the newest a sensor had; what is sent
// again afterwards is known or new by what counts.
func TestNewestAfterWithdrawal(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	old := plainLog(s.now.AddDate(0, -5, 0), "5", "5", "5")
	s.takeIn(t, old)
	in := s.takeIn(t, plainLog(s.now.Add(-time.Hour), "5", "5"))
	_, err := s.Withdraw(ctx, "SMALL", pharmacist, in.ID, "of another box")
	require.NoError(t, err)
	require.Equal(t, int64(3), s.takeIn(t, old).Rows.Duplicate)
	require.Equal(t, int64(2), s.takeIn(t, plainLog(s.now.Add(-time.Hour), "5", "5")).Rows.Stored)
}
