package thermal_test

import (
	"math/big"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/tracker/thermal"
)

func TestParse(t *testing.T) {
	for _, c := range []struct {
		text string
		unit thermal.Unit
		mark byte
		want thermal.MilliC
	}{
		{"4.25", thermal.DegCelsius, '.', 4250},
		{"-18", thermal.DegCelsius, '.', -18000},
		{"+5.0", thermal.DegCelsius, '.', 5000},
		{"4,25", thermal.DegCelsius, ',', 4250},
		{"100", thermal.DegCelsius, '.', 100_000},
		{"8.", thermal.DegCelsius, '.', 8000},
		{".5", thermal.DegCelsius, '.', 500},
		{"-0", thermal.DegCelsius, '.', 0},
		{"0004.5", thermal.DegCelsius, '.', 4500},
		{"4.0005", thermal.DegCelsius, '.', 4000},          // half to even
		{"4.0015", thermal.DegCelsius, '.', 4002},          // half to even
		{"-4.0005", thermal.DegCelsius, '.', -4000},        // half to even
		{"4.00050", thermal.DegCelsius, '.', 4000},         // still a half
		{"4.0005000000001", thermal.DegCelsius, '.', 4001}, // more than a half, beyond what is kept
		{"74.93588199999998", thermal.DegCelsius, '.', 74936},
		{"4.25e0", thermal.DegCelsius, '.', 4250},
		{"425E-2", thermal.DegCelsius, '.', 4250},
		{"0.0425e+02", thermal.DegCelsius, '.', 4250},
		{"5e-40", thermal.DegCelsius, '.', 0},
		{"200", thermal.DegCelsius, '.', 200_000},
		// 46.4 °F has to compare equal to 8 °C, and 46 °F is 7.78: USP <659>, secondary copy, R.
		{"46.4", thermal.DegFahrenheit, '.', 8000},
		{"46", thermal.DegFahrenheit, '.', 7778},
		{"46,4", thermal.DegFahrenheit, ',', 8000},
		{"32", thermal.DegFahrenheit, '.', 0},
		{"-40", thermal.DegFahrenheit, '.', -40_000},
		{"35.6", thermal.DegFahrenheit, '.', 2000},
		{"32.0009", thermal.DegFahrenheit, '.', 0},                // 0.0005 °C: half to even
		{"32.0027", thermal.DegFahrenheit, '.', 2},                // 0.0015 °C: half to even
		{"32.000900000000001", thermal.DegFahrenheit, '.', 1},     // above the half
		{"31.9991", thermal.DegFahrenheit, '.', 0},                // -0.0005 °C
		{"31.99909999999999999", thermal.DegFahrenheit, '.', -1},  // below the half
		{"74.93588199999998", thermal.DegFahrenheit, '.', 23_853}, // 23.85326777...
	} {
		got, err := thermal.Parse([]byte(c.text), c.unit, c.mark)
		require.NoError(t, err, c.text)
		require.Equal(t, c.want, got, "%s %s", c.text, c.unit)
	}
}

func TestParseRefuses(t *testing.T) {
	for text, why := range map[string]error{
		"": thermal.ErrNotANumber, "-": thermal.ErrNotANumber, ".": thermal.ErrNotANumber, "NaN": thermal.ErrNotANumber,
		"inf": thermal.ErrNotANumber, " 4": thermal.ErrNotANumber, "4.2.1": thermal.ErrNotANumber, "1,234": thermal.ErrNotANumber,
		"4e": thermal.ErrNotANumber, "4e+": thermal.ErrNotANumber, "e5": thermal.ErrNotANumber, "4e99": thermal.ErrNotANumber,
		"--4": thermal.ErrNotANumber, "4C": thermal.ErrNotANumber, "0x10": thermal.ErrNotANumber, "4_0": thermal.ErrNotANumber,
		strings.Repeat("0", 65): thermal.ErrNotANumber,
		"850":                   thermal.ErrAbsurd, "-999": thermal.ErrAbsurd, "200.001": thermal.ErrAbsurd, "1e39": thermal.ErrAbsurd,
		"99999999999999999999999999": thermal.ErrAbsurd,
	} {
		_, err := thermal.ParseCelsius([]byte(text))
		require.ErrorIs(t, err, why, text)
	}
	_, err := thermal.ParseCelsius([]byte("850"))
	require.EqualError(t, err, `"850" Cel is beyond -200 to 200 °C, which no store and no room reaches`)
	_, err = thermal.ParseFahrenheit([]byte("392.1"))
	require.ErrorIs(t, err, thermal.ErrAbsurd)
}

var plain = regexp.MustCompile(`^[-+]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][-+]?0*([0-9]+))?$`)

// exactly is the definition in rational arithmetic, from the standard library: round(value x 1000), half to even.
func exactly(text string, fahrenheit bool) (thermal.MilliC, bool) {
	v, ok := new(big.Rat).SetString(text)
	if !ok {
		return 0, false
	}
	if fahrenheit {
		v.Sub(v, big.NewRat(32, 1)).Mul(v, big.NewRat(5, 9))
	}
	v.Mul(v, big.NewRat(1000, 1))
	twice := new(big.Int).Add(new(big.Int).Mul(v.Num(), big.NewInt(2)), v.Denom())
	den := new(big.Int).Mul(v.Denom(), big.NewInt(2))
	q, rest := new(big.Int).DivMod(twice, den, new(big.Int)) // floor(v + 1/2)
	if rest.Sign() == 0 && q.Bit(0) == 1 {
		q.Sub(q, big.NewInt(1))
	}
	if !q.IsInt64() || q.Int64() < -200_000 || q.Int64() > 200_000 {
		return 0, false
	}
	return thermal.MilliC(q.Int64()), true
}

func fuzzParse(f *testing.F, parse func([]byte) (thermal.MilliC, error), fahrenheit bool) {
	f.Helper()
	for _, s := range []string{"4.25", "-0.0005", "46.4", "32.0009", "74.93588199999998", "1e2", "425E-2", "1e-9", "200.0005", "x", "", "31.99909999999999999", "98.60000000000000001"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		got, err := parse(text)
		form := plain.FindSubmatch(text)
		if len(text) > 64 || form == nil {
			require.ErrorIs(t, err, thermal.ErrNotANumber)
			return
		}
		if power, _ := strconv.Atoi(string(form[3])); len(form[3]) > 2 || power > 40 { // refused whatever its mantissa
			require.ErrorIs(t, err, thermal.ErrNotANumber)
			return
		}
		want, ok := exactly(string(text), fahrenheit)
		if !ok {
			require.ErrorIs(t, err, thermal.ErrAbsurd)
			return
		}
		require.NoError(t, err)
		require.Equal(t, want, got)
	})
}

func FuzzParseCelsius(f *testing.F)    { fuzzParse(f, thermal.ParseCelsius, false) }
func FuzzParseFahrenheit(f *testing.F) { fuzzParse(f, thermal.ParseFahrenheit, true) }
