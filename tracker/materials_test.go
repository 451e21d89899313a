package tracker_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/mixing"
	"vialward/tracker/stock"
)

// The list of materials follows the master record: its volumes, losses and diluents, the site's syringes; and a batch
// prepared by it is taken.
func TestMaterialsFor(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, func(site *stock.Site) {
		dissolved(site)
		site.Syringes = []stock.Microlitres{10_000, 50_000}
		site.Products[1].Components = append(site.Products[1].Components, stock.ComponentUse{Name: "second drug", Powder: true, PerVial: 1_000})
	})
	ask := func(w tracker.Wanted) (m tracker.Materials, err error) {
		require.NoError(t, s.store.Read(t.Context(), "SMALL", func(v tracker.View) error {
			m, err = tracker.MaterialsFor(t.Context(), v, w)
			return nil
		}))
		return m, err
	}
	_, err := ask(tracker.Wanted{Product: "MICA", Vials: 4})
	refused(t, err, "powder")
	require.ErrorContains(t, err, "micafungin; second drug")
	m, err := ask(tracker.Wanted{Product: "PANT", Vials: 4, Spare: 1})
	require.NoError(t, err)
	require.Equal(t, mixing.Takes{
		SourceVials: 4, Dissolving: 40_000, Concentrate: 40_000, BringTo: 40_000, Diluent: 40_000, Containers: 5, Labels: 6,
		Syringes: []mixing.Syringe{{Step: "dissolve and draw up", Size: 10_000, Count: 4, Strokes: 1}, {Step: "fill", Size: 10_000, Count: 1, Strokes: 4}},
	}, m.Takes)
	require.Equal(t, []string{"water"}, m.Into)
	_, err = s.Prepare(t.Context(), "SMALL", technician, tracker.Prepare{
		Product: "PANT", Count: 4, Area: "PA", StartedAt: s.now, Components: lots("pantoprazole"),
		Mix: &tracker.Mix{SourceVials: m.SourceVials, DiluentEach: m.DiluentEach, BringTo: &m.BringTo},
	})
	require.NoError(t, err, "both ways agree")

	require.NoError(t, s.reload(t, dissolved, func(site *stock.Site) { site.Products[0].Loss = stock.Loss{PerSource: 100, PerVial: 50, Pool: 1_000} }))
	m, err = ask(tracker.Wanted{Product: "PANT", Vials: 4, DiluentEach: 5_000})
	require.NoError(t, err)
	require.EqualValues(t, 41_200, m.BringTo, "4 x 10.05 mL and 1 mL")
	require.EqualValues(t, 20_600, m.Concentrate, "at twice the strength")
	require.Equal(t, 5, m.SourceVials, "20.6 mL of 4.9 mL each")
	require.Equal(t, 2, m.Of.Version, "the newest")

	_, err = ask(tracker.Wanted{Product: "MICA", Vials: 4})
	refused(t, err, "diluent")
	_, err = ask(tracker.Wanted{Product: "MICA", Vials: 4, Powder: "water"})
	refused(t, err, "powder")
	_, err = ask(tracker.Wanted{Product: "PANT", Vials: 0})
	refused(t, err, "quantity")
	_, err = ask(tracker.Wanted{Product: "NONE", Vials: 4})
	require.ErrorIs(t, err, tracker.ErrNotFound)
}
