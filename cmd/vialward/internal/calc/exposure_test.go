package calc_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/calc"
	"vialward/tracker/templog"
	"vialward/tracker/thermal"
)

const exposureData = "../../../../testdata/exposure/"

var updateExposure = flag.Bool("update-exposure", false, "write the golden answers of calc exposure anew")

// exposureDoc is an hour in a refrigerator; each pair of strings replaces one piece of it.
func exposureDoc(changes ...string) string {
	doc := `{"stays":[{"sensor":"R1","from":"2025-11-10T08:00:00-05:00","to":"2025-11-10T09:00:00-05:00"}],` +
		`"beyond_use":"2025-11-14T08:00:00-05:00","at":"2025-11-10T09:00:00-05:00",` +
		`"stability":{"label_celsius":[2,8],"points":[{"celsius":5,"hours":100}],"activation_kj_per_mol":null},` +
		`"allowed_out_minutes":null,"freeze_celsius":0}`
	return strings.NewReplacer(changes...).Replace(doc)
}

// exposureLog is a reading every half hour, of an hour and both its ends.
const exposureLog = "sensor,at,celsius\nR1,2025-11-10T13:00:00Z,5\nR1,2025-11-10T13:30:00Z,6\nR1,2025-11-10T14:00:00Z,5\n"

func exposure(t *testing.T, doc, log string) (calc.Result, calc.Exposed) {
	t.Helper()
	r, err := calc.Exposure(strings.NewReader(doc), strings.NewReader(log), calc.ExposureOptions{MaxGap: calc.DefaultMaxGap})
	require.NoError(t, err)
	x, ok := r.Document.(calc.Exposed)
	require.True(t, ok, r.Text)
	rows := x.Rows
	require.Equal(t, rows.Read, rows.Stored+rows.Duplicate+rows.Conflicting+rows.Missing+rows.Refused, "the classes add up")
	return r, x
}

// The documents in testdata/exposure and what is answered, as JSON and as text for a person.
func TestExposureGolden(t *testing.T) {
	files, err := filepath.Glob(exposureData + "*.in.json")
	require.NoError(t, err)
	require.Len(t, files, 5)
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			r := exposureOf(t, file)
			doc, err := json.MarshalIndent(r.Document, "", "  ")
			require.NoError(t, err)
			got := string(doc) + "\n\n" + r.Text
			golden := strings.TrimSuffix(file, ".in.json") + ".golden"
			if *updateExposure {
				require.NoError(t, os.WriteFile(golden, []byte(got), 0o644))
			}
			want, err := os.ReadFile(golden)
			require.NoError(t, err)
			require.Equal(t, string(want), got)
			require.True(t, strings.HasSuffix(r.Text, "\n"+calc.Caution+"\n"))
		})
	}
}

func exposureOf(t *testing.T, file string) calc.Result {
	t.Helper()
	doc, err := os.Open(file)
	require.NoError(t, err)
	defer doc.Close()
	log, err := os.Open(exposureData + "two_units.csv")
	require.NoError(t, err)
	defer log.Close()
	r, err := calc.Exposure(doc, log, calc.ExposureOptions{MaxGap: calc.DefaultMaxGap})
	require.NoError(t, err)
	return r
}

// apart.json was computed apart from this code: line by line, Simpson's rule, times as floats.
func TestExposureApart(t *testing.T) {
	text, err := os.ReadFile(exposureData + "apart.json")
	require.NoError(t, err)
	var want map[string]struct {
		Above      [3]float64 `json:"minutes_above"`
		Below      float64    `json:"minutes_below"`
		Freezes    int        `json:"freeze_readings"`
		Unknown    float64    `json:"unknown_minutes"`
		Min        float64    `json:"min_celsius"`
		Max        float64    `json:"max_celsius"`
		Used       *float64   `json:"stability_used"`
		Beyond     float64    `json:"beyond_model_minutes"`
		LimitEpoch *float64   `json:"chemical_limit"`
	}
	require.NoError(t, json.Unmarshal(text, &want))
	require.Len(t, want, 4)
	for name, w := range want {
		got, ok := exposureOf(t, exposureData+name+".in.json").Document.(calc.Exposed)
		require.True(t, ok, name)
		above := got.MinutesAbove
		require.InDelta(t, w.Above[0], above.Above8, 1e-9, name)
		require.InDelta(t, w.Above[1], above.Above15, 1e-9, name)
		require.InDelta(t, w.Above[2], above.Above25, 1e-9, name)
		require.InDelta(t, w.Below, got.MinutesBelow.Below2, 1e-9, name)
		require.Equal(t, w.Freezes, got.FreezeReadings, name)
		require.InDelta(t, w.Unknown, got.UnknownMinutes, 1e-9, name)
		require.InDelta(t, w.Min, *got.MinCelsius, 1e-9, name)
		require.InDelta(t, w.Max, *got.MaxCelsius, 1e-9, name)
		require.Equal(t, w.Used == nil, got.StabilityUsed == nil, name)
		if w.Used != nil {
			require.InEpsilon(t, *w.Used, *got.StabilityUsed, 1e-9, name)
		}
		require.InDelta(t, w.Beyond, got.BeyondModelMinutes, 1e-9, name)
		require.Equal(t, w.LimitEpoch == nil, got.ChemicalLimit == nil, name)
		if w.LimitEpoch != nil {
			require.InDelta(t, *w.LimitEpoch, got.ChemicalLimit.Unix(), 0, name)
		}
	}
}

