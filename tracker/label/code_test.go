package label_test

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/stretchr/testify/require"

	"vialward/tracker/label"
)

// Documentation examples of standards that use ISO/IEC 7064 MOD 97-10: testdata/label/check_digits.tsv (M).
func TestCheckDigitsAgainstOtherStandards(t *testing.T) {
	text, err := os.ReadFile("../../testdata/label/check_digits.tsv")
	require.NoError(t, err)
	n := 0
	for _, row := range strings.Split(strings.TrimSpace(string(text)), "\n") {
		if strings.HasPrefix(row, "#") {
			continue
		}
		c := strings.Split(row, "\t")
		require.Equal(t, c[1], label.CheckDigits(c[0]), row)
		n++
	}
	require.Equal(t, 2, n)
}

func TestCodesAsPeopleTypeThem(t *testing.T) {
	require.Equal(t, "251110-2-07-93", label.Code("251110-2", 7))
	for _, typed := range []string{
		"251110-2-07-93", " 251110 2 07 93\r\n", "2511102" + "0793", "251110-2-0793", "251110.2.07.93", "251110_2/07-93",
		"25111O-2-o7-93", "25IIlO-2-07-93", "251110–2–07–93", "2511102 0793",
	} {
		got, err := label.CheckCode(typed)
		require.NoError(t, err, typed)
		require.Equal(t, "251110-2-07-93", got, typed)
	}
	c, err := label.ParseCode(label.Code("251110-9", 207))
	require.NoError(t, err)
	require.Equal(t, label.VialCode{Batch: label.BatchCode{Year: 2025, Month: time.November, Day: 10, Number: 9}, Serial: 207}, c)
}

func TestMistypedCodesGetASentence(t *testing.T) {
	for typed, say := range map[string]string{
		"251110-2-08-93":                     "a digit is wrong",
		"251110-2-07-94":                     "a digit is wrong",
		"251101-2-07-93":                     "a digit is wrong",
		"251110-7-02-93":                     "a digit is wrong",
		"251110-2-70-93":                     "a digit is wrong",
		"251110-2-07":                        "check digits are missing",
		"251110207":                          "check digits are missing",
		"251110-20-7-93":                     "reads like",
		"251110-2":                           "reads like",
		"251310-2-07-93":                     "reads like", // no month 13
		"251110-0-07-93":                     "reads like",
		"251110-2-00-93":                     "reads like",
		"251110-2-007-93":                    "reads like",
		"251110-12-207-93":                   "reads like", // the tenth batch and later have at most 99
		"":                                   "reads like",
		"---":                                "reads like",
		"vancomycin":                         "reads like",
		"251110-2-07-9-3":                    "reads like",
		"251110-2-07-93-93":                  "reads like",
		"251110-+2-07-93":                    "reads like",
		"25111é-2-07-93":                     "reads like",
		"251110-2-+7-93":                     "reads like",
		strings.Repeat("251110-2-07-93", 40): "reads like",
	} {
		_, err := label.CheckCode(typed)
		require.ErrorIs(t, err, label.ErrNotACode, typed)
		require.ErrorContains(t, err, say, typed)
		require.Less(t, len(err.Error()), 300)
	}
	_, err := label.CheckCode("251110-2-08-93")
	require.NotContains(t, err.Error(), label.Code("251110-2", 8), "the right digits are never named: someone would type them in")
}

// Every code of a day's first eleven batches: without its check digits it never passes for anything, with them and
// without hyphens it is itself or, where another code reads the same, refused.
func TestCodesWithoutHyphensOrCheckDigits(t *testing.T) {
	twoWays := 0
	for n := 1; n <= 11; n++ {
		batch := fmt.Sprintf("251110-%d", n)
		for serial := 1; serial <= 999; serial++ {
			if n > 9 && serial > 99 {
				break
			}
			code := label.Code(batch, serial)
			bare := code[:len(code)-3]
			for _, typed := range []string{bare, strings.ReplaceAll(bare, "-", ""), strings.Replace(bare, "-", "", 1)} {
				_, err := label.CheckCode(typed)
				require.ErrorContains(t, err, "missing", typed)
			}
			got, err := label.CheckCode(strings.ReplaceAll(code, "-", ""))
			if err != nil {
				require.ErrorContains(t, err, "two ways", code)
				twoWays++
				continue
			}
			require.Equal(t, code, got)
		}
	}
	require.LessOrEqual(t, twoWays, 9*999/50, "about one in 97 of those with two readings")
}

