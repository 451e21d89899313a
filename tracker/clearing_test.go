package tracker_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// An excursion that is back in range and waits for its time to clear is still the same one with every reading until
// then: it is not found a second time, and it ends.
func TestClearsAfterItsTime(t *testing.T) {
	t.Parallel()
	s := newSetup(t)
	site := smallSite()
	for i := range site.Rules {
		site.Rules[i].ClearAfter = 20 * time.Minute
	}
	_, err := s.LoadSite(t.Context(), stranger, site)
	require.NoError(t, err)
	s.live(t, "5.0", "8.5", "9.0", "9.3", "9.6")
	require.Len(t, s.cases(t), 1)
	s.live(t, "6.0", "5.0", "4.8", "4.7")
	require.Equal(t, "open", s.cases(t)[0].State, "15 minutes in range are not 20")
	s.live(t, "4.7", "4.7")
	cases := s.cases(t)
	require.Len(t, cases, 1)
	require.Equal(t, "recovered", cases[0].State)
	require.Len(t, cases[0].Excursions, 1)
	require.True(t, cases[0].Excursions[0].Found.Over())
}