// The keys people script against.
func TestExposureKeys(t *testing.T) {
	r, _ := exposure(t, exposureDoc(), exposureLog)
	require.Zero(t, r.Exit)
	got, err := json.Marshal(r.Document)
	require.NoError(t, err)
	require.JSONEq(t, `{"minutes_above":{"8":0,"15":0,"25":0},"minutes_below":{"2":0},"freeze_readings":0,"unknown_minutes":0,
		"min_celsius":5,"max_celsius":6,"stability_used":0.01,"beyond_model_minutes":0,"chemical_limit":"2025-11-14T08:00:00-05:00",
		"proposals":[],"rows":{"read":3,"stored":3,"duplicate":0,"conflicting":0,"missing":0,"refused":0},"refused":[]}`, string(got))
	r, _ = exposure(t, exposureDoc(`"points":[{"celsius":5,"hours":100}]`, `"points":[]`), "sensor,at,celsius\n")
	got, err = json.Marshal(r.Document)
	require.NoError(t, err)
	require.JSONEq(t, `{"minutes_above":{"8":0,"15":0,"25":0},"minutes_below":{"2":0},"freeze_readings":0,"unknown_minutes":60,
		"min_celsius":null,"max_celsius":null,"stability_used":null,"beyond_model_minutes":0,"chemical_limit":null,
		"proposals":[{"action":"no_number","why":"no chemical limit can be given: there is no stability data; the temperature is unknown for 60.0 minutes"}],
		"rows":{"read":0,"stored":0,"duplicate":0,"conflicting":0,"missing":0,"refused":0},"refused":[]}`, string(got))
	require.Contains(t, r.Text, "the log has no reading of R1")
	require.Contains(t, r.Text, "no temperature is known")
}

// What a document says in its several forms.
func TestExposureDocument(t *testing.T) {
	at := func(s string) *time.Time {
		x, err := time.Parse(time.RFC3339, s)
		require.NoError(t, err)
		return &x
	}
	for name, c := range map[string]struct {
		doc   string
		limit *time.Time
	}{
		"as it stands, capped by the beyond-use date": {exposureDoc(), at("2025-11-14T08:00:00-05:00")},
		"shorter":                        {exposureDoc(`"hours":100`, `"hours":50`), at("2025-11-12T10:00:00-05:00")},
		"hours with a decimal":           {exposureDoc(`"hours":100`, `"hours":50.5`), at("2025-11-12T10:30:00-05:00")},
		"cut down to the minute":         {exposureDoc(`"hours":100`, `"hours":50.01`), at("2025-11-12T10:00:00-05:00")},
		"in the offset of beyond_use":    {exposureDoc(`"hours":100`, `"hours":50`, "2025-11-14T08:00:00-05:00", "2025-11-14T13:00:00Z"), at("2025-11-12T15:00:00Z")},
		"a beyond-use date with seconds": {exposureDoc("2025-11-14T08:00:00-05:00", "2025-11-14T08:00:42-05:00"), at("2025-11-14T08:00:00-05:00")},
		"stability null":                 {exposureDoc(`{"label_celsius":[2,8],"points":[{"celsius":5,"hours":100}],"activation_kj_per_mol":null}`, "null"), nil},
		"stability left out":             {exposureDoc(`"stability":{"label_celsius":[2,8],"points":[{"celsius":5,"hours":100}],"activation_kj_per_mol":null},`, ""), nil},
		"energy left out":                {exposureDoc(`,"activation_kj_per_mol":null`, ""), at("2025-11-14T08:00:00-05:00")},
		"a place without a sensor":       {exposureDoc(`"sensor":"R1"`, `"assumed_celsius":4.0`), at("2025-11-14T08:00:00-05:00")},
		"the same with a null":           {exposureDoc(`"sensor":"R1"`, `"sensor":null,"assumed_celsius":4e0`), at("2025-11-14T08:00:00-05:00")},
		"warmer than its label":          {exposureDoc(`"label_celsius":[2,8]`, `"label_celsius":[2,5.9994]`), nil},
		"up to it, rounded as it reads":  {exposureDoc(`"label_celsius":[2,8]`, `"label_celsius":[2,5.9995]`), at("2025-11-14T08:00:00-05:00")},
		"a BOM before it":                {"\ufeff" + exposureDoc(), at("2025-11-14T08:00:00-05:00")},
	} {
		r, x := exposure(t, c.doc, exposureLog)
		require.Equal(t, c.limit == nil, x.ChemicalLimit == nil, "%s: %s", name, r.Text)
		if c.limit != nil {
			require.Equal(t, c.limit.Format(time.RFC3339), x.ChemicalLimit.Format(time.RFC3339), name)
		}
		if strings.Contains(name, "seconds") {
			require.Empty(t, x.Proposals, "that is no shortening")
		}
	}
}