// Every single wrong digit and every swap of two neighbouring digits is found (ISO/IEC 7064, and tried here).
func TestEveryTypingErrorIsFound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		code := drawCode(t).String()
		for i := range len(code) {
			if code[i] == '-' {
				continue
			}
			for r := '0'; r <= '9'; r++ {
				wrong := code[:i] + string(r) + code[i+1:]
				_, err := label.CheckCode(wrong)
				require.Equal(t, wrong == code, err == nil, "%s for %s", wrong, code)
			}
			next := i + 1
			if next < len(code) && code[next] == '-' {
				next++
			}
			if next < len(code) && code[next] != code[i] {
				swapped := []byte(code)
				swapped[i], swapped[next] = swapped[next], swapped[i]
				_, err := label.CheckCode(string(swapped))
				require.Error(t, err, "%s for %s", swapped, code)
			}
		}
	})
}

func drawCode(t *rapid.T) label.VialCode {
	day := time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, rapid.IntRange(0, 20_000).Draw(t, "day"))
	b, err := label.NewBatchCode(day.Year(), day.Month(), day.Day(), rapid.IntRange(1, 20).Draw(t, "batch"))
	require.NoError(t, err)
	most := 999
	if b.Number > 9 {
		most = 99
	}
	c, err := label.NewCode(b, rapid.IntRange(1, most).Draw(t, "vial"))
	require.NoError(t, err)
	return c
}

func TestBatchCodes(t *testing.T) {
	b, err := label.NewBatchCode(2025, time.November, 10, 2)
	require.NoError(t, err)
	require.Equal(t, "251110-2", b.String())
	back, err := label.ParseBatchCode(" 25111o 2 ")
	require.NoError(t, err)
	require.Equal(t, b, back)
	for _, s := range []string{"", "251110", "251110-0", "251110-02", "251110-100", "251131-1", "250229-1", "2511-1", "251110-2-07", "251110-x", "25111+-1"} {
		_, err := label.ParseBatchCode(s)
		require.ErrorContains(t, err, "is not a batch code", s)
	}
	_, err = label.NewBatchCode(2100, time.January, 1, 1)
	require.Error(t, err)
	_, err = label.NewCode(b, 1000)
	require.ErrorContains(t, err, "from 1 to 999")
	_, err = label.NewBatchCode(2025, time.November, 10, 100)
	require.ErrorContains(t, err, "from 1 to 99")
	b.Number = 10
	_, err = label.NewCode(b, 100)
	require.ErrorContains(t, err, "from 1 to 99")
	_, err = label.NewCode(label.BatchCode{}, 1)
	require.Error(t, err)
	require.Panics(t, func() { label.Code("251110", 1) })
	require.Panics(t, func() { label.Code("251110-1", 0) })
}

func TestReadTellsCodesApart(t *testing.T) {
	c, err := label.ParseCode("251110-2-07-93")
	require.NoError(t, err)
	e := label.VialElements("09506000134352", c, 2)
	list, err := e.List()
	require.NoError(t, err)
	scanned, err := label.Encode(list)
	require.NoError(t, err)
	require.Equal(t, "0109506000134352"+"10251110-2\x1d"+"912\x1d"+"2107", scanned)

	for _, s := range []string{scanned, "]d2" + scanned + "\r\n"} {
		code, got, err := label.Read(s, 2026)
		require.NoError(t, err)
		require.Equal(t, "251110-2-07-93", code)
		require.Equal(t, e, got)
	}
	code, got, err := label.Read(" 251110-2-07-93\n", 2026) // (251) is an identifier too
	require.NoError(t, err)
	require.Equal(t, "251110-2-07-93", code)
	require.Zero(t, got)
	_, _, err = label.Read("251110-2-07-94", 2026)
	require.ErrorIs(t, err, label.ErrNotACode)

	for _, lot := range []string{"A1B2", "251110-02", "25111O-2"} { // a maker's pack, whatever its lot looks like
		code, got, err = label.Read("(01)09506000134352(10)"+lot+"(21)7", 2026)
		require.NoError(t, err)
		require.Empty(t, code)
		require.Equal(t, lot, got.Lot)
	}
	for _, serial := range []string{"X", "0", "1000", "7", "007"} {
		code, _, err = label.Read("(01)09506000134352(10)251110-2(21)"+serial, 2026)
		require.NoError(t, err)
		require.Empty(t, code)
	}
	_, _, err = label.Read("]d2", 2026)
	require.ErrorContains(t, err, "empty")
}

func FuzzParseCode(f *testing.F) {
	f.Add("251110-2-07-93")
	f.Add("2511102" + "0793")
	f.Add("25111O 12 O7 l1")
	f.Fuzz(func(t *testing.T, s string) {
		c, err := label.ParseCode(s)
		if err != nil {
			return
		}
		again, err := label.ParseCode(c.String())
		if err != nil || again != c {
			t.Fatalf("%q is %v, which reads back as %v (%v)", s, c, again, err)
		}
	})
}
