package calc_test

import (
	"encoding/json"
	"flag"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/calc"
)

var updateStock = flag.Bool("update-stock", false, "write the golden answers of calc stock anew")

// stockDoc is a newsvendor problem (Poisson 9; R); each pair of strings replaces one piece of it.
func stockDoc(changes ...string) string {
	return strings.NewReplacer(changes...).Replace(
		`{"demand":{"poisson_mean":9},"usable_days":1,"cost_left_over":1.25,"cost_short":3.50,"on_hand":0}`)
}

func advice(t *testing.T, doc string) (calc.Result, calc.Stock) {
	t.Helper()
	r, err := calc.StockAdvice(strings.NewReader(doc))
	require.NoError(t, err)
	s, ok := r.Document.(calc.Stock)
	require.True(t, ok, r.Text)
	require.Zero(t, r.Exit)
	return r, s
}

// The documents in testdata/waste and what is answered, as JSON and as text for a person.
func TestStockGolden(t *testing.T) {
	files, err := filepath.Glob("../../../../testdata/waste/*.in.json")
	require.NoError(t, err)
	require.Len(t, files, 4)
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			in, err := os.Open(file)
			require.NoError(t, err)
			defer in.Close()
			r, err := calc.StockAdvice(in)
			require.NoError(t, err)
			doc, err := json.MarshalIndent(r.Document, "", "  ")
			require.NoError(t, err)
			got := string(doc) + "\n\n" + r.Text
			golden := strings.TrimSuffix(file, ".in.json") + ".golden"
			if *updateStock {
				require.NoError(t, os.WriteFile(golden, []byte(got), 0o644))
			}
			want, err := os.ReadFile(golden)
			require.NoError(t, err)
			require.Equal(t, string(want), got)
			require.True(t, strings.HasSuffix(r.Text, "\n"+calc.Caution+"\n"))
		})
	}
}

// The problems tracker/waste checks against their sources, through the document.
func TestStockDocument(t *testing.T) {
	for name, c := range map[string]struct {
		doc   string
		ratio float64
		size  int
	}{
		"Poisson 9 (R, C)":           {stockDoc(), 3.5 / 4.75, 11},
		"some on hand":               {stockDoc(`"on_hand":0`, `"on_hand":4`), 3.5 / 4.75, 7},
		"enough on hand":             {stockDoc(`"on_hand":0`, `"on_hand":40`), 3.5 / 4.75, 0},
		"the same over nine days":    {stockDoc(`"poisson_mean":9`, `"poisson_mean":1`, `"usable_days":1`, `"usable_days":9`), 3.5 / 4.75, 11},
		"half a day":                 {stockDoc(`"poisson_mean":9`, `"poisson_mean":18`, `"usable_days":1`, `"usable_days":0.5`), 3.5 / 4.75, 11},
		"normal (R, C)":              {stockDoc(`{"poisson_mean":9}`, `{"normal":{"mean":1000,"sd":200}}`, "1.25", "10", "3.50", "40"), 0.8, 1169},
		"normal over four days":      {stockDoc(`{"poisson_mean":9}`, `{"normal":{"mean":250,"sd":100}}`, `"usable_days":1`, `"usable_days":4`, "1.25", "10", "3.50", "40"), 0.8, 1169},
		"a day like every other":     {stockDoc(`{"poisson_mean":9}`, `{"daily":[4,4,4]}`, `"usable_days":1`, `"usable_days":3`), 3.5 / 4.75, 12},
		"demand of zeros":            {stockDoc(`{"poisson_mean":9}`, `{"daily":[0,0,0,0]}`), 3.5 / 4.75, 0},
		"no demand":                  {stockDoc(`"poisson_mean":9`, `"poisson_mean":0`), 3.5 / 4.75, 0},
		"a large one":                {stockDoc(`"poisson_mean":9`, `"poisson_mean":9000`), 3.5 / 4.75, 9060},
		"the others null":            {stockDoc(`"poisson_mean":9`, `"poisson_mean":9,"normal":null,"daily":null`), 3.5 / 4.75, 11},
		"costs to a thousandth cent": {stockDoc("1.25", "0.00125", "3.50", "3.5e-3"), 3.5 / 4.75, 11},
	} {
		_, s := advice(t, c.doc)
		require.InDelta(t, c.ratio, s.CriticalRatio, 1e-12, name)
		require.Equal(t, c.size, s.Size, name)
		require.GreaterOrEqual(t, s.Table[len(s.Table)-1].Size, 2*s.Size, name)
		require.Equal(t, strings.Contains(c.doc, "daily\":["), s.Seed != nil, name)
	}
}

