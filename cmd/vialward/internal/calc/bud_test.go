package calc_test

import (
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/calc"
)

var updateBud = flag.Bool("update-bud", false, "write the golden answers of calc bud anew")

// budDoc is pantoprazole in a refrigerator as a test needs it: each pair of strings replaces one piece of the document.
// Its stability is invented.
func budDoc(changes ...string) string {
	doc := `{"zone":"America/New_York","started_at":"2025-11-08T08:30:00-05:00","storage":"refrigerator",` +
		`"sterility":{"category":"2","method":"aseptic","sterility_tested":false,"nonsterile_component":false},` +
		`"stability":[{"storage":"refrigerator","hours":96,"source":"invented"}],` +
		`"components":[{"name":"pantoprazole","lot":"P1","expires":"2026-12"}],"cap_hours":200}`
	return strings.NewReplacer(changes...).Replace(doc)
}

// The documents in testdata/beyonduse and what is answered, as JSON and as text for a person.
func TestBudGolden(t *testing.T) {
	files, err := filepath.Glob("../../../../testdata/beyonduse/*.in.json")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			f, err := os.Open(file)
			require.NoError(t, err)
			defer f.Close()
			r, err := calc.Bud(f)
			require.NoError(t, err)
			doc, err := json.MarshalIndent(r.Document, "", "  ")
			require.NoError(t, err)
			got := string(doc) + "\n\n" + r.Text
			golden := strings.TrimSuffix(file, ".in.json") + ".golden"
			if *updateBud {
				require.NoError(t, os.WriteFile(golden, []byte(got), 0o644))
			}
			want, err := os.ReadFile(golden)
			require.NoError(t, err)
			require.Equal(t, string(want), got)
			require.True(t, strings.HasSuffix(r.Text, "\n\n"+calc.Caution+"\n"))
		})
	}
}

// What a document says in its several forms.
func TestBudDocument(t *testing.T) {
	for name, c := range map[string]struct{ doc, bud, by string }{
		"as it stands":                {budDoc(), "2025-11-12T08:30:00-05:00", "stability"},
		"hours with a decimal":        {budDoc(`"hours":96`, `"hours":1.5`), "2025-11-08T10:00:00-05:00", "stability"},
		"a tenth is a tenth":          {budDoc(`"hours":96`, `"hours":0.1`), "2025-11-08T08:36:00-05:00", "stability"},
		"0.7 h is 42 minutes, not 41": {budDoc(`"hours":96`, `"hours":0.7`), "2025-11-08T09:12:00-05:00", "stability"},
		"16.1 h is 966 minutes":       {budDoc(`"hours":96`, `"hours":16.1`), "2025-11-09T00:36:00-05:00", "stability"},
		"an exponent":                 {budDoc(`"hours":96`, `"hours":9.6e1`), "2025-11-12T08:30:00-05:00", "stability"},
		"never rounded up":            {budDoc(`"hours":96`, `"hours":95.99999999`), "2025-11-12T08:29:00-05:00", "stability"},
		"seconds of the start":        {budDoc("08:30:00-05:00", "08:30:59.999-05:00"), "2025-11-12T08:30:00-05:00", "stability"},
		"start in another offset":     {budDoc("08:30:00-05:00", "14:30:00+01:00"), "2025-11-12T08:30:00-05:00", "stability"},
		"start in UTC, zone UTC":      {budDoc("America/New_York", "UTC", "08:30:00-05:00", "08:30:00Z"), "2025-11-12T08:30:00Z", "stability"},
		"cap, no components":          {budDoc(`"cap_hours":200`, `"cap_hours":24.25`, `{"name":"pantoprazole","lot":"P1","expires":"2026-12"}`, ""), "2025-11-09T08:45:00-05:00", "cap"},
		"no cap: null":                {budDoc(`"cap_hours":200`, `"cap_hours":null`), "2025-11-12T08:30:00-05:00", "stability"},
		"no cap: left out":            {budDoc(`,"cap_hours":200`, ""), "2025-11-12T08:30:00-05:00", "stability"},
		"components left out":         {budDoc(`"components":[{"name":"pantoprazole","lot":"P1","expires":"2026-12"}],`, ""), "2025-11-12T08:30:00-05:00", "stability"},
		"a component's date":          {budDoc(`"expires":"2026-12"`, `"expires":"2025-11-10"`), "2025-11-11T00:00:00-05:00", "component"},
		"a component's BUD":           {budDoc(`"expires":"2026-12"`, `"beyond_use":"2025-11-10"`), "2025-11-10T00:00:00-05:00", "component"},
		"a component's instant":       {budDoc(`"expires":"2026-12"`, `"beyond_use":"2025-11-10T12:00:30Z"`), "2025-11-10T07:00:00-05:00", "component"},
		"Category 1 by itself":        {budDoc(`"category":"2","method":"aseptic","sterility_tested":false,"nonsterile_component":false`, `"category":"1"`), "2025-11-09T08:30:00-05:00", "sterility"},
		"immediate use, at room":      {budDoc(`"category":"2"`, `"category":"immediate"`, `"refrigerator"`, `"room"`), "2025-11-08T12:30:00-05:00", "sterility"},
		"a BOM before it":             {"\ufeff" + budDoc(), "2025-11-12T08:30:00-05:00", "stability"},
	} {
		t.Run(name, func(t *testing.T) {
			r, err := calc.Bud(strings.NewReader(c.doc))
			require.NoError(t, err)
			require.Zero(t, r.Exit)
			doc, ok := r.Document.(calc.BeyondUse)
			require.True(t, ok, r.Text)
			require.Equal(t, c.bud, doc.BeyondUse)
			require.Equal(t, c.by, doc.GovernedBy)
		})
	}
}

