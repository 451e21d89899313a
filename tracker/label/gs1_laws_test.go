package label_test

import (
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/stretchr/testify/require"

	"vialward/tracker/label"
	"vialward/tracker/walltime"
)

func drawElements(t *rapid.T) label.Elements {
	text := rapid.StringMatching(`[!-"%-?A-Z_a-z]{0,20}`) // the 82 characters
	digits := rapid.StringMatching(`[0-9]{13}`).Draw(t, "gtin")
	c, err := label.CheckDigit(digits)
	require.NoError(t, err)
	e := label.Elements{
		GTIN: digits + string(c), Lot: text.Draw(t, "lot"), Serial: text.Draw(t, "serial"),
		Label: rapid.IntRange(0, 99).Draw(t, "label"),
	}
	day := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, rapid.IntRange(0, 27_000).Draw(t, "day"))
	if rapid.Bool().Draw(t, "expires") {
		e.Expires = label.Date{Year: day.Year(), Month: day.Month(), Day: day.Day()}
	}
	if rapid.Bool().Draw(t, "bud") {
		e.BUD = walltime.Of(day.Add(time.Duration(rapid.IntRange(0, 1439).Draw(t, "minute"))*time.Minute), time.UTC)
	}
	return e
}

// What is printed is what is read, in both forms.
func TestElementsRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := drawElements(t)
		list, err := e.List()
		require.NoError(t, err)
		scanned, err := label.Encode(list)
		require.NoError(t, err)
		human, err := label.Human(list)
		require.NoError(t, err)
		for _, form := range []string{scanned, "]d2" + scanned, human} {
			back, err := label.Parse(form, 2026)
			require.NoError(t, err, "%q", form)
			require.Equal(t, e, back, "%q", form)
		}
	})
}

// A BUD printed and read back is the same minute, or an hour early in the repeated hour; never late.
func TestBUDRoundTripIsNeverLate(t *testing.T) {
	zones := []string{"America/New_York", "Europe/Berlin", "America/Santiago", "Pacific/Apia", "Australia/Lord_Howe", "UTC"}
	rapid.Check(t, func(t *rapid.T) {
		zone, err := time.LoadLocation(rapid.SampledFrom(zones).Draw(t, "zone"))
		require.NoError(t, err)
		bud := time.Unix(rapid.Int64Range(1_700_000_000, 2_000_000_000).Draw(t, "bud"), 0)
		back, err := label.ResolveBUD(label.BUDWall(bud, zone), zone)
		require.NoError(t, err)
		require.False(t, back.After(bud))
		require.Less(t, bud.Sub(back), time.Hour+time.Minute)
	})
}

func FuzzParse(f *testing.F) {
	f.Add(vector)
	f.Add("]d2" + vector)
	f.Add(`(01)09506000134352(10)A\(1(21)7`)
	f.Add("1726110010A\x1d")
	f.Fuzz(func(t *testing.T, s string) {
		list, err := label.ParseElements(s)
		if err != nil {
			return
		}
		for name, write := range map[string]func([]label.Element) (string, error){"scanned": label.Encode, "human": label.Human} {
			out, err := write(list)
			if err != nil {
				t.Fatalf("%s: read %q but cannot write it: %v", name, s, err)
			}
			again, err := label.ParseElements(out)
			if err != nil || len(again) != len(list) {
				t.Fatalf("%s: %q became %q: %v", name, s, out, err)
			}
			for i := range list {
				if list[i] != again[i] {
					t.Fatalf("%s: %q became %q", name, s, out)
				}
			}
		}
		if e, err := label.Parse(s, 2026); err == nil && e.BUD != (walltime.Wall{}) && walltime.Resolve(e.BUD, time.UTC).Kind != walltime.Plain {
			t.Fatalf("%q has a date and time that is none: %+v", s, e.BUD)
		}
	})
}

// data opens a table of the reference data, or says in one line that there is none: the checks over it are extra.
func data(t *testing.T, name string) [][]string {
	t.Helper()
	folder := os.Getenv("VIALWARD_DATA")
	if folder == "" {
		t.Log("VIALWARD_DATA is not set: no extra check against " + name)
		return nil
	}
	text, err := os.ReadFile(filepath.Join(folder, name))
	require.NoError(t, err)
	var rows [][]string
	for _, line := range strings.Split(strings.TrimSuffix(string(text), "\n"), "\n")[1:] {
		rows = append(rows, strings.Split(line, "\t"))
	}
	return rows
}

// unescape undoes the C escapes of the tables.
func unescape(t *testing.T, s string) string {
	t.Helper()
	out, err := strconv.Unquote(`"` + strings.ReplaceAll(strings.ReplaceAll(s, `\"`, `"`), `"`, `\"`) + `"`)
	require.NoError(t, err, s)
	return out
}