// --max-gap, repeats, conflicts, other sensors, refused values.
func TestExposureLog(t *testing.T) {
	r, x := exposure(t, exposureDoc(), exposureLog+"R1,2025-11-10T13:10:00Z,9\nR1,2025-11-10T13:10:00Z,-1\nR2,2025-11-10T13:10:00Z,30\n"+
		"R1,2025-11-10T13:00:00Z,5.0\nR1,2025-11-10T13:20:00Z,warm\n")
	require.Equal(t, templog.Rows{Read: 8, Stored: 4, Duplicate: 1, Conflicting: 2, Refused: 1}, x.Rows)
	require.Equal(t, 3, r.Exit)
	require.Equal(t, 9, x.Refused[0].Line)
	require.Contains(t, r.Text, "REFUSED  line 9")
	require.Equal(t, 1, x.FreezeReadings, "set aside, and counted")
	require.InDelta(t, 6, *x.MaxCelsius, 0, "set aside, and on no line")
	require.Equal(t, thermal.HoldIt, x.Proposals[0].Action)

	_, err := calc.Exposure(strings.NewReader(exposureDoc()), strings.NewReader(exposureLog), calc.ExposureOptions{})
	require.ErrorIs(t, err, calc.ErrMaxGap)
	r, err = calc.Exposure(strings.NewReader(exposureDoc()), strings.NewReader(exposureLog), calc.ExposureOptions{MaxGap: 29 * time.Minute})
	require.NoError(t, err)
	doc, ok := r.Document.(calc.Exposed)
	require.True(t, ok)
	require.InDelta(t, 60, doc.UnknownMinutes, 0)
	_, err = calc.Exposure(strings.NewReader(exposureDoc()), strings.NewReader("a;b\n"), calc.ExposureOptions{MaxGap: time.Minute})
	var wrong *templog.DocumentError
	require.ErrorAs(t, err, &wrong)
	_, err = calc.Exposure(strings.NewReader(exposureDoc()), iotest.ErrReader(os.ErrClosed), calc.ExposureOptions{MaxGap: time.Minute})
	require.ErrorIs(t, err, os.ErrClosed)
	_, err = calc.Exposure(iotest.ErrReader(os.ErrClosed), strings.NewReader(exposureLog), calc.ExposureOptions{MaxGap: time.Minute})
	require.ErrorIs(t, err, os.ErrClosed)
}

