package tracker_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
)

// A warming refrigerator is foretold before its excursion opens, the metrics say the same, and nobody is paged.
func TestWarmingIsForetold(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	openings := func() (out []tracker.Opening) {
		require.NoError(t, s.store.Read(t.Context(), "SMALL", func(v tracker.View) (err error) {
			out, err = tracker.Openings(t.Context(), v, s.now)
			return err
		}))
		return out
	}
	s.live(t, "5", "4.8", "5", "4.9", "5", "4.9")
	require.Empty(t, openings(), "steady")
	s.live(t, "5.3", "5.7", "6.1", "6.5", "6.9", "7.3", "7.7")
	told := openings()
	require.Len(t, told, 1)
	crossing := s.now.Add(4 * time.Minute) // 0.3 °C more, at 0.4 °C in five minutes
	require.True(t, told[0].Earliest.After(s.now) && told[0].Earliest.Before(crossing.Add(time.Hour)))
	require.True(t, told[0].Latest.After(told[0].Earliest))
	c := s.sensorCount(t)
	require.True(t, c.Opens.Equal(told[0].Earliest) && c.OpensBy.Equal(told[0].Latest))
	require.Empty(t, s.mails(t))
	require.Empty(t, s.cases(t))
	before := s.now
	for len(s.cases(t)) == 0 {
		s.live(t, "8.6")
		require.Less(t, s.now.Sub(before), 2*time.Hour)
	}
	require.Empty(t, openings(), "it is open")
	require.False(t, s.now.Before(told[0].Earliest) || s.now.After(told[0].Latest.Add(5*time.Minute)), "%s: %+v", s.now, told)
	s.now = s.now.Add(3 * time.Hour)
	require.Empty(t, openings(), "an old reading foretells nothing")
}
