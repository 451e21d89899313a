package waste

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// The first numbers of SplitMix64 from the seed 1234567, as commonly published (M).
func TestSplitMix(t *testing.T) {
	s := splitMix(1234567)
	for _, want := range []uint64{6457827717110365317, 3203168211198807973, 9817491932198370423} {
		require.Equal(t, want, s.next())
	}
	var seen [7]int
	for range 70_000 {
		seen[s.below(7)]++
	}
	for _, n := range seen {
		require.InDelta(t, 10_000, n, 500) // five standard deviations
	}
}