// Stays and data that cannot be: exit 3 and every reason.
func TestExposureRefused(t *testing.T) {
	const stays = `[{"sensor":"R1","from":"2025-11-10T08:00:00-05:00","to":"2025-11-10T09:00:00-05:00"}]`
	const points = `[{"celsius":5,"hours":100}]`
	for name, c := range map[string]struct {
		doc string
		why []string
	}{
		"no stays":          {exposureDoc(stays, "[]"), []string{"there are none"}},
		"overlapping stays": {exposureDoc(stays, stays[:len(stays)-1]+`,{"assumed_celsius":20,"from":"2025-11-10T13:59:59Z","to":"2025-11-10T15:00:00Z"}]`), []string{"stays[1] begins before stays[0] ends"}},
		"to is from":        {exposureDoc("T09:00:00-05:00\"}", "T08:00:00-05:00\"}"), []string{"stays[0] ends at or before"}},
		"at before from":    {exposureDoc(`"at":"2025-11-10T09`, `"at":"2025-11-10T07`), []string{`"at" is before the first stay`}},
		"a wrong year":      {exposureDoc(`"at":"2025-11-10T09`, `"at":"2925-11-10T09`), []string{"more than a hundred years"}},
		"hours rise":        {exposureDoc(points, `[{"celsius":5,"hours":100},{"celsius":25,"hours":101}]`), []string{"hours may not rise"}},
		"energy 0":          {exposureDoc(`mol":null`, `mol":0`), []string{"0 kJ/mol, not above 0"}},
		"energy below 0":    {exposureDoc(`mol":null`, `mol":-83.1`), []string{"-83.1 kJ/mol, not above 0"}},
		"energy in J/mol":   {exposureDoc(`mol":null`, `mol":83144`), []string{"is it in J/mol?"}},
		"no hours":          {exposureDoc(`"hours":100`, `"hours":0`), []string{"the time at 5 °C is not above 0"}},
		"allowance below 0": {exposureDoc(`minutes":null`, `minutes":-5`), []string{"allowed_out_minutes is below 0"}},
		"several, all said": {exposureDoc(`minutes":null`, `minutes":-5`, `mol":null`, `mol":-1`, "[2,8]", "[8,2]"), []string{"labelled storage ends at 2 °C", "-1 kJ/mol", "allowed_out_minutes"}},
	} {
		r, err := calc.Exposure(strings.NewReader(c.doc), strings.NewReader(exposureLog), calc.ExposureOptions{MaxGap: time.Hour})
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

// Not the document described: every mistake with its place.
func TestExposureWrongDocument(t *testing.T) {
	for name, c := range map[string]struct {
		doc  string
		says []string
	}{
		"nothing":                 {"", []string{"not a JSON object"}},
		"a key nobody knows":      {exposureDoc(`"at"`, `"until"`), []string{`"until" is not a key`, `"at" is missing`}},
		"one in a stay":           {exposureDoc(`"sensor":"R1"`, `"sensor":"R1","unit":"R"`), []string{`"stays[0].unit" is not a key`}},
		"one in a point":          {exposureDoc(`"celsius":5`, `"kelvin":278`), []string{`"stability.points[0].kelvin" is not a key`, `"stability.points[0].celsius" is missing`}},
		"stays left out":          {exposureDoc(`"stays"`, `"stays_"`), []string{`"stays" is missing`}},
		"stays that are no list":  {exposureDoc(`[{"sensor"`, `{"sensor"`, `}],"beyond_use"`, `},"beyond_use"`), []string{`"stays" must be a list`}},
		"neither":                 {exposureDoc(`"sensor":"R1",`, ""), []string{`stays[0] needs "sensor"`}},
		"both":                    {exposureDoc(`"sensor":"R1"`, `"sensor":"R1","assumed_celsius":4`), []string{"one of the two"}},
		"no name":                 {exposureDoc(`"R1"`, `" "`), []string{`"stays[0].sensor" is empty`}},
		"a temperature in quotes": {exposureDoc(`"sensor":"R1"`, `"assumed_celsius":"4"`), []string{`"stays[0].assumed_celsius" must be a number of °C`}},
		"an absurd one":           {exposureDoc(`"sensor":"R1"`, `"assumed_celsius":400`), []string{"stays[0].assumed_celsius", "beyond -200 to 200 °C"}},
		"no offset":               {exposureDoc("T08:00:00-05:00\",\"to", "T08:00:00\",\"to"), []string{`"stays[0].from" is "2025-11-10T08:00:00", which is no instant`}},
		"half a label":            {exposureDoc("[2,8]", "[8]"), []string{"two ends of the labelled storage"}},
		"hours in quotes":         {exposureDoc(`"hours":100`, `"hours":"100"`), []string{`"stability.points[0].hours" must be a number of hours`}},
		"energy in quotes":        {exposureDoc(`mol":null`, `mol":"83"`), []string{`"stability.activation_kj_per_mol" must be a number`}},
		"an endless allowance":    {exposureDoc(`minutes":null`, `minutes":1e99`), []string{`"allowed_out_minutes" must be a number of minutes up to`}},
		"no freeze limit":         {exposureDoc(`,"freeze_celsius":0`, ""), []string{`"freeze_celsius" is missing`}},
		"several mistakes":        {exposureDoc(`"R1"`, `3`, `"hours":100`, `"hours":[]`), []string{"stays[0].sensor", "stability.points[0].hours"}},
		"Latin-1":                 {exposureDoc("R1", "K\xfchl"), []string{"not UTF-8"}},
		"a log by mistake":        {strings.Repeat(exposureLog, 1<<14), []string{"longer than a megabyte"}},
	} {
		_, err := calc.Exposure(strings.NewReader(c.doc), strings.NewReader(exposureLog), calc.ExposureOptions{MaxGap: time.Hour})
		require.Error(t, err, name)
		for _, s := range c.says {
			require.ErrorContains(t, err, s, name)
		}
	}
}

// A name with an escape sequence does not steer a terminal.
func TestExposureTextIsPlain(t *testing.T) {
	r, _ := exposure(t, exposureDoc(`"R1"`, `"R1\u001b[2J\n"`), exposureLog)
	require.NotContains(t, r.Text, "\x1b")
}

// Whatever comes in: an error that says something, a refusal with reasons, or a document in which nothing lengthens and
// no figure stands on what is not known.
func FuzzExposure(f *testing.F) {
	f.Add(exposureDoc(), exposureLog)
	f.Add(exposureDoc(`mol":null`, `mol":83.144`, `minutes":null`, `minutes":30`), strings.ReplaceAll(exposureLog, ",6", ",16.5"))
	f.Add(exposureDoc(`"sensor":"R1"`, `"assumed_celsius":25`), "sensor,at,fahrenheit\nR1,2025-11-10T08:00:00-0500,31\n")
	f.Add(exposureDoc(`[{"celsius":5,"hours":100}]`, `[{"celsius":25,"hours":1e-9},{"celsius":-100,"hours":2e6}]`), exposureLog)
	f.Add(`{"stays":[null],"stability":{"points":[[]]}}`, "")
	f.Fuzz(func(t *testing.T, doc, log string) {
		r, err := calc.Exposure(strings.NewReader(doc), strings.NewReader(log), calc.ExposureOptions{MaxGap: calc.DefaultMaxGap})
		if err != nil {
			if strings.TrimPrefix(err.Error(), "calc exposure: ") == "" {
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
		case calc.Exposed:
			if problem := unsound(d); problem != "" {
				t.Fatalf("%s: %+v", problem, d)
			}
		default:
			t.Fatalf("%T", r.Document)
		}
	})
}

// unsound says which law an exposure breaks.
func unsound(d calc.Exposed) string {
	rows := d.Rows
	switch {
	case rows.Read != rows.Stored+rows.Duplicate+rows.Conflicting+rows.Missing+rows.Refused:
		return "the classes do not add up"
	case d.UnknownMinutes < 0 || d.BeyondModelMinutes < 0 || d.MinutesAbove.Above25 < 0 || d.MinutesBelow.Below2 < 0:
		return "a time below 0"
	case d.MinutesAbove.Above25 > d.MinutesAbove.Above15 || d.MinutesAbove.Above15 > d.MinutesAbove.Above8:
		return "longer above a warmer limit"
	case (d.MinCelsius == nil) != (d.MaxCelsius == nil) || d.MinCelsius != nil && *d.MinCelsius > *d.MaxCelsius:
		return "no range"
	case d.ChemicalLimit != nil && (d.StabilityUsed == nil || d.UnknownMinutes > 0 || d.BeyondModelMinutes > 0 || d.FreezeReadings > 0):
		return "a chemical limit without a basis"
	case d.ChemicalLimit != nil && d.ChemicalLimit.Second() != 0:
		return "a limit not cut to the minute"
	case d.ChemicalLimit == nil && (len(d.Proposals) == 0 || d.Proposals[len(d.Proposals)-1].Action != thermal.NoNumber):
		return "no number and nobody says so"
	}
	for _, p := range d.Proposals {
		if p.Why == "" {
			return "a proposal without a reason"
		}
	}
	return ""
}

// Per op: a vial of ten days at one reading a minute, the log read and all.
func BenchmarkExposureTenDays(b *testing.B) {
	var log strings.Builder
	log.WriteString("sensor,at,celsius\n")
	at := time.Date(2025, 11, 10, 13, 0, 0, 0, time.UTC)
	for i := range 14_400 {
		fmt.Fprintf(&log, "R1,%s,%.2f\n", at.Add(time.Duration(i)*time.Minute).Format(time.RFC3339), 5+float64(i%500)/100)
	}
	doc := exposureDoc("2025-11-10T09:00:00", "2025-11-20T08:00:00", `{"celsius":5,"hours":100}`, `{"celsius":5,"hours":400},{"celsius":25,"hours":24}`)
	b.SetBytes(int64(log.Len()))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := calc.Exposure(strings.NewReader(doc), strings.NewReader(log.String()), calc.ExposureOptions{MaxGap: calc.DefaultMaxGap}); err != nil {
			b.Fatal(err)
		}
	}
}