// The keys people script against.
func TestStockKeys(t *testing.T) {
	r, _ := advice(t, stockDoc(`{"poisson_mean":9}`, `{"daily":[2]}`))
	got, err := json.Marshal(r.Document)
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(string(got), `{"critical_ratio":0.7368421052631579,"size":2,"table":[`+
		`{"size":0,"expected_left_over":0,"expected_short":2,"expected_cost":7},{"size":1,"expected_left_over":0,"expected_short":1,"expected_cost":3.5},`+
		`{"size":2,"expected_left_over":0,"expected_short":0,"expected_cost":0},{"size":3,"expected_left_over":1,"expected_short":0,"expected_cost":1.25}`), string(got))
	require.True(t, strings.HasSuffix(string(got), `],"seed":1,"draws":100000}`), string(got))
	require.Contains(t, r.Text, "seed 1")
}

func TestStockRefused(t *testing.T) {
	for name, c := range map[string]struct {
		doc string
		why []string
	}{
		"nothing lost by leftovers":   {stockDoc("1.25", "0"), []string{"the cost of a vial left over is not above 0"}},
		"nothing lost by having none": {stockDoc("3.50", "-3.50"), []string{"the cost of a vial short is not above 0"}},
		"both, and a wrong count":     {stockDoc("1.25", "-1", "3.50", "0", `"on_hand":0`, `"on_hand":-2`), []string{"left over", "short", "on hand is below 0"}},
		"days 0":                      {stockDoc(`"usable_days":1`, `"usable_days":0`), []string{"the usable days are not above 0"}},
		"days below 0":                {stockDoc(`"usable_days":1`, `"usable_days":-3`), []string{"the usable days are not above 0"}},
		"days below 0, from the past": {stockDoc(`{"poisson_mean":9}`, `{"daily":[1]}`, `"usable_days":1`, `"usable_days":-3`), []string{"the usable days are not above 0"}},
		"half a day from the past":    {stockDoc(`{"poisson_mean":9}`, `{"daily":[1]}`, `"usable_days":1`, `"usable_days":1.5`), []string{"1.5 usable days cannot be drawn"}},
		"demand below 0":              {stockDoc(`"poisson_mean":9`, `"poisson_mean":-9`), []string{"the mean demand is below 0"}},
		"a day below 0":               {stockDoc(`{"poisson_mean":9}`, `{"daily":[3,-1]}`), []string{"day 2 of the history has -1 vials"}},
		"no days":                     {stockDoc(`{"poisson_mean":9}`, `{"daily":[]}`), []string{"the history has no days"}},
		"spread below 0":              {stockDoc(`{"poisson_mean":9}`, `{"normal":{"mean":9,"sd":-1}}`), []string{"standard deviation is below 0"}},
		"absurd":                      {stockDoc(`"poisson_mean":9`, `"poisson_mean":1e300`), []string{"more than 100000 vials"}},
	} {
		r, err := calc.StockAdvice(strings.NewReader(c.doc))
		require.NoError(t, err, name)
		require.Equal(t, 3, r.Exit, name)
		doc, ok := r.Document.(calc.Refused)
		require.True(t, ok, name)
		require.Len(t, doc.Refused, len(c.why), name)
		for i, w := range c.why {
			require.Contains(t, doc.Refused[i].Why, w, name)
			require.Contains(t, r.Text, w, name)
		}
		require.Contains(t, r.Text, calc.Caution, name)
	}
}