// The element strings of the GS1 syntax engine's own tests (Apache-2.0), as far as their identifiers are known here.
func TestReferenceElementStrings(t *testing.T) {
	rows := data(t, "gs1/element_strings.tsv")
	taken, refused := 0, 0
	for _, r := range rows {
		in := unescape(t, r[2])
		if r[0] == "processAIdata" {
			if r[1] == "false" && in != "" && in[0] != '^' {
				continue // theirs asks for FNC1 in front; a scanner's keyboard mode leaves it out
			}
			in = strings.ReplaceAll(in, "^", label.GS)
		}
		list, err := label.ParseElements(in)
		if r[1] == "false" {
			require.Error(t, err, "%q", in)
			refused++
			continue
		}
		if errors.Is(err, label.ErrUnknownIdentifier) {
			continue
		}
		require.NoError(t, err, "%q", in)
		taken++
		if r[0] == "parseAIdata" {
			out, err := label.Encode(list)
			require.NoError(t, err)
			require.Equal(t, r[3], "^"+strings.ReplaceAll(out, label.GS, "^"))
		}
	}
	if rows != nil {
		require.Greater(t, taken, 10)
		require.Greater(t, refused, 40)
	}
}

// The linters of the GS1 syntax dictionary (Apache-2.0) for what our identifiers hold.
func TestReferenceLinters(t *testing.T) {
	rows := data(t, "gs1/linters.tsv")
	wrap := map[string]func(string) string{
		"yymmd0": func(v string) string { return "(17)" + v },
		"yymmdd": func(v string) string { return "(7003)" + v + "0000" },
		"hhmi":   func(v string) string { return "(7003)261130" + v },
		"cset82": func(v string) string { return "(10)" + strings.ReplaceAll(v, "(", `\(`) },
	}
	octal := regexp.MustCompile(`\\x[0-9A-Fa-f]{2}`)
	checked := map[string]int{}
	for _, r := range rows {
		into, ok := wrap[r[0]]
		value := r[2]
		if !ok || (value == "" && r[1] == "PASS") || octal.MatchString(value) || strings.Contains(value, `""`) {
			continue
		}
		if value = unescape(t, value); r[0] == "cset82" && len(value) > 20 {
			continue
		}
		_, err := label.ParseElements(into(value))
		if r[1] == "PASS" {
			require.NoError(t, err, "%s %q", r[0], value)
		} else {
			require.Error(t, err, "%s %q", r[0], value)
		}
		checked[r[0]]++
	}
	if rows != nil {
		require.Len(t, checked, len(wrap))
		for name, n := range checked {
			require.Greater(t, n, 30, name)
		}
	}
}

// A label of ours is read the same whatever a scanner makes of its separators: as sent, replaced, or swallowed.
func TestOwnLabelWithoutSeparators(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		batch, err := label.NewBatchCode(2025, time.Month(rapid.IntRange(1, 12).Draw(t, "month")), rapid.IntRange(1, 28).Draw(t, "day"), rapid.IntRange(1, 99).Draw(t, "batch"))
		require.NoError(t, err)
		code, err := label.NewCode(batch, rapid.IntRange(1, 99).Draw(t, "serial"))
		require.NoError(t, err)
		e := label.VialElements("09506000134352", code, rapid.IntRange(0, 99).Draw(t, "label"))
		e.BUD = walltime.Wall{Year: 2025, Month: 12, Day: rapid.IntRange(1, 31).Draw(t, "ends"), Hour: rapid.IntRange(0, 23).Draw(t, "hour")}
		list, err := e.List()
		require.NoError(t, err)
		sent, err := label.Encode(list)
		require.NoError(t, err)
		for _, instead := range []string{label.GS, "|", "~", "^", "{GS}", "<GS>", ""} {
			got, x, err := label.Read(strings.ReplaceAll(sent, label.GS, instead), 2025)
			require.NoError(t, err, "%q", instead)
			require.Equal(t, code.String(), got, "%q", instead)
			require.Equal(t, e.Label, x.Label)
			require.Equal(t, e.BUD, x.BUD)
		}
		got, x, err := label.Read(label.Own(code.String(), max(1, e.Label)), 2025)
		require.NoError(t, err)
		require.Equal(t, code.String(), got)
		require.Equal(t, max(1, e.Label), x.Label)
	})
	for _, s := range []string{"251110-2-07-93#0", "251110-2-07-93#100", "251110-2-07-93#x", "251110-2-07-93#"} {
		_, _, err := label.Read(s, 2025)
		require.Error(t, err, s)
	}
}
