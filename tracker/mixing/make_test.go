package mixing_test

import (
	"math/big"
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/tracker/mixing"
	"vialward/tracker/stock"
)

func ul(n stock.Microlitres) *stock.Microlitres { return &n }

// requireCodes checks that exactly these refusals came, in this order, each with a sentence.
func requireCodes(t *testing.T, err error, codes ...string) {
	t.Helper()
	require.Error(t, err)
	var got []string
	for _, e := range flatten(err) {
		r := new(stock.Refusal)
		require.ErrorAs(t, e, &r)
		require.Greater(t, len(r.Say), 20)
		got = append(got, r.Code)
	}
	require.Equal(t, codes, got, err)
}

func flatten(err error) []error {
	many, ok := err.(interface{ Unwrap() []error })
	if !ok {
		return []error{err}
	}
	var all []error
	for _, e := range many.Unwrap() {
		all = append(all, flatten(e)...)
	}
	return all
}

// Textbook dilution (R): 4 mg/mL x 5 mL to 50 mL = 0.4 mg/mL.
func TestDilutionTextbook(t *testing.T) {
	m, err := mixing.Make(mixing.Plan{Source: mixing.Source{Mass: 20_000, Diluent: 5000}, Vials: 1, BringTo: ul(50_000)})
	require.NoError(t, err)
	require.EqualValues(t, 400, m.UgPerML)
	require.EqualValues(t, 45_000, m.Add)
}

// "What is injected comes out, about 20 mL": common practice, no source. It holds only where no label line says
// otherwise, and then with a warning.
func TestWhatIsInjectedComesOutWithoutALabelLine(t *testing.T) {
	m, err := mixing.Make(mixing.Plan{Source: mixing.Source{Mass: 100_000, Diluent: 20_000}, Vials: 1}) // ganciclovir 100 mg
	require.NoError(t, err)
	require.EqualValues(t, 20_000, m.Volume)
	require.Len(t, m.Warnings, 1)
	require.Contains(t, m.Warnings[0], "No label line")
}

func TestMakeFillsAndCountsDown(t *testing.T) {
	// Hydrocortisone 1 g in 10 mL, 9.6 mL of it, four of them to 384 mL: 10 mg/mL; the strength is of the pool.
	plan := mixing.Plan{
		Source: mixing.Source{Mass: 1_000_000, Diluent: 10_000}, Vials: 4, Withdrawn: ul(9600), BringTo: ul(384_000),
		Fill: ul(10_000), Container: ul(20_000), ToleranceMilliPercent: 5000,
	}
	m, err := mixing.Make(plan)
	require.NoError(t, err)
	require.EqualValues(t, 38_400, m.Withdrawn)
	require.EqualValues(t, 345_600, m.Add)
	require.EqualValues(t, 10_000, m.UgPerML)
	require.Equal(t, 38, m.FullVials, "38.4 is 38 full vials")
	require.EqualValues(t, 4000, m.Left)
	require.EqualValues(t, 96_000, m.MassBalance)
	require.Equal(t, "3840000", m.Mass.RatString())

	plan.BringTo = ul(379_999) // one microlitre short of 38
	m, err = mixing.Make(plan)
	require.NoError(t, err)
	require.Equal(t, 37, m.FullVials, "full vials are never rounded up")
	require.EqualValues(t, 9999, m.Left)
}