func TestStockWrongDocument(t *testing.T) {
	for name, c := range map[string]struct {
		doc  string
		says []string
	}{
		"nothing":              {"", []string{"not a JSON object"}},
		"an unknown key":       {stockDoc(`"on_hand"`, `"in_stock"`), []string{`"in_stock" is not a key`, `"on_hand" is missing`}},
		"demand left out":      {stockDoc(`"demand":{"poisson_mean":9},`, ""), []string{`"demand" is missing`}},
		"an empty demand":      {stockDoc(`"poisson_mean":9`, ""), []string{`"demand" needs "poisson_mean"`}},
		"two demands":          {stockDoc(`"poisson_mean":9`, `"poisson_mean":9,"daily":[9]`), []string{"one of the three"}},
		"an unknown demand":    {stockDoc(`"poisson_mean"`, `"binomial"`), []string{`"demand.binomial" is not a key`}},
		"normal without sd":    {stockDoc(`{"poisson_mean":9}`, `{"normal":{"mean":9}}`), []string{`"demand.normal.sd" is missing`}},
		"a number in quotes":   {stockDoc(`"poisson_mean":9`, `"poisson_mean":"9"`), []string{`"demand.poisson_mean" must be a number without quotes`}},
		"half a vial on hand":  {stockDoc(`"on_hand":0`, `"on_hand":0.5`), []string{`"on_hand" must be a whole number`}},
		"half a vial wanted":   {stockDoc(`{"poisson_mean":9}`, `{"daily":[3,2.5]}`), []string{`"demand.daily[1]" must be a whole number`}},
		"a day that is null":   {stockDoc(`{"poisson_mean":9}`, `{"daily":[3,null]}`), []string{`"demand.daily[1]" must be a number`}},
		"a cost too fine":      {stockDoc("1.25", "0.0000001"), []string{`"cost_left_over" must be a number up to 1000000000 in steps of 1/1000000`}},
		"a cost beyond reason": {stockDoc("1.25", "1e10"), []string{`"cost_left_over" must be a number up to 1000000000`}},
		"days in quotes":       {stockDoc(`"usable_days":1`, `"usable_days":"1"`), []string{`"usable_days" must be a number`}},
	} {
		_, err := calc.StockAdvice(strings.NewReader(c.doc))
		require.Error(t, err, name)
		for _, s := range c.says {
			require.ErrorContains(t, err, s, name)
		}
	}
	_, err := calc.StockAdvice(iotest.ErrReader(os.ErrClosed))
	require.ErrorIs(t, err, os.ErrClosed)
}

// Whatever comes in: an error that says something, a refusal with reasons, or an advice whose rows are finite and add up.
func FuzzStock(f *testing.F) {
	f.Add(stockDoc())
	f.Add(stockDoc(`{"poisson_mean":9}`, `{"normal":{"mean":12.5,"sd":0}}`, `"usable_days":1`, `"usable_days":2.5`))
	f.Add(stockDoc(`{"poisson_mean":9}`, `{"daily":[3,0,5]}`, `"usable_days":1`, `"usable_days":4`))
	f.Add(stockDoc(`"poisson_mean":9`, `"poisson_mean":1e-30`, "3.50", "1000000000", "1.25", "0.000001"))
	f.Add(`{"demand":{"daily":[[null]]}}`)
	f.Fuzz(func(t *testing.T, doc string) {
		r, err := calc.StockAdvice(strings.NewReader(doc))
		if err != nil {
			if strings.TrimPrefix(err.Error(), "calc stock: ") == "" {
				t.Fatal("an error that says nothing")
			}
			return
		}
		switch d := r.Document.(type) {
		case calc.Refused:
			if r.Exit != 3 || len(d.Refused) == 0 || d.Refused[0].Why == "" {
				t.Fatalf("refused without a reason: %+v", r)
			}
		case calc.Stock:
			if d.Size < 0 || len(d.Table) <= 2*d.Size || !(d.CriticalRatio > 0 && d.CriticalRatio < 1) {
				t.Fatalf("size %d, %d rows, ratio %v", d.Size, len(d.Table), d.CriticalRatio)
			}
			for i, row := range d.Table {
				sound := row.Size == i && row.ExpectedLeftOver >= 0 && row.ExpectedShort >= 0 && row.ExpectedCost >= 0
				if !sound || math.IsInf(row.ExpectedCost, 0) {
					t.Fatalf("%+v", row)
				}
			}
		default:
			t.Fatalf("%T", r.Document)
		}
	})
}

func BenchmarkStockDaily(b *testing.B) {
	doc := stockDoc(`{"poisson_mean":9}`, `{"daily":[3,0,5,4,3,7,2,4,4,1]}`, `"usable_days":1`, `"usable_days":10`)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := calc.StockAdvice(strings.NewReader(doc)); err != nil {
			b.Fatal(err)
		}
	}
}
