package label_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/label"
	"vialward/tracker/walltime"
)

// Check digits of the GS1 General Specifications and national guides (R).
func TestCheckDigits(t *testing.T) {
	for digits, want := range map[string]byte{"629104150021": '3', "730001100001": '7', "890400021003": '7'} {
		got, err := label.CheckDigit(digits)
		require.NoError(t, err)
		require.Equal(t, string(want), string(got), digits)
	}
	for _, s := range []string{"", "62910415002x", "-1"} {
		_, err := label.CheckDigit(s)
		require.Error(t, err, s)
	}
}

const vector = "0109506000134352" + "70032611301430\x1d" + "10A1B2\x1d" + "210007"

var vectorElements = label.Elements{
	GTIN: "09506000134352", BUD: walltime.Wall{Year: 2026, Month: time.November, Day: 30, Hour: 14, Minute: 30},
	Lot: "A1B2", Serial: "0007",
}

// (01)09506000134352(7003)2611301430(10)A1B2(21)0007: written out by hand from the General Specifications (C). (7003)
// is closed by FNC1 although its length is fixed (R).
func TestVectorBothWays(t *testing.T) {
	list, err := vectorElements.List()
	require.NoError(t, err)
	s, err := label.Encode(list)
	require.NoError(t, err)
	require.Equal(t, vector, s)
	human, err := label.Human(list)
	require.NoError(t, err)
	require.Equal(t, "(01)09506000134352(7003)2611301430(10)A1B2(21)0007", human)

	for _, form := range []string{vector, "]d2" + vector, "]C1" + vector, "\x1d" + vector, "]d2\x1d" + vector, vector + "\x1d", human,
		strings.Replace(vector, "7003", "\x1d7003", 1)} {
		e, err := label.Parse(form, 2026)
		require.NoError(t, err, "%q", form)
		require.Equal(t, vectorElements, e)
	}
}

// Without FNC1 after (7003) the lot would be read as a part of it: that must not pass.
func TestDateAndTimeNeedsItsSeparator(t *testing.T) {
	_, err := label.Parse(strings.Replace(vector, "1430\x1d", "1430", 1), 2026)
	require.ErrorContains(t, err, "(7003) takes exactly 10 characters")
}

// An expiry with day 00 is the last of its month (R).
func TestDayZeroIsTheLastOfTheMonth(t *testing.T) {
	for value, want := range map[string]label.Date{
		"280200": {2028, time.February, 29}, "270200": {2027, time.February, 28}, "261200": {2026, time.December, 31},
		"260430": {2026, time.April, 30},
	} {
		e, err := label.Parse("(17)"+value, 2026)
		require.NoError(t, err)
		require.Equal(t, want, e.Expires, value)
	}
}

// The century of a two-digit year: 49 years back, 50 ahead (General Specifications: M).
func TestCentury(t *testing.T) {
	for _, c := range []struct {
		value string
		this  int
		year  int
	}{{"760101", 2026, 2076}, {"770101", 2026, 1977}, {"250101", 2026, 2025}, {"100101", 2060, 2110}, {"110101", 2060, 2011}, {"990101", 2049, 2099}, {"990101", 2048, 1999}} {
		e, err := label.Parse("(17)"+c.value, c.this)
		require.NoError(t, err)
		require.Equal(t, c.year, e.Expires.Year, "%+v", c)
	}
}

