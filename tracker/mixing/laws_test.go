package mixing_test

import (
	"math/big"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/stretchr/testify/require"

	"vialward/tracker/mixing"
	"vialward/tracker/stock"
)

func drawSource(t *rapid.T) mixing.Source {
	s := mixing.Source{
		Mass:    stock.Micrograms(rapid.Int64Range(1, 20_000_000).Draw(t, "mass")),
		Diluent: stock.Microlitres(rapid.Int64Range(1, 100_000).Draw(t, "diluent")),
	}
	if rapid.Bool().Draw(t, "has a label line") {
		s.LabelLine = &stock.LabelLine{
			Diluent: s.Diluent, VolumeUL: s.Diluent + stock.Microlitres(rapid.Int64Range(0, 5000).Draw(t, "displacement")),
			UgPerML: stock.Micrograms(rapid.Int64Range(1, 2_000_000).Draw(t, "per mL")),
		}
	}
	return s
}

func drawPlan(t *rapid.T) mixing.Plan {
	p := mixing.Plan{Source: drawSource(t), Vials: rapid.IntRange(1, 50).Draw(t, "vials"), ToleranceMilliPercent: 100_000}
	maybe := func(name string, hi int64) *stock.Microlitres {
		if !rapid.Bool().Draw(t, "has "+name) {
			return nil
		}
		return ul(stock.Microlitres(rapid.Int64Range(1, hi).Draw(t, name)))
	}
	p.Withdrawn, p.BringTo, p.Fill = maybe("withdrawn", 100_000), maybe("bring to", 10_000_000), maybe("fill", 100_000)
	return p
}

// Mass is conserved: what is in the pool is what was drawn, whatever is added, and filled vials and rest hold all of it.
func TestMassAndVolumeAreConserved(t *testing.T) {
	made := 0
	rapid.Check(t, func(t *rapid.T) {
		p := drawPlan(t)
		m, err := mixing.Make(p)
		if err != nil {
			return
		}
		made++
		require.Equal(t, m.Volume, m.Withdrawn+m.Add)
		inPool := new(big.Rat).Mul(m.PerML(), big.NewRat(int64(m.Volume), 1000))
		require.Zero(t, inPool.Cmp(m.Mass))
		if p.Fill != nil {
			full := stock.Microlitres(m.FullVials) * *p.Fill
			require.LessOrEqual(t, full, m.Volume)
			require.GreaterOrEqual(t, m.Left, stock.Microlitres(0))
			require.Less(t, m.Left, *p.Fill)
			require.Equal(t, m.Volume, full+m.Left)
		}
		undiluted := p
		undiluted.BringTo = nil
		u, err := mixing.Make(undiluted)
		require.NoError(t, err)
		require.Zero(t, u.Mass.Cmp(m.Mass), "adding diluent changes no mass")
		require.Equal(t, u.MassBalance, m.MassBalance)
	})
	require.Positive(t, made, "every plan was refused: the check checks nothing")
}

// k times the source vials and k times the pool is the same solution, k times over.
func TestScaling(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, k := drawPlan(t), rapid.IntRange(2, 9).Draw(t, "k")
		one, err := mixing.Make(p)
		q := p
		q.Vials *= k
		if p.BringTo != nil {
			q.BringTo = ul(*p.BringTo * stock.Microlitres(k))
		}
		many, manyErr := mixing.Make(q)
		require.Equal(t, err == nil, manyErr == nil)
		if err != nil {
			return
		}
		require.Equal(t, one.Volume*stock.Microlitres(k), many.Volume)
		require.Equal(t, one.UgPerML, many.UgPerML)
		require.Equal(t, one.MassBalance, many.MassBalance)
		require.Zero(t, one.PerML().Cmp(many.PerML()))
		require.GreaterOrEqual(t, many.FullVials, one.FullVials*k)
	})
}

// Both ways agree: the materials for n vials make n vials of the wanted strength, and one source vial fewer would not.
func TestMaterialsMakeWhatWasWanted(t *testing.T) {
	planned := 0
	rapid.Check(t, func(t *rapid.T) {
		w := mixing.Wanted{
			Source: drawSource(t), Vials: rapid.IntRange(1, 60).Draw(t, "n"),
			Amount: stock.Micrograms(rapid.Int64Range(1, 2_000_000).Draw(t, "amount")),
			Fill:   stock.Microlitres(rapid.Int64Range(100, 60_000).Draw(t, "fill")),
			Loss: stock.Loss{
				PerSource: stock.Microlitres(rapid.Int64Range(0, 300).Draw(t, "loss a source vial")),
				PerVial:   stock.Microlitres(rapid.Int64Range(0, 300).Draw(t, "loss a vial")),
				Pool:      stock.Microlitres(rapid.Int64Range(0, 5000).Draw(t, "loss of the pool")),
			},
			Spare: rapid.IntRange(0, 3).Draw(t, "spare"),
		}
		w.Container = w.Fill
		takes, err := mixing.Materials(w)
		if err != nil {
			return
		}
		planned++
		yield := w.Source.Diluent - w.Loss.PerSource
		if w.LabelLine != nil {
			yield = w.LabelLine.VolumeUL - w.Loss.PerSource
		}
		require.GreaterOrEqual(t, stock.Microlitres(takes.SourceVials)*yield, takes.Concentrate)
		require.Less(t, stock.Microlitres(takes.SourceVials-1)*yield, takes.Concentrate)
		require.Equal(t, stock.Microlitres(takes.SourceVials)*yield, takes.Concentrate+takes.Unused)
		require.Equal(t, takes.BringTo, takes.Concentrate+takes.MakeUp)
		require.GreaterOrEqual(t, takes.MakeUp, stock.Microlitres(0))
		require.Equal(t, takes.BringTo, stock.Microlitres(w.Vials)*(w.Fill+w.Loss.PerVial)+w.Loss.Pool)

		// Strength: the concentrate was rounded by at most half a microlitre.
		dissolved, err := mixing.Make(mixing.Plan{Source: w.Source, Vials: 1, ToleranceMilliPercent: 100_000})
		if err != nil { // a label line that claims more than twice the mass
			return
		}
		want := big.NewRat(int64(w.Amount)*int64(takes.BringTo), int64(w.Fill))
		got := new(big.Rat).Mul(dissolved.PerML(), big.NewRat(int64(takes.Concentrate), 1000))
		off := new(big.Rat).Sub(want, got)
		half := new(big.Rat).Mul(dissolved.PerML(), big.NewRat(1, 2000))
		require.LessOrEqual(t, off.Abs(off).Cmp(half), 0)
	})
	require.Positive(t, planned, "every wish was refused: the check checks nothing")
}

