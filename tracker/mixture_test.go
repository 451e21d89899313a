package tracker_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// dissolved gives pantoprazole a volume to be dissolved in and a tolerance of 5 %: 40 mg in 10 mL, as the label says.
func dissolved(site *stock.Site) {
	p := &site.Products[0]
	p.Components[0].Dissolve, p.Tolerance = 10_000, 5_000
}

// What went in is worked out and kept with the batch. What is left out stands in the master record; what does not make
// the vials that are claimed, or not the strength on their labels, makes no batch.
func TestMixtureOfABatch(t *testing.T) {
	t.Parallel()
	s, ctx := newSiteLike(t, dissolved), t.Context()
	ul := func(n stock.Microlitres) *stock.Microlitres { return &n }
	for name, c := range map[string]struct {
		count int
		mix   tracker.Mix
		code  string
	}{
		"as the record says":       {4, tracker.Mix{SourceVials: 4}, ""},
		"more than it makes":       {5, tracker.Mix{SourceVials: 4}, "yield"},
		"by its name":              {4, tracker.Mix{SourceVials: 4, Powder: " PANTOPRAZOLE "}, ""},
		"no such powder":           {4, tracker.Mix{SourceVials: 4, Powder: "pantoprazol"}, "powder"},
		"made up to double volume": {8, tracker.Mix{SourceVials: 4, BringTo: ul(80_000)}, "strength"},
		"dissolved in too little":  {2, tracker.Mix{SourceVials: 4, DiluentEach: 5_000}, "strength"},
		"within the tolerance":     {4, tracker.Mix{SourceVials: 4, DiluentEach: 10_400}, ""},
		"half of it left behind":   {2, tracker.Mix{SourceVials: 4, Withdrawn: ul(5_000), ToleranceMilliPercent: 50_000}, ""},
		"half of it unexplained":   {2, tracker.Mix{SourceVials: 4, Withdrawn: ul(5_000)}, "mass_balance"},
		"weak, however tolerant":   {4, tracker.Mix{SourceVials: 4, BringTo: ul(60_000), ToleranceMilliPercent: 50_000}, "strength"},
		"no source vials":          {4, tracker.Mix{}, "quantity"},
	} {
		made, err := s.Prepare(ctx, "SMALL", technician, tracker.Prepare{
			Product: "PANT", Count: c.count, Area: "PA", StartedAt: s.now, Components: lots("pantoprazole"), Mix: &c.mix,
		})
		if c.code != "" {
			refused(t, err, c.code)
			continue
		}
		require.NoError(t, err, name)
		require.NoError(t, s.store.Read(ctx, "SMALL", func(v tracker.View) error {
			b, err := v.Batch(ctx, made.Batch.Code)
			require.NoError(t, err)
			require.Equal(t, "pantoprazole", b.Mixture.Powder, name)
			require.Equal(t, stock.Micrograms(40_000), b.Mixture.PerVial, name)
			if name == "as the record says" {
				require.Equal(t, &stock.Mixture{
					Powder: "pantoprazole", SourceVials: 4, PerVial: 40_000, DiluentEach: 10_000, Pool: 40_000, UgPerML: 4_000, FullVials: 4,
					MassBalance: 100_000, Tolerance: 5_000, Warnings: b.Mixture.Warnings,
				}, b.Mixture)
				require.Len(t, b.Mixture.Warnings, 1, "no label line was followed")
			}
			return nil
		}))
	}
}