func TestUnreadableCodes(t *testing.T) {
	for name, c := range map[string]struct{ in, say string }{
		"nothing":                  {"", "empty"},
		"only a prefix":            {"]d2", "empty"},
		"only FNC1":                {"\x1d", "empty"},
		"a DataMatrix without":     {"]d1251110-2-07-93", "not GS1 data"},
		"unknown identifier":       {"8912", "unknown GS1 application identifier"},
		"wrong check digit":        {"0109506000134353", "check digit"},
		"cut off":                  {"01095060001343", "cut off"},
		"letter in a GTIN":         {"01095060001343X2", "digits only"},
		"lot empty":                {"10\x1d210007", "takes 1 to 20 characters, not 0"},
		"lot too long":             {"10123456789012345678901", "not 21"},
		"lot with a space":         {"10A B", `cannot hold " "`},
		"month 13":                 {"17261301", "month 13"},
		"30 February":              {"17260230", "day 30"},
		"day 00 with a time":       {"70032611001430", "day 00"},
		"month 00 with a time":     {"70032600011430", "month 00"},
		"24 o'clock":               {"70032611302400", "time 24:00"},
		"minute 60":                {"70032611301460", "time 14:60"},
		"two lots":                 {"10A\x1d10B", "stands there twice"},
		"bracket open":             {"(10", "not closed"},
		"bracket with nothing":     {"()12", "unknown GS1 application identifier"},
		"brackets, then separator": {"(10)A\x1d(21)B", "cannot hold"},
		"leap day out of century":  {"(17)000229", "day 29"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := label.Parse(c.in, 2101) // where 00 is 2100, no leap year
			require.ErrorContains(t, err, c.say)
		})
	}
	_, err := label.Parse("8912", 2026)
	require.ErrorIs(t, err, label.ErrUnknownIdentifier)
}

func TestRepeatedElementAndOthersAreKept(t *testing.T) {
	e, err := label.Parse("10A\x1d10A\x1d1125111291X7\x1d240PACK\x1d21S", 2026)
	require.NoError(t, err)
	require.Equal(t, label.Elements{Lot: "A", Serial: "S", Other: []label.Element{{"11", "251112"}, {"91", "X7"}, {"240", "PACK"}}}, e)
	e, err = label.Parse("(91)3(10)A\\(1", 2026)
	require.NoError(t, err)
	require.Equal(t, label.Elements{Label: 3, Lot: "A(1"}, e)
}

func TestListRefusals(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*label.Elements)
		say    string
	}{
		"no GTIN":          {func(e *label.Elements) { e.GTIN = "" }, "needs the product's GTIN"},
		"eleven digits":    {func(e *label.Elements) { e.GTIN = "12345678901" }, "not 11"},
		"wrong check":      {func(e *label.Elements) { e.GTIN = "09506000134353" }, "check digit"},
		"lot with a space": {func(e *label.Elements) { e.Lot = "251110 2" }, "(10) cannot hold"},
		"no such day":      {func(e *label.Elements) { e.BUD.Day = 31 }, "(7003)"},
		"unknown other":    {func(e *label.Elements) { e.Other = []label.Element{{"89", "1"}} }, "unknown"},
	} {
		t.Run(name, func(t *testing.T) {
			e := vectorElements
			c.change(&e)
			_, err := e.List()
			require.ErrorContains(t, err, c.say)
		})
	}
	_, err := label.Encode([]label.Element{{"17", "991399"}})
	require.Error(t, err)
	_, err = label.Human([]label.Element{{"17", "991399"}})
	require.Error(t, err)
	short := label.Elements{GTIN: "6291041500213", Expires: label.Date{Year: 2027, Month: time.March, Day: 1}, Label: 2}
	list, err := short.List()
	require.NoError(t, err)
	require.Equal(t, []label.Element{{"01", "06291041500213"}, {"17", "270301"}, {"91", "2"}}, list)
}

// On the night the clocks go back, 01:30 is read as the first of the two: an hour early, never late. New York
// 2026-11-01 and the skipped 02:30 of 2026-03-08 (tz database, C).
func TestBUDAtAClockChange(t *testing.T) {
	ny, err := time.LoadLocation("America/New_York")
	require.NoError(t, err)
	first := time.Date(2026, 11, 1, 5, 30, 0, 0, time.UTC)
	second := first.Add(time.Hour)
	require.Equal(t, label.BUDWall(first, ny), label.BUDWall(second.Add(59*time.Second), ny))
	for _, bud := range []time.Time{first, second} {
		back, err := label.ResolveBUD(label.BUDWall(bud, ny), ny)
		require.NoError(t, err)
		require.True(t, back.Equal(first))
	}
	for _, w := range []walltime.Wall{{Year: 2026, Month: 3, Day: 8, Hour: 2, Minute: 30}, {Year: 2026, Month: 2, Day: 30}} {
		_, err = label.ResolveBUD(w, ny)
		require.ErrorIs(t, err, label.ErrNoSuchTime)
	}
}
