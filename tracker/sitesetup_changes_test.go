package tracker_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/tracker/stock"
)

// The shelves a sensor speaks for are told by their codes, not as things without one.
func TestChangedShelvesOfASensorAreTold(t *testing.T) {
	t.Parallel()
	s := newSetup(t)
	_, err := s.LoadSite(t.Context(), stranger, smallSite())
	require.NoError(t, err)
	tell := func(change func(*stock.Assignment)) []string {
		site := smallSite()
		change(&site.Sensors[0].Assignments[0])
		changes, err := s.LoadSite(t.Context(), pharmacist, site)
		require.NoError(t, err)
		return changes
	}
	require.Equal(t, []string{`sensor T1: assignments 1: shelves nothing -> ["B"]`}, tell(func(a *stock.Assignment) { a.Shelves = []string{"B"} }))
	require.Equal(t, []string{`sensor T1: assignments 1: shelves ["B"] -> ["A","B"]`}, tell(func(a *stock.Assignment) { a.Shelves = []string{"A", "B"} }))
	require.Equal(t, []string{`sensor T1: assignments 1: shelves ["A","B"] -> nothing`}, tell(func(*stock.Assignment) {}))
}
