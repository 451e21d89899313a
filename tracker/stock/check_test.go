package stock_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/tracker/stock"
)

func keys(list []stock.Mistake) map[string]bool {
	found := map[string]bool{}
	for _, m := range list {
		found[m.Key] = true
	}
	return found
}

// 09506000134352 carries the check digit of the GS1 General Specifications (C); the others are it with a digit changed,
// two exchanged, one dropped, or one that is none.
func TestGTINCheckDigit(t *testing.T) {
	for gtin, good := range map[string]bool{
		"09506000134352": true, "09506000134353": false, "09506000134532": false, "9506000134352": false, "0950600013435X": false,
	} {
		s := stock.Site{Products: []stock.Product{{GTIN: gtin}}}
		require.Equal(t, !good, keys(s.Check())["products[1].gtin"], gtin)
	}
}

func TestAnEmptySiteLacksWhatItCannotDoWithout(t *testing.T) {
	found := keys((&stock.Site{}).Check())
	for _, key := range []string{"code", "name", "zone", "unit", "confirm_within", "late_entry_after", "staffed", "sweeps", "people", "rooms"} {
		require.True(t, found[key], key)
	}
}

func TestStabilityRowCoversBothEndsOfItsRange(t *testing.T) {
	fourPerML := stock.Product{Amount: 40_000, Volume: 10_000}
	third := stock.Product{Amount: 10_000, Volume: 3_000} // 3.333... mg/mL
	for _, c := range []struct {
		from, to string
		p        stock.Product
		covered  bool
	}{
		{"", "", fourPerML, true},
		{"4", "4", fourPerML, true},
		{"4.001", "", fourPerML, false},
		{"", "3.999", fourPerML, false},
		{"3.333", "3.334", third, true},
		{"3.334", "", third, false},
		{"", "3.333", third, false},
		{"1", "2", stock.Product{}, false},
	} {
		row := stock.StabilityRow{FromMgPerML: c.from, ToMgPerML: c.to}
		require.Equal(t, c.covered, row.Covers(c.p.Concentration()), "%s to %s", c.from, c.to)
	}
}

func TestUnconfirmedNamesEverythingThatIsMissing(t *testing.T) {
	p := stock.Product{
		Category: "2", Method: "aseptic", Storage: stock.Refrigerator,
		Stability: []stock.StabilityRow{{Storage: stock.Refrigerator, Diluent: "water", Tag: "M"}, {Storage: stock.Room, Tag: "R"}, {Storage: stock.Freezer, Diluent: "saline", Tag: "confirm"}},
	}
	require.Equal(t, []string{
		"a pharmacist's approval (approved_by)",
		"a pharmacist's confirmation of the stability in refrigerator storage, water, which is tagged M",
		"a pharmacist's confirmation of the stability in freezer storage, saline, which is tagged confirm",
	}, p.Unconfirmed())
	p.ApprovedBy, p.Stability[0].ConfirmedBy, p.Stability[2].ConfirmedBy = "rph-1", "rph-1", "rph-2"
	require.Empty(t, p.Unconfirmed())
}
