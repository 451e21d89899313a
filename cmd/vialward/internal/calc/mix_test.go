package calc_test

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/calc"
)

// mixDoc is hydrocortisone as a test needs it: each pair of strings replaces one piece of the document.
func mixDoc(changes ...string) string {
	doc := `{"vials":4,"mass_mg_per_vial":"1000","label_line":null,"diluent_ml":"10","withdrawn_ml":"9.6","bring_to_ml":"384",` +
		`"fill_ml":"10","container_ml":"20","tolerance_percent":"5"}`
	return strings.NewReplacer(changes...).Replace(doc)
}

func mix(t *testing.T, doc string) (string, calc.Result) {
	t.Helper()
	r, err := calc.Mix(strings.NewReader(doc))
	require.NoError(t, err)
	b, err := json.Marshal(r.Document)
	require.NoError(t, err)
	return string(b), r
}

const noLine = `"No label line: what went in is taken to come out, and the volume of the powder itself is not counted. Measure what is withdrawn (common practice, no source)."`

func TestMixDocument(t *testing.T) {
	for name, c := range map[string]struct{ in, out string }{
		// 4 x 9.6 mL of 100 mg/mL to 384 mL, by hand (C).
		"brought to volume": {mixDoc(), `{"concentration_mg_per_ml":"10","volume_ml":"384","add_ml":"345.6","full_vials":38,"left_ml":"4","mass_balance_percent":"96","warnings":[` + noLine + `]}`},
		// Cefazolin 1 g + 2.5 mL -> 330 mg/mL, 3.0 mL (FDA-approved generic label, R): 99 % of the gram.
		"label line": {
			`{"vials":2,"mass_mg_per_vial":"1000","label_line":{"diluent_ml":"2.5","mg_per_ml":"330","volume_ml":"3.0"},"diluent_ml":"2.5","tolerance_percent":"1"}`,
			`{"concentration_mg_per_ml":"330","volume_ml":"6","add_ml":"0","full_vials":null,"left_ml":null,"mass_balance_percent":"99","warnings":[]}`,
		},
		// Amoxicillin 250 mg + 5.0 mL -> 5.2 mL, 48.08 mg/mL (textbook, R), without its line: 250/5 (C).
		"thirds are rounded": {
			`{"vials":1,"mass_mg_per_vial":"250","diluent_ml":"5.2000","bring_to_ml":"7.5","fill_ml":"2.5","tolerance_percent":"0"}`,
			`{"concentration_mg_per_ml":"33.333","volume_ml":"7.5","add_ml":"2.3","full_vials":3,"left_ml":"0","mass_balance_percent":"100","warnings":[` + noLine + `]}`,
		},
		// 1/400 is 0.0025 and 7/2000 is 0.0035: ties, half to even (C).
		"a tie goes down to even": {
			`{"vials":1,"mass_mg_per_vial":"1","diluent_ml":"400","tolerance_percent":"0"}`,
			`{"concentration_mg_per_ml":"0.002","volume_ml":"400","add_ml":"0","full_vials":null,"left_ml":null,"mass_balance_percent":"100","warnings":[` + noLine + `]}`,
		},
		"a tie goes up to even": {
			`{"vials":1,"mass_mg_per_vial":"7","diluent_ml":"2000","tolerance_percent":"0"}`,
			`{"concentration_mg_per_ml":"0.004","volume_ml":"2000","add_ml":"0","full_vials":null,"left_ml":null,"mass_balance_percent":"100","warnings":[` + noLine + `]}`,
		},
	} {
		t.Run(name, func(t *testing.T) {
			got, r := mix(t, c.in)
			require.Equal(t, c.out, got)
			require.Zero(t, r.Exit)
		})
	}
}

func TestMixRefusals(t *testing.T) {
	for name, c := range map[string]struct {
		doc  string
		whys []string
	}{
		"outside the tolerance": {mixDoc("9.6", "9.499"), []string{"94.99 % of the mass"}},
		"pool below withdrawn":  {mixDoc("384", "38.399"), []string{"38.4 mL were withdrawn"}},
		"fill above container":  {mixDoc(`"fill_ml":"10"`, `"fill_ml":"20.001"`), []string{"20.001 mL do not go into a container of 20 mL"}},
		"several at once":       {mixDoc("9.6", "5", "384", "1", `"container_ml":"20"`, `"container_ml":"2"`), []string{"50 % of the mass", "20 mL were withdrawn", "container of 2 mL"}},
		"another line's volume": {mixDoc("null", `{"diluent_ml":"9.5","mg_per_ml":"100","volume_ml":"10"}`), []string{"label line is for 9.5 mL"}},
		"nothing to dissolve":   {mixDoc(`"1000"`, `"0"`), []string{"the mass in a source vial (mg) is 0"}},
		"no vials":              {mixDoc(`"vials":4`, `"vials":0`), []string{"0 source vials"}},
		"below zero":            {mixDoc("9.6", "-9.6"), []string{"withdrawn from a source vial (mL) is -9.6"}},
		"finer than counted":    {mixDoc("9.6", "9.6001"), []string{"withdrawn_ml is 9.6001: amounts are taken to three decimals"}},
		"absurdly large":        {mixDoc("384", "1234567890123"), []string{"bring_to_ml is 1234567890123"}},
	} {
		t.Run(name, func(t *testing.T) {
			_, r := mix(t, c.doc)
			require.Equal(t, 3, r.Exit)
			doc, ok := r.Document.(calc.Refused)
			require.True(t, ok)
			require.Len(t, doc.Refused, len(c.whys))
			for i, why := range c.whys {
				require.Contains(t, doc.Refused[i].Why, why)
			}
			require.Contains(t, r.Text, "REFUSED")
			require.Contains(t, r.Text, calc.Caution)
		})
	}
}

