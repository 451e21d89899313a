package stock_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/stock"
)

// vecuronium may be kept in either of two diluents; the water is a step on the way, the filter need not be used.
func vecuronium() stock.Product {
	return stock.Product{
		Name: "vecuronium", Amount: 10_000, Volume: 10_000, Storage: stock.Refrigerator,
		Components: []stock.ComponentUse{
			{Name: "vecuronium, powder", Powder: true, PerVial: 10_000, Opened: "single dose"},
			{Name: "sterile water for injection", Diluent: true},
			{Name: "sodium chloride 0.9 %", Diluent: true},
			{Name: "dextrose 5 %", Diluent: true},
			{Name: "20 mL vial", Container: true},
			{Name: "filter 5 µm", Optional: true},
		},
		Stability: []stock.StabilityRow{
			{Diluent: "Sodium chloride 0.9%", Storage: stock.Refrigerator, Minutes: 132 * 60},
			{Diluent: "dextrose 5 %", Storage: stock.Refrigerator, Minutes: 24 * 60},
		},
	}
}

func named(names ...string) (all []stock.Component) {
	for _, n := range names {
		all = append(all, stock.Component{Name: n, Lot: "L1", Expires: "2026-12"})
	}
	return all
}

// Names are forgiven capitals and spaces and nothing else; what is missing is missing however many lots are given.
func TestMatch(t *testing.T) {
	const all = "It is made with: vecuronium, powder; sterile water for injection; sodium chloride 0.9 %; dextrose 5 %; 20 mL vial; filter 5 µm."
	opened := time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC)
	full := named("vecuronium, powder", "sterile water for injection", "sodium chloride 0.9 %", "20 mL vial")
	with := func(change func(c *stock.Component)) []stock.Component {
		c := append([]stock.Component{}, full...)
		change(&c[0])
		return c
	}
	for name, c := range map[string]struct {
		given []stock.Component
		says  []string // none = taken
	}{
		"as written":           {full, nil},
		"capitals and spaces":  {named("VECURONIUM,powder", "Sterile Water  for injection", "sodium chloride\u00a00.9%", " 20ml vial"), nil},
		"several lots of one":  {append(named("vecuronium, powder", "Vecuronium, Powder"), full...), nil},
		"the optional one":     {append(named("filter 5 µm"), full...), nil},
		"the other diluent":    {named("vecuronium, powder", "sterile water for injection", "dextrose 5 %", "20 mL vial"), nil},
		"a name of its own":    {append(named("saline"), full...), []string{`"saline" is none of its components`, all}},
		"nearly its name":      {append(named("sodium chloride 0.9"), full...), []string{`"sodium chloride 0.9" is none`, all}},
		"two lots, one short":  {append(named("vecuronium, powder"), full[:3]...), []string{"20 mL vial is not given", all}},
		"no diluent it knows":  {named("vecuronium, powder", "sterile water for injection", "20 mL vial"), []string{"sodium chloride 0.9 % or dextrose 5 % is not given", all}},
		"nothing":              {nil, []string{"vecuronium, powder is not given", "20 mL vial is not given", all}},
		"no lot":               {with(func(c *stock.Component) { c.Lot = " " }), []string{"vecuronium, powder has no lot"}},
		"another kind of vial": {with(func(c *stock.Component) { c.Opened = "multi dose" }), []string{"is a single dose container in the master record, not multi dose"}},
		"the kind left out":    {with(func(c *stock.Component) { c.OpenedAt = opened }), nil},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := vecuronium().Match(c.given)
			if c.says == nil {
				require.NoError(t, err)
				require.Len(t, got, len(c.given))
				return
			}
			requireCode(t, err, "component")
			for _, say := range c.says {
				require.ErrorContains(t, err, say)
			}
		})
	}
	got, err := vecuronium().Match(append(named("VECURONIUM,powder"), with(func(c *stock.Component) { c.OpenedAt = opened })...))
	require.NoError(t, err)
	require.Equal(t, "vecuronium, powder", got[0].Name, "as the master record writes it")
	require.Equal(t, "single dose", got[1].Opened, "the master record knows the kind of container")
	undecided := with(func(*stock.Component) {})
	undecided[1].OpenedAt = opened
	_, err = vecuronium().Match(undecided)
	require.ErrorContains(t, err, "which kind of container")
}