// No date allowed: exit 3 and every reason.
func TestBudRefused(t *testing.T) {
	for name, c := range map[string]struct {
		doc string
		why []string
	}{
		"immediate use in a refrigerator": {budDoc(`"category":"2"`, `"category":"immediate"`), []string{"never stored"}},
		"Category 3 without its tests":    {budDoc(`"category":"2"`, `"category":"3"`), []string{"no limit for Category 3"}},
		"no row for this storage":         {budDoc(`"storage":"refrigerator","sterility"`, `"storage":"room","sterility"`), []string{"no stability row for room storage"}},
		"no rows":                         {budDoc(`{"storage":"refrigerator","hours":96,"source":"invented"}`, ""), []string{"no stability row for the refrigerator"}},
		"stability left out":              {budDoc(`"stability":[{"storage":"refrigerator","hours":96,"source":"invented"}],`, ""), []string{"no stability row"}},
		"no cell and no row": {
			budDoc(`"category":"2"`, `"category":"1"`, `"storage":"refrigerator","sterility"`, `"storage":"freezer","sterility"`),
			[]string{"no limit for Category 1, in the freezer", "no stability row for the freezer"},
		},
		"cap 0":              {budDoc(`"cap_hours":200`, `"cap_hours":0`), []string{"The site's cap is 0 h"}},
		"cap below 0":        {budDoc(`"cap_hours":200`, `"cap_hours":-1.5`), []string{"The site's cap is -1.5 h"}},
		"stability of 0 h":   {budDoc(`"hours":96`, `"hours":0`), []string{"not after the start"}},
		"stability below 0":  {budDoc(`"hours":96`, `"hours":-1`), []string{"not after the start"}},
		"less than a minute": {budDoc(`"hours":96`, `"hours":0.016`), []string{"not after the start"}},
		"expired component":  {budDoc(`"2026-12"`, `"2025-10"`), []string{"pantoprazole, lot P1, expires 2025-10"}},
		"ends as it starts":  {budDoc(`"2026-12"`, `"2025-11-08T08:30:00-05:00"`), []string{"not after the start"}},
	} {
		t.Run(name, func(t *testing.T) {
			r, err := calc.Bud(strings.NewReader(c.doc))
			require.NoError(t, err)
			require.Equal(t, 3, r.Exit)
			doc, ok := r.Document.(calc.Refused)
			require.True(t, ok, r.Text)
			require.Len(t, doc.Refused, len(c.why))
			for i, w := range c.why {
				require.Contains(t, doc.Refused[i].Why, w)
				require.Contains(t, r.Text, w)
			}
			require.Contains(t, r.Text, calc.Caution)
		})
	}
}

