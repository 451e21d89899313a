package mixing_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/tracker/mixing"
	"vialward/tracker/stock"
)

// Textbook (R): 1000 mL of 35 % from 50 % take 700 mL. Per cent here is grams in 100 mL.
func TestAlligationTextbook(t *testing.T) {
	takes, err := mixing.Materials(mixing.Wanted{
		Source: mixing.Source{Mass: 500_000_000, Diluent: 1_000_000}, // one litre of 50 %
		Vials:  1, Amount: 350_000_000, Fill: 1_000_000, Container: 1_000_000,
	})
	require.NoError(t, err)
	require.EqualValues(t, 700_000, takes.Concentrate)
	require.EqualValues(t, 300_000, takes.MakeUp)
	require.EqualValues(t, 300_000, takes.Unused)
	require.Equal(t, 1, takes.SourceVials)
}

// "20 mL in and 30 mL more make 50 mL": common practice, no source. Volumes of watery solutions add up, and the
// container must hold the sum.
func TestVolumesAddUpAndTheContainerHoldsThem(t *testing.T) {
	vancomycin := mixing.Source{
		Mass: 1_000_000, Diluent: 20_000,
		LabelLine: &stock.LabelLine{Diluent: 20_000, UgPerML: 50_000, VolumeUL: 20_000},
	}
	m, err := mixing.Make(mixing.Plan{Source: vancomycin, Vials: 1, BringTo: ul(50_000), Fill: ul(50_000), Container: ul(50_000)})
	require.NoError(t, err)
	require.EqualValues(t, 20_000, m.Withdrawn)
	require.EqualValues(t, 30_000, m.Add)
	require.EqualValues(t, 50_000, m.Volume)
	require.EqualValues(t, 20_000, m.UgPerML)

	_, err = mixing.Make(mixing.Plan{Source: vancomycin, Vials: 1, BringTo: ul(50_000), Fill: ul(50_000), Container: ul(49_999)})
	requireCodes(t, err, mixing.CodeContainer)
}

func TestMaterialsForABatch(t *testing.T) {
	// Pantoprazole 4 mg/mL, 20 vials of 10 mL, from 40 mg in 10 mL would be used as it is; here from 40 mg in 2 mL.
	w := mixing.Wanted{
		Source: mixing.Source{Mass: 40_000, Diluent: 2000}, Vials: 20, Amount: 40_000, Fill: 10_000, Container: 10_000,
		Loss:     stock.Loss{PerSource: 100, PerVial: 50, Pool: 1000},
		Syringes: []stock.Microlitres{50_000, 3000, 20_000, 10_000}, Spare: 2, RecordLabel: true,
	}
	takes, err := mixing.Materials(w)
	require.NoError(t, err)
	require.Equal(t, mixing.Takes{
		BringTo:     202_000, // 20 x 10.05 + 1
		Concentrate: 40_400,  // 202 mL x 4 mg/mL / 20 mg/mL
		SourceVials: 22,      // 40.4 / 1.9 = 21.3
		Dissolving:  44_000,
		MakeUp:      161_600,
		Diluent:     205_600,
		Unused:      1400, // 22 x 1.9 - 40.4
		Containers:  22, Labels: 23,
		Syringes: []mixing.Syringe{
			{Step: "dissolve and draw up", Size: 3000, Count: 22, Strokes: 1},
			{Step: "make up", Size: 50_000, Count: 1, Strokes: 4},
			{Step: "fill", Size: 10_000, Count: 1, Strokes: 20},
		},
	}, takes)

	w.FillEach, w.Syringes = true, []stock.Microlitres{5000}
	takes, err = mixing.Materials(w)
	require.NoError(t, err)
	require.Equal(t, mixing.Syringe{Step: "fill", Size: 5000, Count: 20, Strokes: 2}, takes.Syringes[2])
}

// A syringe that takes the diluent must also take what comes out again: 2.5 mL in, 3 mL out (cefazolin 1 g, label, R).
func TestSyringeHoldsTheDissolvedVolume(t *testing.T) {
	takes, err := mixing.Materials(mixing.Wanted{
		Source: mixing.Source{Mass: 1_000_000, Diluent: 2500, LabelLine: &stock.LabelLine{Diluent: 2500, UgPerML: 330_000, VolumeUL: 3000}},
		Vials:  1, Amount: 990_000, Fill: 3000, Container: 5000, Syringes: []stock.Microlitres{2500, 3000},
	})
	require.NoError(t, err)
	require.EqualValues(t, 3000, takes.Syringes[0].Size)
	require.Len(t, takes.Syringes, 2, "nothing is added, so no syringe makes it up")
}

func TestMaterialsRefusals(t *testing.T) {
	good := mixing.Wanted{Source: mixing.Source{Mass: 100_000, Diluent: 2000}, Vials: 4, Amount: 50_000, Fill: 5000, Container: 10_000}
	for name, c := range map[string]struct {
		change func(*mixing.Wanted)
		codes  []string
	}{
		"as it is":                 {func(*mixing.Wanted) {}, nil},
		"as strong as the source":  {func(w *mixing.Wanted) { w.Amount = 250_000 }, nil},
		"stronger than the source": {func(w *mixing.Wanted) { w.Amount = 250_001 }, []string{mixing.CodeStrength}},
		"next to nothing":          {func(w *mixing.Wanted) { w.Amount, w.Vials = 1, 1 }, []string{mixing.CodeStrength}},
		"too small a container":    {func(w *mixing.Wanted) { w.Container = 4999 }, []string{mixing.CodeContainer}},
		"loss takes everything":    {func(w *mixing.Wanted) { w.Loss.PerSource = 2000 }, []string{mixing.CodeQuantity}},
		"loss below zero":          {func(w *mixing.Wanted) { w.Loss.Pool = -1 }, []string{mixing.CodeQuantity}},
		"no amount":                {func(w *mixing.Wanted) { w.Amount = 0 }, []string{mixing.CodeQuantity}},
		"no vials":                 {func(w *mixing.Wanted) { w.Vials = 0 }, []string{mixing.CodeQuantity}},
		"no fill":                  {func(w *mixing.Wanted) { w.Fill = 0 }, []string{mixing.CodeQuantity}},
		"fewer than none spare":    {func(w *mixing.Wanted) { w.Spare = -1 }, []string{mixing.CodeQuantity}},
		"a syringe of nothing":     {func(w *mixing.Wanted) { w.Syringes = []stock.Microlitres{0} }, []string{mixing.CodeSyringe}},
		"a mountain of vials": {func(w *mixing.Wanted) {
			w.Mass, w.Vials, w.Amount, w.Fill, w.Container = 1, 100_000, 1_000_000, 1e12, 1e12
		}, []string{mixing.CodeQuantity}},
	} {
		t.Run(name, func(t *testing.T) {
			w := good
			c.change(&w)
			_, err := mixing.Materials(w)
			if c.codes == nil {
				require.NoError(t, err)
				return
			}
			requireCodes(t, err, c.codes...)
		})
	}
}