// Law: spelled in any mixture of capitals and spaces, given in any order, the lots stand under the record's names, as
// many as were given and each with its own lot; with one letter more, none does.
func TestMatchLaw(t *testing.T) {
	p := vecuronium()
	rapid.Check(t, func(t *rapid.T) {
		names := []string{"vecuronium, powder", "sterile water for injection", "20 mL vial", rapid.SampledFrom([]string{"dextrose 5 %", "sodium chloride 0.9 %"}).Draw(t, "diluent")}
		names = append(names, rapid.SliceOfN(rapid.SampledFrom(names), 0, 3).Draw(t, "more lots")...)
		names = rapid.Permutation(names).Draw(t, "order")
		given := make([]stock.Component, len(names))
		for i, n := range names {
			given[i] = stock.Component{Name: spelled(t, n), Lot: string(rune('A' + i))}
		}
		got, err := p.Match(given)
		require.NoError(t, err)
		for i := range names {
			require.Equal(t, stock.Component{Name: names[i], Lot: given[i].Lot}, got[i])
		}
		given[rapid.IntRange(0, len(given)-1).Draw(t, "which")].Name += "x"
		_, err = p.Match(given)
		requireCode(t, err, "component")
	})
}

func spelled(t *rapid.T, name string) string {
	var b strings.Builder
	for _, r := range name {
		if rapid.Bool().Draw(t, "capital") {
			b.WriteString(strings.ToUpper(string(r)))
		} else {
			b.WriteRune(r)
		}
		b.WriteString(rapid.SampledFrom([]string{"", "", " ", "\u00a0"}).Draw(t, "space"))
	}
	return b.String()
}

// The diluent decides the stability row, so it is never guessed.
func TestDiluentOf(t *testing.T) {
	water, saline, dextrose := "sterile water for injection", "sodium chloride 0.9 %", "dextrose 5 %"
	oneRow := stock.Product{Stability: []stock.StabilityRow{{Diluent: "as supplied"}, {Diluent: "As Supplied", Storage: stock.Room}}}
	twoRows := stock.Product{Stability: []stock.StabilityRow{{Diluent: "a"}, {Diluent: "b"}}}
	for name, c := range map[string]struct {
		p     stock.Product
		given []stock.Component
		said  string
		want  string // "" = refused
	}{
		"the one given":               {vecuronium(), named(water, saline), "", saline},
		"two lots of it":              {vecuronium(), named(saline, saline), "", saline},
		"both given":                  {vecuronium(), named(saline, dextrose), "", ""},
		"both given, one said":        {vecuronium(), named(saline, dextrose), "Dextrose 5%", dextrose},
		"said, not given":             {vecuronium(), named(water, saline), dextrose, ""},
		"said, only on the way":       {vecuronium(), named(water, saline), water, ""},
		"no diluent among components": {oneRow, nil, "", "as supplied"},
		"rows in two diluents":        {twoRows, nil, "", ""},
		"rows in two, one said":       {twoRows, nil, "B", "b"},
		"no rows":                     {stock.Product{}, nil, "", ""},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := c.p.DiluentOf(c.given, c.said)
			require.Equal(t, c.want, got)
			if c.want == "" {
				requireCode(t, err, "diluent")
				return
			}
			require.NoError(t, err)
		})
	}
}

func TestConcentrationPerML(t *testing.T) {
	for _, c := range []struct {
		of    stock.Concentration
		says  string
		exact bool
	}{
		{stock.Concentration{Amount: 40_000, Volume: 10_000}, "4", true},
		{stock.Concentration{Amount: 10_000, Volume: 3_000}, "3.333", false},
		{stock.Concentration{Amount: 1, Volume: 1_000_000}, "0", false},
		{stock.Concentration{}, "", false},
	} {
		says, exact := c.of.PerML()
		require.Equal(t, c.says, says)
		require.Equal(t, c.exact, exact)
	}
}