// Both ways agree on whole batches: mixed as the list of materials says, its source vials make the vials that were wanted,
// at their strength, and one source vial fewer does not. Drawn evenly from the source vials, a microlitre of rounding a
// source vial is all that lies between the two.
func TestMixedAsListedItMakesTheVials(t *testing.T) {
	mixed, short := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		w := mixing.Wanted{
			Source: drawSource(t), Vials: rapid.IntRange(1, 60).Draw(t, "n"), Fill: stock.Microlitres(rapid.Int64Range(500, 60_000).Draw(t, "fill")),
			Loss: stock.Loss{
				PerSource: stock.Microlitres(rapid.Int64Range(0, 300).Draw(t, "loss a source vial")),
				PerVial:   stock.Microlitres(rapid.Int64Range(0, 300).Draw(t, "loss a vial")), Pool: stock.Microlitres(rapid.Int64Range(0, 5000).Draw(t, "loss of the pool")),
			},
		}
		w.Container, w.Amount = w.Fill, stock.Micrograms(rapid.Int64Range(100, 2_000_000).Draw(t, "amount"))
		takes, err := mixing.Materials(w)
		if err != nil {
			return
		}
		yield := w.Source.Diluent - w.Loss.PerSource
		if w.LabelLine != nil {
			yield = w.LabelLine.VolumeUL - w.Loss.PerSource
		}
		n := stock.Microlitres(takes.SourceVials)
		each := (takes.Concentrate + n - 1) / n // what is drawn from each, rounded up to a microlitre
		drawn := n * each
		require.LessOrEqual(t, each, yield, "what may stay behind in a source vial may stay behind")
		plan := mixing.Plan{
			Source: w.Source, Vials: takes.SourceVials, Withdrawn: &each, BringTo: ul(max(takes.BringTo, drawn)), Fill: &w.Fill, ToleranceMilliPercent: 100_000,
		}
		m, err := mixing.Make(plan)
		if err != nil { // a label line that claims more than twice the mass
			return
		}
		mixed++
		require.Empty(t, slices.DeleteFunc(m.Warnings, func(s string) bool { return !strings.HasPrefix(s, "More was withdrawn") }), "no source vial gives more than it holds")
		require.GreaterOrEqual(t, m.FullVials, w.Vials)
		lost := stock.Microlitres(w.Vials)*w.Loss.PerVial + w.Loss.Pool
		require.GreaterOrEqual(t, m.Volume-stock.Microlitres(w.Vials)*w.Fill, lost, "the losses that are allowed are still in the pool")

		// The strength of the pool lies within what rounding a microlitre a source vial, and half of one, can do.
		want, perMicrolitre := big.NewRat(int64(w.Amount), int64(w.Fill)), new(big.Rat).Quo(m.Mass, big.NewRat(int64(drawn), 1))
		off := new(big.Rat).Sub(new(big.Rat).Quo(m.Mass, big.NewRat(int64(m.Volume), 1)), want)
		most := new(big.Rat).Mul(perMicrolitre, big.NewRat(2*int64(n)+1, 2*int64(takes.BringTo)))
		require.LessOrEqual(t, off.Abs(off).Cmp(most), 0, "off by %s, at most %s", off.FloatString(6), most.FloatString(6))

		if takes.SourceVials == 1 {
			return
		}
		short++
		plan.Vials, plan.Withdrawn, plan.BringTo = takes.SourceVials-1, &yield, ul(max(takes.BringTo, (n-1)*yield))
		less, err := mixing.Make(plan)
		if err != nil {
			return
		}
		need := new(big.Rat).Mul(want, big.NewRat(int64(takes.BringTo), 1)) // mass of the pool at its strength
		need.Sub(need, new(big.Rat).Mul(perMicrolitre, big.NewRat(1, 2)))   // the concentrate is rounded to a microlitre
		require.LessOrEqual(t, less.Mass.Cmp(need), 0, "one source vial fewer is not enough")
	})
	require.Positive(t, mixed)
	require.Positive(t, short, "the list never took more than one source vial: half of the check checks nothing")
}