func TestMakeRefusals(t *testing.T) {
	src := mixing.Source{Mass: 500_000, Diluent: 10_000} // vancomycin 500 mg
	for name, c := range map[string]struct {
		plan  mixing.Plan
		codes []string
	}{
		"tolerance met exactly":     {mixing.Plan{Source: src, Vials: 1, Withdrawn: ul(9500), ToleranceMilliPercent: 5000}, nil},
		"tolerance missed by a µL":  {mixing.Plan{Source: src, Vials: 1, Withdrawn: ul(9499), ToleranceMilliPercent: 5000}, []string{mixing.CodeMassBalance}},
		"rounds to the tolerance":   {mixing.Plan{Source: mixing.Source{Mass: 1e9, Diluent: 1e9}, Vials: 1, Withdrawn: ul(949_999_999), ToleranceMilliPercent: 5000}, []string{mixing.CodeMassBalance}},
		"more than was there":       {mixing.Plan{Source: src, Vials: 1, Withdrawn: ul(10_501), ToleranceMilliPercent: 5000}, []string{mixing.CodeMassBalance}},
		"pool as withdrawn":         {mixing.Plan{Source: src, Vials: 3, BringTo: ul(30_000)}, nil},
		"pool below withdrawn":      {mixing.Plan{Source: src, Vials: 3, BringTo: ul(29_999)}, []string{mixing.CodePool}},
		"fill as large as it holds": {mixing.Plan{Source: src, Vials: 1, Fill: ul(2000), Container: ul(2000)}, nil},
		"fill above its container":  {mixing.Plan{Source: src, Vials: 1, Fill: ul(2001), Container: ul(2000)}, []string{mixing.CodeContainer}},
		"all at once": {
			mixing.Plan{Source: src, Vials: 2, Withdrawn: ul(5000), BringTo: ul(9000), Fill: ul(3000), Container: ul(2000), ToleranceMilliPercent: 1000},
			[]string{mixing.CodeMassBalance, mixing.CodePool, mixing.CodeContainer},
		},
		"no vials":           {mixing.Plan{Source: src}, []string{mixing.CodeQuantity}},
		"no mass":            {mixing.Plan{Source: mixing.Source{Diluent: 1}, Vials: 1}, []string{mixing.CodeQuantity}},
		"no diluent":         {mixing.Plan{Source: mixing.Source{Mass: 1}, Vials: 1}, []string{mixing.CodeQuantity}},
		"nothing withdrawn":  {mixing.Plan{Source: src, Vials: 1, Withdrawn: ul(0)}, []string{mixing.CodeQuantity}},
		"below zero":         {mixing.Plan{Source: src, Vials: 1, Fill: ul(-5), BringTo: ul(-1)}, []string{mixing.CodeQuantity, mixing.CodeQuantity}},
		"absurd":             {mixing.Plan{Source: src, Vials: mixing.MaxVials + 1, BringTo: ul(1 << 60)}, []string{mixing.CodeQuantity, mixing.CodeQuantity}},
		"tolerance above it": {mixing.Plan{Source: src, Vials: 1, ToleranceMilliPercent: 100_001}, []string{mixing.CodeQuantity}},
		"empty label line":   {mixing.Plan{Source: mixing.Source{Mass: 1, Diluent: 1, LabelLine: &stock.LabelLine{}}, Vials: 1}, []string{mixing.CodeQuantity, mixing.CodeQuantity, mixing.CodeQuantity}},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := mixing.Make(c.plan)
			if c.codes == nil {
				require.NoError(t, err)
				return
			}
			requireCodes(t, err, c.codes...)
		})
	}
}

