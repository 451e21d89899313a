package mixing_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/tracker/mixing"
	"vialward/tracker/stock"
)

func TestYield(t *testing.T) {
	made, err := mixing.Make(mixing.Plan{ // methylprednisolone, 84 mL in vials of 2 mL
		Source: mixing.Source{Mass: 1_000_000, Diluent: 16_000}, Vials: 4, BringTo: ul(84_000), Fill: ul(2000),
	})
	require.NoError(t, err)
	const tolerance = 3000 // 3 %
	for name, c := range map[string]struct {
		allowed stock.Microlitres
		got     mixing.Measured
		want    stock.Yield
		code    string
	}{
		"as planned":               {0, mixing.Measured{Filled: 42}, stock.Yield{ExpectedVials: 42, ForStock: 42, MilliPercent: 100_000, Tolerance: tolerance}, ""},
		"rejected and sampled":     {4000, mixing.Measured{Filled: 40, Rejected: 1, Sampled: 2}, stock.Yield{ExpectedVials: 40, ForStock: 37, MilliPercent: 100_000, Tolerance: tolerance}, ""},
		"loss did not happen":      {4000, mixing.Measured{Filled: 42}, stock.Yield{ExpectedVials: 40, ForStock: 42, Missing: -4000, MilliPercent: 105_000, Tolerance: tolerance}, ""},
		"within the tolerance":     {0, mixing.Measured{Filled: 40, Left: 1480}, stock.Yield{ExpectedVials: 42, ForStock: 40, Missing: 2520, MilliPercent: 97_000, Tolerance: tolerance}, ""},
		"one microlitre too many":  {0, mixing.Measured{Filled: 40, Left: 1479}, stock.Yield{ExpectedVials: 42, ForStock: 40, Missing: 2521, MilliPercent: 96_999, Tolerance: tolerance, Outside: true}, mixing.CodeMassBalance},
		"more than there can be":   {0, mixing.Measured{Filled: 44}, stock.Yield{ExpectedVials: 42, ForStock: 44, Missing: -4000, MilliPercent: 104_762, Tolerance: tolerance, Outside: true}, mixing.CodeMassBalance},
		"counts do not add up":     {0, mixing.Measured{Filled: 2, Rejected: 2, Sampled: 1}, stock.Yield{}, mixing.CodeQuantity},
		"less than nothing left":   {0, mixing.Measured{Filled: 2, Left: -1}, stock.Yield{}, mixing.CodeQuantity},
		"the loss is all there is": {84_000, mixing.Measured{}, stock.Yield{}, mixing.CodeQuantity},
	} {
		t.Run(name, func(t *testing.T) {
			y, err := mixing.CompareYield(made.Volume, 2000, c.allowed, c.got, tolerance)
			require.Equal(t, c.want, y)
			if c.code == "" {
				require.NoError(t, err)
				return
			}
			requireCodes(t, err, c.code)
		})
	}
	_, err = mixing.CompareYield(5, 0, 0, mixing.Measured{}, tolerance)
	requireCodes(t, err, mixing.CodeQuantity)
}
