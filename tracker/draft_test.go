package tracker_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// Nothing is made from a product nobody has approved as it stands: a changed one is a draft, and the refusal says what
// it waits for. A batch made before keeps the version it was made from.
func TestNoBatchOfADraft(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	before := s.batch(t, 1, "R1/A")
	prepare := func() error {
		_, err := s.Prepare(ctx, "SMALL", technician, tracker.Prepare{Product: "PANT", Count: 1, Area: "PA", StartedAt: s.now, Components: lots("pantoprazole")})
		return err
	}
	changed := func(approved, confirmed string) func(*stock.Site) {
		return func(site *stock.Site) {
			p := &site.Products[0]
			p.Stability[0].Minutes, p.Stability[0].ConfirmedBy, p.ApprovedBy = 72*60, confirmed, approved
		}
	}
	require.NoError(t, s.reload(t, changed("", "rph-1")))
	err := prepare()
	refused(t, err, "draft")
	require.ErrorContains(t, err, "version 2, is a draft: it lacks a pharmacist's approval")
	require.NoError(t, s.reload(t, changed("rph-1", "")))
	err = prepare()
	refused(t, err, "draft")
	require.ErrorContains(t, err, "confirmation of the stability in refrigerator storage")
	require.NoError(t, s.reload(t, changed("rph-1", "rph-1")))
	require.NoError(t, prepare())
	require.Equal(t, 1, s.vial(t, before[0]).Version)
}