// The pool has to hold what the label says, within the product's tolerance: whichever way it is off, and to the microlitre.
// Dissolved vancomycin 500 mg in 10 mL (50 mg/mL) is brought to 100 mL for a label of 5 mg/mL.
func TestMakeMeetsTheLabel(t *testing.T) {
	label := func(amount stock.Micrograms, tolerance int64) *mixing.Strength {
		return &mixing.Strength{Concentration: stock.Concentration{Amount: amount, Volume: 10_000}, ToleranceMilliPercent: tolerance}
	}
	for name, c := range map[string]struct {
		bringTo stock.Microlitres
		label   *mixing.Strength
		code    string
	}{
		"as it says":                   {100_000, label(50_000, 0), ""},
		"a microlitre too much":        {100_001, label(50_000, 0), mixing.CodeStrength},
		"weaker, to the tolerance":     {125_000, label(50_000, 20_000), ""},
		"weaker, a microlitre more":    {125_001, label(50_000, 20_000), mixing.CodeStrength},
		"stronger, to the tolerance":   {80_000, label(50_000, 25_000), ""},
		"stronger, a microlitre less":  {79_999, label(50_000, 25_000), mixing.CodeStrength},
		"another strength altogether":  {100_000, label(100_000, 5_000), mixing.CodeStrength},
		"a label of nothing":           {100_000, label(0, 0), mixing.CodeQuantity},
		"a tolerance below nothing":    {100_000, label(50_000, -1), mixing.CodeQuantity},
		"nothing said of its strength": {100_000, nil, ""},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := mixing.Make(mixing.Plan{Source: mixing.Source{Mass: 500_000, Diluent: 10_000}, Vials: 1, BringTo: ul(c.bringTo), Strength: c.label})
			if c.code == "" {
				require.NoError(t, err)
				return
			}
			requireCodes(t, err, c.code)
		})
	}
	_, err := mixing.Make(mixing.Plan{Source: mixing.Source{Mass: 500_000, Diluent: 10_000}, Vials: 1, BringTo: ul(80_000), Strength: label(50_000, 5_000)})
	require.ErrorContains(t, err, "the pool holds 6.25 mg/mL, which is 125 % of the 5 mg/mL on the label, outside 100 % ± 5 %")
}

func TestMakeWarnings(t *testing.T) {
	line := &stock.LabelLine{Diluent: 2500, UgPerML: 330_000, VolumeUL: 3000} // cefazolin 1 g
	src := mixing.Source{Mass: 1_000_000, Diluent: 2500, LabelLine: line}
	m, err := mixing.Make(mixing.Plan{Source: src, Vials: 1, Withdrawn: ul(3010), Fill: ul(5000), ToleranceMilliPercent: 1000})
	require.NoError(t, err)
	require.Len(t, m.Warnings, 2)
	require.Contains(t, m.Warnings[0], "3.01 mL) than it should hold (3 mL)")
	require.Contains(t, m.Warnings[1], "does not fill one vial of 5 mL")
	require.Zero(t, m.FullVials)
	require.EqualValues(t, 3010, m.Left)

	shrunk := src
	shrunk.LabelLine = &stock.LabelLine{Diluent: 2500, UgPerML: 500_000, VolumeUL: 2000}
	m, err = mixing.Make(mixing.Plan{Source: shrunk, Vials: 1, Container: ul(10)})
	require.NoError(t, err)
	require.Len(t, m.Warnings, 2)
	require.Contains(t, m.Warnings[0], "less volume than the diluent")
	require.Contains(t, m.Warnings[1], "without a fill")
}

func TestHalfEven(t *testing.T) {
	for _, c := range []struct {
		num, den, want int64
	}{{1, 2, 0}, {3, 2, 2}, {5, 2, 2}, {7, 2, 4}, {-1, 2, 0}, {-3, 2, -2}, {-5, 2, -2}, {1, 3, 0}, {2, 3, 1}, {-2, 3, -1}, {7, 1, 7}} {
		require.Equal(t, c.want, mixing.HalfEven(big.NewRat(c.num, c.den)), "%d/%d", c.num, c.den)
	}
	huge := new(big.Rat).SetInt(new(big.Int).Lsh(big.NewInt(1), 80))
	require.EqualValues(t, 1<<63-1, mixing.HalfEven(huge))
	require.EqualValues(t, -1<<63, mixing.HalfEven(huge.Neg(huge)))
}

// Two refusals in one error stay two that can be told apart.
func TestRefusalsCanBeTakenApart(t *testing.T) {
	_, err := mixing.Make(mixing.Plan{})
	var r *stock.Refusal
	require.ErrorAs(t, err, &r)
	require.Equal(t, mixing.CodeQuantity, r.Code)
	requireCodes(t, err, mixing.CodeQuantity, mixing.CodeQuantity, mixing.CodeQuantity)
}