// Not the document described: a sentence with the key and its place, for every mistake at once.
func TestBudWrongDocument(t *testing.T) {
	for name, c := range map[string]struct {
		doc  string
		says []string
	}{
		"nothing":                    {"", []string{"not a JSON object"}},
		"a list":                     {"[]", []string{"not a JSON object"}},
		"cut short":                  {budDoc()[:80], []string{"not valid JSON"}},
		"two documents":              {budDoc() + "{}", []string{"something stands after the end"}},
		"an unknown key":             {budDoc(`"cap_hours"`, `"cap"`), []string{`"cap" is not a key`}},
		"another case":               {budDoc(`"zone"`, `"Zone"`), []string{`"Zone" is not a key`, `"zone" is missing`}},
		"an unknown key inside":      {budDoc(`"lot"`, `"batch"`), []string{`"components[0].batch" is not a key`, `"components[0].lot" is missing`}},
		"a key twice":                {budDoc(`"hours":96`, `"hours":96,"hours":960`), []string{`"stability[0].hours" stands there twice`}},
		"an unknown zone":            {budDoc("New_York", "Quillmere"), []string{`zone "America/Quillmere" is not known`}},
		"the machine's zone":         {budDoc("America/New_York", "Local"), []string{`zone "Local"`}},
		"an empty zone":              {budDoc("America/New_York", ""), []string{`"zone" is empty`}},
		"no offset":                  {budDoc("08:30:00-05:00", "08:30:00"), []string{`started_at "2025-11-08T08:30:00" is no instant`}},
		"a space for the T":          {budDoc("08T08", "08 08"), []string{"started_at"}},
		"31 November":                {budDoc("2025-11-08T", "2025-11-31T"), []string{"started_at"}},
		"the year 9999":              {budDoc("2025-11-08T", "9999-11-08T"), []string{"from 1973 to 2999"}},
		"unknown storage":            {budDoc(`"storage":"refrigerator","sterility"`, `"storage":"fridge","sterility"`), []string{`"storage" is "fridge", which is none of room, refrigerator, freezer`}},
		"unknown storage of a row":   {budDoc(`"refrigerator","hours"`, `"shelf","hours"`), []string{`"stability[0].storage" is "shelf"`}},
		"category left out":          {budDoc(`"category":"2",`, ""), []string{`"sterility.category" is missing`}},
		"category as a number":       {budDoc(`"category":"2"`, `"category":2`), []string{`"sterility.category" must be text in quotes, not 2`}},
		"category 4":                 {budDoc(`"category":"2"`, `"category":"4"`), []string{`"sterility.category" is "4"`}},
		"method left out":            {budDoc(`"method":"aseptic",`, ""), []string{`"sterility.method" is missing: the limits of Category 2 depend on it`}},
		"nonsterile left out":        {budDoc(`,"nonsterile_component":false`, ""), []string{`"sterility.nonsterile_component" is missing`}},
		"a fact in quotes":           {budDoc(`"sterility_tested":false`, `"sterility_tested":"no"`), []string{`"sterility.sterility_tested" must be true or false`}},
		"sterility null":             {budDoc(`{"category":"2","method":"aseptic","sterility_tested":false,"nonsterile_component":false}`, "null"), []string{`"sterility" is missing`}},
		"hours in quotes":            {budDoc(`"hours":96`, `"hours":"96"`), []string{`"stability[0].hours" must be a number of hours without quotes`}},
		"hours beyond all reason":    {budDoc(`"hours":96`, `"hours":1e999999999`), []string{`"stability[0].hours"`, "up to 2000000"}},
		"hours beyond a duration":    {budDoc(`"hours":96`, `"hours":2562048`), []string{`"stability[0].hours"`}},
		"cap in quotes":              {budDoc(`"cap_hours":200`, `"cap_hours":"200"`), []string{`"cap_hours" must be a number of hours`}},
		"a row without source":       {budDoc(`,"source":"invented"`, ""), []string{`"stability[0].source" is missing`}},
		"an empty source":            {budDoc(`"invented"`, `" "`), []string{`"stability[0].source" is empty`}},
		"rows that are no list":      {budDoc(`[{"storage":"refrigerator","hours":96,"source":"invented"}]`, `{}`), []string{`"stability" must be a list`}},
		"a row that is null":         {budDoc(`{"storage":"refrigerator","hours":96,"source":"invented"}`, `null`), []string{"stability[0] is not a JSON object"}},
		"no end of a component":      {budDoc(`,"expires":"2026-12"`, ""), []string{`components[0] needs "expires"`}},
		"two ends of a component":    {budDoc(`"expires":"2026-12"`, `"expires":"2026-12","beyond_use":"2026-12-01"`), []string{"one of the two"}},
		"an American date":           {budDoc(`"2026-12"`, `"12/31/2026"`), []string{`components[0].expires: "12/31/2026" is no expiry`}},
		"a month as a BUD":           {budDoc(`"expires"`, `"beyond_use"`), []string{`components[0].beyond_use: "2026-12" is no beyond-use date`}},
		"29 February of 2027":        {budDoc(`"2026-12"`, `"2027-02-29"`), []string{"components[0].expires"}},
		"Latin-1":                    {budDoc("pantoprazole", "pantopraz\xf6l"), []string{"not UTF-8"}},
		"a log by mistake":           {strings.Repeat(" ", 1<<20) + budDoc(), []string{"longer than a megabyte"}},
		"several mistakes, all said": {budDoc("New_York", "Quillmere", `"hours":96`, `"hours":[]`, `"lot":"P1"`, `"lot":""`), []string{"zone", "stability[0].hours", "components[0].lot"}},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := calc.Bud(strings.NewReader(c.doc))
			require.Error(t, err)
			for _, s := range c.says {
				require.ErrorContains(t, err, s)
			}
		})
	}
	_, err := calc.Bud(iotest.ErrReader(os.ErrClosed))
	require.ErrorIs(t, err, os.ErrClosed)
}