func TestMixIsNotTheDocument(t *testing.T) {
	for name, c := range map[string]struct{ doc, say string }{
		"nothing":              {"", "not a JSON object"},
		"a list":               {"[]", "not a JSON object"},
		"cut off":              {mixDoc("}", ""), "does not end with }"},
		"no value":             {`{"vials":}`, `the value of "vials" is not valid JSON`},
		"a bare key":           {`{vials:4}`, "not valid JSON"},
		"two documents":        {mixDoc() + "{}", "stands after the end"},
		"unknown key":          {mixDoc("fill_ml", "fil_ml"), `"fil_ml" is not a key`},
		"key in capitals":      {mixDoc("vials", "Vials"), `"vials" is missing`},
		"key twice":            {mixDoc(`"vials":4`, `"vials":4,"vials":5`), `"vials" stands there twice`},
		"missing":              {mixDoc(`"vials":4,`, ""), `"vials" is missing`},
		"null where needed":    {mixDoc(`"1000"`, "null"), `"mass_mg_per_vial" is missing`},
		"number for a decimal": {mixDoc(`"9.6"`, "9.6"), `"withdrawn_ml" must be a decimal in quotes, such as "2.5", not 9.6`},
		"string for a count":   {mixDoc(`"vials":4`, `"vials":"4"`), `"vials" must be a whole number without quotes`},
		"half a vial":          {mixDoc(`"vials":4`, `"vials":4.5`), `"vials" must be a whole number`},
		"decimal comma":        {mixDoc("9.6", "9,6"), `"withdrawn_ml" must be a plain decimal with a point, such as "2.5", not "9,6"`},
		"exponent":             {mixDoc("9.6", "96e-1"), "plain decimal"},
		"unit in it":           {mixDoc("9.6", "9.6 mL"), "plain decimal"},
		"point at the end":     {mixDoc("9.6", "9."), "plain decimal"},
		"two signs":            {mixDoc("9.6", "--9.6"), "plain decimal"},
		"label line no object": {mixDoc("null", "3"), "label_line is not a JSON object"},
		"label line in part":   {mixDoc("null", `{"diluent_ml":"10","volume":"3"}`), `"label_line.volume" is not a key of this document; "label_line.mg_per_ml" is missing; "label_line.volume_ml" is missing`},
		"a log by mistake":     {strings.Repeat("R1,2025-11-12T08:00:00Z,4.5\n", 50_000), "longer than a megabyte"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := calc.Mix(strings.NewReader(c.doc))
			require.ErrorContains(t, err, c.say)
			require.ErrorContains(t, err, "calc mix: ")
		})
	}
}

// Every mistake of the form is said at once.
func TestMixListsEveryMistake(t *testing.T) {
	_, err := calc.Mix(strings.NewReader(mixDoc(`"9.6"`, "9.6", "fill_ml", "fil_ml", `"5"`, `"five"`)))
	require.ErrorContains(t, err, "fil_ml")
	require.ErrorContains(t, err, "withdrawn_ml")
	require.ErrorContains(t, err, "tolerance_percent")
}

func TestMixText(t *testing.T) {
	_, r := mix(t, mixDoc())
	require.Equal(t, `Concentration   10 mg/mL
Volume          384 mL (345.6 mL added)
Mass balance    96 % of the mass in the source vials
Full vials      38 of 10 mL, 4 mL left
Warning         No label line: what went in is taken to come out, and the volume of the powder itself is not counted. Measure what is withdrawn (common practice, no source).

For trained staff. vialward calculates, records and warns; it does not decide. Follow the product's labelling, local codes and your pharmacist; when in doubt, do not use.
`, r.Text)
}

func TestMixReadError(t *testing.T) {
	broken := errors.New("pipe broken")
	_, err := calc.Mix(iotest.ErrReader(broken))
	require.ErrorIs(t, err, broken)
}

func FuzzMix(f *testing.F) {
	f.Add(mixDoc())
	f.Add(mixDoc("null", `{"diluent_ml":"10","mg_per_ml":"98","volume_ml":"10"}`))
	f.Add(`{"vials":1e9,"mass_mg_per_vial":"-0"}`)
	f.Fuzz(func(t *testing.T, doc string) {
		r, err := calc.Mix(strings.NewReader(doc))
		if err != nil {
			return
		}
		if r.Exit != 0 && r.Exit != 3 {
			t.Fatalf("exit %d", r.Exit)
		}
		if _, refused := r.Document.(calc.Refused); refused != (r.Exit == 3) {
			t.Fatalf("exit %d with %T", r.Exit, r.Document)
		}
	})
}
