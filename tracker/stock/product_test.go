package stock_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/stock"
)

// Strength is printed as amount / volume, then per mL; no trailing zeros, "mcg" and "units" in full (common practice,
// no source).
func TestStrength(t *testing.T) {
	tests := []struct {
		p    stock.Product
		want string
	}{
		{stock.Product{Amount: 40_000, Volume: 10_000}, "40 mg / 10 mL (4 mg/mL)"},
		{stock.Product{Amount: 3_500, Volume: 3_500}, "3.5 mg / 3.5 mL (1 mg/mL)"},
		{stock.Product{Amount: 500, Volume: 2_000}, "500 mcg / 2 mL (250 mcg/mL)"},
		{stock.Product{Amount: 1_000_000_000, AmountUnit: "units", Volume: 10_000}, "1000000 units / 10 mL (100000 units/mL)"},
		{stock.Product{Amount: 10_000, Volume: 3_000}, "10 mg / 3 mL"}, // no exact figure per mL, so none
	}
	for _, tt := range tests {
		require.Equal(t, tt.want, tt.p.Strength())
	}
}

func TestParseMilli(t *testing.T) {
	for _, bad := range []string{"", ".5", "1.", "-1", "+1", "1e3", "1.2345", "1,5", " 1", "9999999999999"} {
		_, err := stock.ParseMilli(bad)
		require.Error(t, err, bad)
	}
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.Int64Range(0, 1e12).Draw(t, "thousandths")
		back, err := stock.ParseMilli(stock.SayMilli(n))
		require.NoError(t, err)
		require.Equal(t, n, back)
	})
}