// A source with a line break or an escape sequence neither breaks the table nor steers a terminal.
func TestBudTextIsOneLineALimit(t *testing.T) {
	r, err := calc.Bud(strings.NewReader(budDoc(`"invented"`, `"a\nBeyond use never\u001b[2J"`)))
	require.NoError(t, err)
	require.NotContains(t, r.Text, "\x1b")
	require.Contains(t, r.Text, "a Beyond use never")
	require.Contains(t, r.Text, "Beyond use      Wed 12 Nov 2025 08:30 EST")
}

// Whatever comes in: an error, a refusal with reasons, or a date after the start that is the earliest of its candidates.
func FuzzBud(f *testing.F) {
	f.Add(budDoc())
	f.Add(budDoc(`"category":"2"`, `"category":"immediate"`))
	f.Add(budDoc(`"hours":96`, `"hours":1e-3`, "America/New_York", "Australia/Lord_Howe"))
	f.Add(budDoc(`"expires":"2026-12"`, `"beyond_use":"2025-11-10T12:00:30Z"`))
	f.Add(`{"zone":null,"stability":[[[]]],"components":[null]}`)
	f.Fuzz(func(t *testing.T, doc string) {
		r, err := calc.Bud(strings.NewReader(doc))
		if err != nil {
			if err.Error() == "calc bud: " {
				t.Fatal("an error that says nothing")
			}
			return
		}
		if _, err := json.Marshal(r.Document); err != nil {
			t.Fatal(err)
		}
		switch d := r.Document.(type) {
		case calc.Refused:
			if r.Exit != 3 || len(d.Refused) == 0 || d.Refused[0].Why == "" {
				t.Fatalf("refused without a reason: %+v", r)
			}
		case calc.BeyondUse:
			bud, err := time.Parse(time.RFC3339, d.BeyondUse)
			if err != nil {
				t.Fatal(err)
			}
			governs := ""
			for _, c := range d.Candidates {
				end, err := time.Parse(time.RFC3339, c.BeyondUse)
				if err != nil || end.Before(bud) || end.Second() != 0 || c.Source == "" {
					t.Fatalf("candidate %+v of %s: %v", c, d.BeyondUse, err)
				}
				if governs == "" && end.Equal(bud) {
					governs = c.Limit
				}
			}
			if governs != d.GovernedBy || r.Exit != 0 {
				t.Fatalf("%+v", r)
			}
		default:
			t.Fatalf("%T", r.Document)
		}
	})
}
