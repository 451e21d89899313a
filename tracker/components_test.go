package tracker_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// inTwoDiluents gives pantoprazole two diluents: 96 h cold and 4 h at room in water, 24 h and 1 h in saline.
func inTwoDiluents(site *stock.Site) {
	withRoomAndFreezer(site)
	p := &site.Products[0]
	p.Components = append(p.Components, stock.ComponentUse{Name: "sodium chloride 0.9 %", Diluent: true})
	for _, r := range []stock.StabilityRow{{Storage: stock.Refrigerator, Minutes: 24 * 60}, {Storage: stock.Room, Minutes: 60}} {
		r.Diluent, r.Source = "Sodium chloride 0.9%", "invented"
		p.Stability = append(p.Stability, r)
	}
}

func saline() stock.Component {
	return stock.Component{Name: "SODIUM CHLORIDE 0.9%", Lot: "S3", Expires: "2026-05", Amount: "100 mL"}
}

// A batch keeps its lots under the master record's names and the diluent that chose its stability row; a name that is not
// the product's makes no batch, and neither does a lot that is missing or a diluent nobody named.
func TestComponentsOfABatch(t *testing.T) {
	t.Parallel()
	s, ctx := newSiteLike(t, inTwoDiluents), t.Context()
	p := tracker.Prepare{Product: "PANT", Count: 1, Area: "PA", StartedAt: s.now}
	drug, water := lots("Panto Prazole")[0], lots("")[1]
	for name, c := range map[string]struct {
		given []stock.Component
		said  string
		code  string // "" = made
		hours int
	}{
		"in water":              {[]stock.Component{drug, water}, "", "", 96},
		"in saline":             {[]stock.Component{drug, saline()}, "", "", 24},
		"two lots of the drug":  {[]stock.Component{drug, drug, saline()}, "", "", 24},
		"both, ended in saline": {[]stock.Component{drug, water, saline()}, "sodium chloride 0.9 %", "", 24},
		"both":                  {[]stock.Component{drug, water, saline()}, "", "diluent", 0},
		"said, not given":       {[]stock.Component{drug, water}, "sodium chloride 0.9 %", "diluent", 0},
		"a name of its own":     {[]stock.Component{drug, water, {Name: "needle", Lot: "N", Expires: "2026-05"}}, "", "component", 0},
		"no drug":               {[]stock.Component{water, water}, "", "component", 0},
		"no end":                {[]stock.Component{drug, {Name: "water", Lot: "D7"}}, "", "no_date", 0},
	} {
		p.Components, p.Diluent = c.given, c.said
		made, err := s.Prepare(ctx, "SMALL", technician, p)
		if c.code != "" {
			refused(t, err, c.code)
			continue
		}
		require.NoError(t, err, name)
		var b stock.Batch
		require.NoError(t, s.store.Read(ctx, "SMALL", func(v tracker.View) (err error) {
			b, err = v.Batch(ctx, made.Batch.Code)
			return err
		}))
		require.Equal(t, time.Duration(c.hours)*time.Hour, b.BUD.Sub(s.now), name)
		require.Equal(t, "pantoprazole", b.Components[0].Name)
		require.Len(t, b.Components, len(c.given))
		require.Equal(t, map[bool]string{true: "water", false: "sodium chloride 0.9 %"}[c.hours == 96], b.Diluent, name)
		require.Equal(t, stock.Concentration{Amount: 40_000, Volume: 10_000}, b.Concentration)
		if c.hours == 24 {
			require.Equal(t, "100 mL", b.Components[len(b.Components)-1].Amount)
			require.Equal(t, "S3", b.Components[len(b.Components)-1].Lot)
		}
	}
}
