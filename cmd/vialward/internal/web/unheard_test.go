package web_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/stock"
)

// A logger that was never heard, with stock in its place: the pages and the API say so plainly, where people look.
func TestPagesSayThatALoggerWasNeverHeard(t *testing.T) {
	t.Parallel()
	n := newNight(t, func(s *stock.Site) { // what comes from T7 is of no sensor of the site
		i := slices.IndexFunc(s.Sensors, func(x stock.Sensor) bool { return x.Code == "T7" })
		s.Sensors[i].Code = "T9"
	})
	const plainly = "No temperature has ever been recorded for R2: nothing proves how its 8 vials were kept; the first stood there Tue 11 Nov 2025 10:30 EST"
	for path, wants := range map[string][]string{
		"/":         {"NEVER HEARD T9 in R2: not one reading is on record; in use there since Sun 1 Jun 2025 00:00 EDT", plainly},
		"/units/R2": {"T9 NO DATA: never heard, in use here since Sun 1 Jun 2025 00:00 EDT " + plainly + "."},
	} {
		status, body := n.page(t, path)
		require.Equal(t, 200, status)
		said := text(body)
		for _, want := range wants {
			require.Contains(t, said, want, path)
		}
	}
	require.NoError(t, n.Store.Read(t.Context(), quillmere, func(v tracker.View) error {
		units, err := present.UnitsOf(t.Context(), v, n.now)
		i := slices.IndexFunc(units, func(u present.Unit) bool { return u.Code == "R2" })
		x := units[i].Sensors[0]
		require.Equal(t, []any{"T9", true, 8}, []any{x.Sensor, x.NeverHeard, x.UnprovenVials})
		require.Equal(t, present.Instant("2025-11-11T10:30:00-05:00"), *x.UnprovenSince)
		return err
	}))
}
