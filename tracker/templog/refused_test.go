package templog_test

import (
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/templog"
	"vialward/tracker/thermal"
)

// got is what a log comes to, in a form that is easily compared.
type got struct {
	values  []string // "R1 2025-11-12T13:30:00Z 4.2 line 2"
	rows    templog.Rows
	refused []templog.Refusal
	err     error
}

func readAll(tb testing.TB, p *templog.Parser, err error, block int) (g got) {
	tb.Helper()
	if err != nil {
		return got{err: err}
	}
	buf := make([]templog.Value, block)
	good := int64(0)
	for err == nil {
		var n int
		n, err = p.Next(buf)
		good += int64(n)
		for _, v := range buf[:n] {
			g.values = append(g.values, say(p, v))
		}
	}
	if err != io.EOF {
		g.err = err
	}
	g.rows, g.refused = p.Rows(), p.Refused()
	if err == io.EOF { // the sum is what was read
		require.Equal(tb, g.rows.Read, good+g.rows.Missing+g.rows.Refused)
	}
	return g
}

func say(p *templog.Parser, v templog.Value) string {
	var b strings.Builder
	b.WriteString(p.Sensors()[v.Sensor])
	b.WriteString(time.UnixMicro(v.AtMicros).UTC().Format(" 2006-01-02T15:04:05.999999Z07:00 "))
	b.WriteString(decimal(v.MilliC))
	return b.String()
}

// decimal writes 4200 as 4.2.
func decimal(m thermal.MilliC) string {
	sign := ""
	if m < 0 {
		sign, m = "-", -m
	}
	s := sign + itoa(int(m)/1000)
	if part := int(m) % 1000; part != 0 {
		s += "." + strings.TrimRight(itoa(1000 + part)[1:], "0")
	}
	return s
}

func itoa(n int) string {
	if n < 10 {
		return string(rune('0' + n))
	}
	return itoa(n/10) + string(rune('0'+n%10))
}

func plain(tb testing.TB, text string) got {
	tb.Helper()
	p, err := templog.NewParser(strings.NewReader(text), nil, templog.Options{})
	return readAll(tb, p, err, 3)
}

// What the plain form refuses, value by value, and what it takes beside it. The sentence says what to do.
func TestPlainRefusals(t *testing.T) {
	const good = "R1,2025-11-12T13:30:00Z,4.2\n"
	for _, c := range []struct{ name, row, why string }{
		{"no offset", "R1,2025-11-12T13:30:00,4.2", "has no offset"},
		{"no offset, space", "R1,2025-11-12 13:30:00,4.2", "has no offset"},
		{"day and month the other way round", "R1,12/11/2025 13:30,4.2", "is not a time"},
		{"no such day", "R1,2025-02-29T13:30:00Z,4.2", "is not a time"},
		{"no such month", "R1,2025-13-01T13:30:00Z,4.2", "is not a time"},
		{"no such hour", "R1,2025-11-12T24:00:00Z,4.2", "is not a time"},
		{"no such minute", "R1,2025-11-12T13:60:00Z,4.2", "is not a time"},
		{"a leap second", "R1,2016-12-31T23:59:60Z,4.2", "is not a time"},
		{"offset of hours only", "R1,2025-11-12T13:30:00+01,4.2", "is not a time"},
		{"no seconds", "R1,2025-11-12T13:30Z,4.2", "is not a time"},
		{"a fraction without digits", "R1,2025-11-12T13:30:00.Z,4.2", "is not a time"},
		{"text behind the time", "R1,2025-11-12T13:30:00Zz,4.2", "is not a time"},
		{"the clock of a dead battery", "R1,1969-12-31T23:59:59Z,4.2", "between the years 1970 and 2199"},
		{"a year of four more digits", "R1,2200-01-01T00:00:00Z,4.2", "between the years 1970 and 2199"},
		{"no time", "R1,,4.2", "has no time"},
		{"no sensor", ",2025-11-12T13:30:00Z,4.2", "no sensor is named"},
		{"columns swapped", "R1,4.2,2025-11-12T13:30:00Z", "is not a time"},
		{"sensor and time swapped", "2025-11-12T13:30:00Z,R1,4.2", "is not a time"},
		{"decimal comma", "R1,2025-11-12T13:30:00Z,4,2", "decimal comma"},
		{"decimal comma in quotes", `R1,2025-11-12T13:30:00Z,"4,2"`, "decimal comma"},
		{"absurd", "R1,2025-11-12T13:30:00Z,4200", "beyond -200 to 200"},
		{"a sentinel not said", "R1,2025-11-12T13:30:00Z,-999.9", "beyond -200 to 200"},
		{"text", "R1,2025-11-12T13:30:00Z,n/a", "not a decimal number"},
		{"with its unit", "R1,2025-11-12T13:30:00Z,4.2 C", "not a decimal number"},
		{"not a number", "R1,2025-11-12T13:30:00Z,NaN", "not a decimal number"},
		{"infinite", "R1,2025-11-12T13:30:00Z,Inf", "not a decimal number"},
		{"cut off", "R1,2025-11-12T13:30:00Z", "may be cut off"},
		{"two rows in one", "R1,2025-11-12T13:30:00Z,4.R1,2025-11-12T13:35:00Z,4.3", "more cells than the header"},
		{"a zero byte", "R1,2025-11-12T13:30:00Z,4.\x002", "zero byte"},
		{"a control character", "R\x011,2025-11-12T13:30:00Z,4.2", "control characters"},
		{"a name that is not UTF-8", "R\xff,2025-11-12T13:30:00Z,4.2", "not UTF-8"},
		{"a long name", strings.Repeat("R", 201) + ",2025-11-12T13:30:00Z,4.2", "longer than 200 bytes"},
		{"a long line", "R1,2025-11-12T13:30:00Z,4.2" + strings.Repeat(" ", 64<<10), "longer than 64 kB"},
		{"text behind a quote", `"R1"x,2025-11-12T13:30:00Z,4.2`, "follows the closing quote"},
		{"a quote that never ends", `"R1,2025-11-12T13:30:00Z,4.2`, "does not end within 64 kB"},
	} {
		t.Run(c.name, func(t *testing.T) {
			g := plain(t, "sensor,at,celsius\n"+good+c.row+"\n"+good)
			require.NoError(t, g.err)
			require.Equal(t, templog.Rows{Read: 3, Refused: 1}, g.rows)
			require.Equal(t, []string{"R1 2025-11-12T13:30:00Z 4.2", "R1 2025-11-12T13:30:00Z 4.2"}, g.values)
			require.Equal(t, 3, g.refused[0].Line)
			require.Contains(t, g.refused[0].Why, c.why)
		})
	}
}

// What the plain form takes, in spellings RFC 3339 and RFC 4180 allow, and what it counts as missing or not at all.
func TestPlainTakes(t *testing.T) {
	for _, c := range []struct {
		name, rows, value string
		missing           int64
	}{
		{"an offset", "R1,2025-11-12T08:30:00-05:00,4.2", "R1 2025-11-12T13:30:00Z 4.2", 0},
		{"an offset without colon", "R1,2025-11-12T08:30:00-0500,4.2", "R1 2025-11-12T13:30:00Z 4.2", 0},
		{"over midnight", "R1,2025-12-31T23:30:00-05:00,4.2", "R1 2026-01-01T04:30:00Z 4.2", 0},
		{"small letters", "R1,2025-11-12t13:30:00z,4.2", "R1 2025-11-12T13:30:00Z 4.2", 0},
		{"a space", "R1,2025-11-12 13:30:00Z,4.2", "R1 2025-11-12T13:30:00Z 4.2", 0},
		{"nanoseconds are cut", "R1,2025-11-12T13:30:00.123456999Z,4.2", "R1 2025-11-12T13:30:00.123456Z 4.2", 0},
		{"a leap day", "R1,2024-02-29T23:59:59Z,4.2", "R1 2024-02-29T23:59:59Z 4.2", 0},
		{"quotes and spaces", ` "R 1" , "2025-11-12T13:30:00Z" ," 4.2 "`, "R 1 2025-11-12T13:30:00Z 4.2", 0},
		{"a quote, a comma and a line break in a name", "\"R\"\"1\"\", left\",2025-11-12T13:30:00Z,4.2", `R"1", left 2025-11-12T13:30:00Z 4.2`, 0},
		{"an exponent", "R1,2025-11-12T13:30:00Z,42e-1", "R1 2025-11-12T13:30:00Z 4.2", 0},
		{"half to even", "R1,2025-11-12T13:30:00Z,4.1005", "R1 2025-11-12T13:30:00Z 4.1", 0},
		{"below zero", "R1,2025-11-12T13:30:00Z,-0.001", "R1 2025-11-12T13:30:00Z -0.001", 0},
		{"empty cells behind it", "R1,2025-11-12T13:30:00Z,4.2,,", "R1 2025-11-12T13:30:00Z 4.2", 0},
		{"stray semicolons behind it", "R1,2025-11-12T13:30:00Z,4.2;;;", "R1 2025-11-12T13:30:00Z 4.2", 0},
		{"no value", "R1,2025-11-12T13:30:00Z,", "", 1},
		{"a row without anything", ",,", "", 0},
		{"a row with a sensor only", "R1,,", "", 0},
		{"blank lines", "\n  \n;;;,,\n\n", "", 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, end := range []string{"", "\n", "\r\n", "\r"} {
				text := strings.ReplaceAll("sensor,at,celsius\n"+c.rows, "\n", max(end, "\n"))
				if end == "\r" {
					text = strings.ReplaceAll("sensor,at,celsius\n"+c.rows, "\n", "\r")
				}
				g := plain(t, text+end)
				require.NoError(t, g.err)
				require.Empty(t, g.refused)
				require.Equal(t, c.missing, g.rows.Missing)
				require.Equal(t, c.value, strings.Join(g.values, "|"))
			}
		})
	}
}

// An input that is not the document described ends with a sentence that says what it seems to be.
func TestNotTheDocument(t *testing.T) {
	const row = "R1,2025-11-12T13:30:00Z,4.2\n"
	utf16 := "\xff\xfes\x00e\x00n\x00s\x00o\x00r\x00"
	for _, c := range []struct{ name, text, why string }{
		{"empty", "", "the file is empty"},
		{"a mark alone", "\xef\xbb\xbf", "the file ends before its header"},
		{"no header", row + row, "this is not the plain form"},
		{"semicolons", "sensor;at;celsius\nR1;2025-11-12T13:30:00Z;4.2\n", `separated by ";": say so in a layout, delimiter = ";"`},
		{"tabs", "sensor\tat\tcelsius\n", `delimiter = "\t"`},
		{"no unit", "sensor,at,value\n" + row, `"celsius (or fahrenheit)" missing, found "sensor", "at", "value"`},
		{"two units", "sensor,at,celsius,fahrenheit\n", "leave one column out"},
		{"a column twice", "sensor,at,at,celsius\n", `names "at" twice`},
		{"UTF-16 with its mark", utf16, "UTF-16"},
		{"UTF-16 without", utf16[2:] + ",\x00", "zero bytes"},
		{"UTF-16, the other end first", "\xfe\xff\x00s", "UTF-16"},
		{"a workbook", "PK\x03\x04\x14\x00\x06\x00", "spreadsheet"},
		{"an old workbook", "\xd0\xcf\x11\xe0\xa1\xb1", "spreadsheet"},
		{"compressed", "\x1f\x8b\x08\x00", "unpack"},
		{"a page of the web", "<!DOCTYPE html>\n<html></html>\n", "this is not the plain form"},
	} {
		t.Run(c.name, func(t *testing.T) {
			g := plain(t, c.text)
			var d *templog.DocumentError
			require.ErrorAs(t, g.err, &d)
			require.Contains(t, d.Error(), c.why)
		})
	}
}

// 46.4 °F is 8 °C and must not be a warm reading; 46 °F is 7.778. Source: °C = (°F - 32) x 5/9, exact (R).
func TestFahrenheitIsExact(t *testing.T) {
	g := plain(t, "sensor,at,fahrenheit\nR1,2025-11-12T13:30:00Z,46.4\nR1,2025-11-12T13:31:00Z,46\nR1,2025-11-12T13:32:00Z,32\nR1,2025-11-12T13:33:00Z,-40.00\n")
	require.NoError(t, g.err)
	require.Equal(t, []string{
		"R1 2025-11-12T13:30:00Z 8", "R1 2025-11-12T13:31:00Z 7.778", "R1 2025-11-12T13:32:00Z 0", "R1 2025-11-12T13:33:00Z -40",
	}, g.values)
}

// A header's columns are found by their names, whatever their order and whatever stands beside them.
func TestPlainColumnsByName(t *testing.T) {
	g := plain(t, "\xef\xbb\xbf\"at\",battery,\"celsius\",sensor\r\n2025-11-12T13:30:00Z,3.1,4.2,R1\r\n")
	require.NoError(t, g.err)
	require.Equal(t, []string{"R1 2025-11-12T13:30:00Z 4.2"}, g.values)
}

// A quoted cell that never ends spoils its own line, not the 64 kB behind it.
func TestUnclosedQuoteLosesOneLine(t *testing.T) {
	var b strings.Builder
	b.WriteString("sensor,at,celsius\nR1,\"2025-11-12T13:30:00Z,4.2\n")
	const rows = 5000 // far more than 64 kB
	for range rows {
		b.WriteString("R1,2025-11-12T13:31:00Z,4.2\n")
	}
	g := plain(t, b.String())
	require.NoError(t, g.err)
	require.Equal(t, templog.Rows{Read: rows + 1, Refused: 1}, g.rows)
	require.Equal(t, 2, g.refused[0].Line)
}

// Lines are counted as an editor counts them, quoted line breaks and long lines included.
func TestLineNumbers(t *testing.T) {
	for _, end := range []string{"\n", "\r\n", "\r"} {
		text := strings.Join([]string{
			"sensor,at,celsius", "\"two", "lines\",2025-11-12T13:30:00Z,4.2", strings.Repeat("x", 3<<20), "", "R1,bad,4.2", "R1,2025-11-12T13:30:00Z,bad", "",
		}, end)
		p, err := templog.NewParser(strings.NewReader(text), nil, templog.Options{})
		require.NoError(t, err)
		g := readAll(t, p, err, 8)
		require.NoError(t, g.err)
		require.Len(t, g.refused, 4)
		require.Contains(t, g.refused[0].Why, "control characters") // a line break in a sensor's name
		for i, line := range []int{2, 4, 6, 7} {
			require.Equal(t, line, g.refused[i].Line, "%q", end)
		}
	}
}

// noise gives pseudo-random bytes for as long as it is read, and counts them.
type noise struct {
	state uint32
	read  int
	limit int
	mask  byte
}

func (n *noise) Read(b []byte) (int, error) {
	if n.read >= n.limit {
		return 0, io.EOF
	}
	for i := range b {
		n.state = n.state*1664525 + 1013904223 // Numerical Recipes' linear congruential generator (M)
		b[i] = byte(n.state>>24) | n.mask
	}
	n.read += len(b)
	return len(b), nil
}

// 100 MB of noise ends after a few blocks: at its header, or, behind a header that is right, after 1,000 rows.
func TestNoiseEndsEarly(t *testing.T) {
	for name, head := range map[string]string{"from the first byte": "", "behind a header": "sensor,at,celsius\n"} {
		n := &noise{limit: 100 << 20}
		p, err := templog.NewParser(io.MultiReader(strings.NewReader(head), n), nil, templog.Options{})
		g := readAll(t, p, err, 4096)
		var d *templog.DocumentError
		require.ErrorAs(t, g.err, &d, name)
		require.Less(t, n.read, 4<<20, name)
	}
	p, err := templog.NewNDJSONParser(&noise{limit: 100 << 20}, templog.Options{})
	require.ErrorContains(t, readAll(t, p, err, 4096).err, "not one of the first 1000 rows could be read")
	p, err = templog.NewJSONParser(io.MultiReader(strings.NewReader("["), &noise{limit: 100 << 20}), templog.Options{})
	require.ErrorContains(t, readAll(t, p, err, 4096).err, "this is not JSON")
}

// A line of megabytes is one refused row, one that goes on for longer ends the log; neither costs memory to speak of.
func TestLongLines(t *testing.T) {
	for _, x := range []struct {
		megabytes int
		ends      bool
	}{{3, false}, {5, true}, {100, true}} {
		n := &noise{limit: x.megabytes << 20, mask: 0x20} // no line break, no zero byte
		p, err := templog.NewParser(io.MultiReader(strings.NewReader("sensor,at,celsius\n"), n, strings.NewReader("\nR1,2025-11-12T13:30:00Z,4.2\n")), nil, templog.Options{})
		g := readAll(t, p, err, 16)
		if x.ends {
			require.ErrorContains(t, g.err, "line 2: the line goes on for more than 4 MB")
			require.Less(t, n.read, 8<<20)
			continue
		}
		require.NoError(t, g.err)
		require.Equal(t, templog.Rows{Read: 2, Refused: 1}, g.rows)
		require.Equal(t, 2, g.refused[0].Line)
	}
}

// repeat gives a text over and over, so many bytes of it or some more, and counts them.
type repeat struct {
	text        string
	at          int
	read, limit int
}

func (r *repeat) Read(b []byte) (n int, err error) {
	if r.read >= r.limit {
		return 0, io.EOF
	}
	for n < len(b) {
		c := copy(b[n:], r.text[r.at:])
		n, r.at = n+c, (r.at+c)%len(r.text)
	}
	r.read += n
	return n, nil
}

// Where nothing useful can follow, reading stops: at once where nothing good came before, a little later where something
// did; what came before is then sound and added up, and it is known where the rest begins. What stands behind a stretch
// that is not as long is still taken.
func TestWhereReadingStops(t *testing.T) {
	const (
		good = "R1,2025-11-12T13:30:00Z,4.2\n"
		json = `{"sensor":"R1","at":"2025-11-12T13:30:00Z","celsius":4.2}` + "\n"
	)
	wide := strings.Repeat(" ", 60)
	plain := func(r io.Reader) (*templog.Parser, error) { return templog.NewParser(r, nil, templog.Options{}) }
	layout := func(r io.Reader) (*templog.Parser, error) {
		l := templog.Layout{Delimiter: ';', SkipLines: 1, Header: true, Time: []templog.Column{{Name: "t"}}, Value: []templog.Column{{Name: "v"}}, Sensor: []string{"A"}, TimeFormat: "%Y-%m-%d %H:%M", Unit: "Cel", Zone: time.UTC}
		return templog.NewParser(r, &l, templog.Options{})
	}
	lines := func(r io.Reader) (*templog.Parser, error) { return templog.NewNDJSONParser(r, templog.Options{}) }
	array := func(r io.Reader) (*templog.Parser, error) { return templog.NewJSONParser(r, templog.Options{}) }
	for name, x := range map[string]struct {
		open       func(io.Reader) (*templog.Parser, error)
		head, good string
		fill       string
		say        string
		early      int // megabytes read where nothing good came before
		late       int // where something did; 0 = refused whole then too
		bearable   int // megabytes of it that are passed over; 0 = none
	}{
		"a line without end":             {plain, "", "", "a", "line 1: the line goes on for more than 4 MB", 6, 0, 0},
		"a row without end":              {plain, "sensor,at,celsius\n", good, "1", "the line goes on for more than 4 MB", 6, 6, 2},
		"fields without end":             {plain, "sensor,at,celsius\n", good, ",1", "the line goes on for more than 4 MB", 6, 6, 2},
		"a quote without end":            {plain, "sensor,at,celsius\n", good + "\"", "1" + wide + ",\n", "MB before this line hold no value", 3, 18, 14},
		"lines without anything":         {plain, "sensor,at,celsius\n", good, wide + "\n", "MB before this line hold no value", 3, 18, 14},
		"rows that are none":             {plain, "sensor,at,celsius\n", good, "a,bad,1\n", "could be read", 2, 3, 0},
		"a skipped line without end":     {layout, "", "", "x", "the line goes on for more than 4 MB", 6, 0, 0},
		"empty rows of a sheet":          {layout, "made by a sheet\nt;v\n", "2025-11-12 13:30;4.2\n", ";" + wide + "\n", "MB before this line hold no value", 3, 18, 14},
		"blank lines of JSON":            {lines, "", json, wide + "\n", "MB before this line hold no value", 3, 18, 14},
		"objects that are none, by line": {lines, "", json, "{}\n", "could be read", 2, 3, 0},
		"a blank without end":            {array, " ", "[" + json, " ", "nothing but blanks for more than 1 MB", 3, 0, 0},
		"a blank behind the array":       {array, "[" + json + "]", "", "\n", "nothing but blanks for more than 1 MB", 3, 0, 0},
	} {
		endless := &repeat{text: x.fill, limit: 200 << 20}
		p, err := x.open(io.MultiReader(strings.NewReader(x.head), endless))
		g := readAll(t, p, err, 4096)
		require.ErrorContains(t, g.err, x.say, name)
		var d *templog.DocumentError
		require.ErrorAs(t, g.err, &d)
		require.False(t, d.Sound, "%s: nothing was good", name)
		require.Less(t, endless.read, x.early<<20, name)
		if x.good == "" {
			continue
		}

		endless = &repeat{text: x.fill, limit: 200 << 20}
		p, err = x.open(io.MultiReader(strings.NewReader(x.head+x.good), endless))
		g = readAll(t, p, err, 4096)
		require.ErrorContains(t, g.err, x.say, name)
		require.ErrorAs(t, g.err, &d)
		require.Equal(t, x.late > 0, d.Sound, name)
		require.Len(t, g.values, 1, name)
		require.Less(t, endless.read, max(x.late, x.early)<<20, name)
		if line, at := p.At(); x.late > 0 {
			require.Equal(t, d.Line, line, name)
			text := x.head + x.good + strings.Repeat(x.fill, int(at)/len(x.fill)+1)
			require.Equal(t, line-1, strings.Count(text[:at], "\n"), "%s: the line begins at byte %d", name, at)
			require.Greater(t, endless.read, x.bearable<<20, name)
		}

		if x.bearable > 0 {
			some := &repeat{text: x.fill, limit: x.bearable << 20}
			p, err = x.open(io.MultiReader(strings.NewReader(x.head+x.good), some, strings.NewReader("\n"+strings.Trim(x.good, `"`))))
			g = readAll(t, p, err, 4096)
			require.NoError(t, g.err, name)
			require.Len(t, g.values, 2, name)
		}
	}
}

// Of many refusals 10,000 are listed; the last entry says how many more and from which line, and the count stays exact.
func TestManyRefusals(t *testing.T) {
	const bad = 12_000
	text := "sensor,at,celsius\nR1,2025-11-12T13:30:00Z,4.2\n" + strings.Repeat("R1,yesterday,4.2\n", bad)
	g := plain(t, text)
	require.NoError(t, g.err)
	require.Equal(t, templog.Rows{Read: bad + 1, Refused: bad}, g.rows)
	require.Len(t, g.refused, 10_001)
	require.Equal(t, templog.Refusal{Line: 10_003, Why: "2000 more values were refused from this line on; only the first 10000 are listed"}, g.refused[10_000])
}

// A log with values missing from its start is a log; one with its first good value behind 1,000 refused ones is not
// read that far.
func TestWhenALogIsGivenUp(t *testing.T) {
	empty := strings.Repeat("R1,2025-11-12T13:30:00Z,\n", 2000)
	g := plain(t, "sensor,at,celsius\n"+empty+"R1,bad,1\n")
	require.NoError(t, g.err)
	require.Equal(t, templog.Rows{Read: 2001, Missing: 2000, Refused: 1}, g.rows)
	g = plain(t, "sensor,at,celsius\n"+strings.Repeat("R1,bad,1\n", 999)+"R1,2025-11-12T13:30:00Z,1\n"+strings.Repeat("R1,bad,1\n", 999))
	require.NoError(t, g.err)
	require.Equal(t, int64(1998), g.rows.Refused)
	g = plain(t, "sensor,at,celsius\n"+strings.Repeat("R1,bad,1\n", 1000)+"R1,2025-11-12T13:30:00Z,1\n")
	require.ErrorContains(t, g.err, `line 2: not one of the first 1000 rows could be read; of the first of them: "bad" is not a time`)
}

// More sensors than a log can have are refused, so that a hostile one does not fill the memory with names.
func TestManySensors(t *testing.T) {
	var b strings.Builder
	b.WriteString("sensor,at,celsius\n")
	for i := range 10_010 {
		b.WriteString("S" + itoa(i) + ",2025-11-12T13:30:00Z,4.2\n")
	}
	g := plain(t, b.String())
	require.NoError(t, g.err)
	require.Equal(t, int64(10), g.rows.Refused)
	require.Contains(t, g.refused[0].Why, "one sensor more than the 10,000")
}

type failing struct{ after io.Reader }

func (f failing) Read(b []byte) (int, error) {
	n, err := f.after.Read(b)
	if err == io.EOF {
		err = io.ErrClosedPipe
	}
	return n, err
}

// A reader that fails is not the end of the log: what came before is given out, then the error.
func TestReaderFails(t *testing.T) {
	p, err := templog.NewParser(failing{strings.NewReader("sensor,at,celsius\n" + strings.Repeat("R1,2025-11-12T13:30:00Z,4.2\n", 10_000))}, nil, templog.Options{})
	require.NoError(t, err)
	g := readAll(t, p, err, 100)
	require.ErrorIs(t, g.err, io.ErrClosedPipe)
	require.ErrorContains(t, g.err, "reading the log at line")
	_, err = templog.NewParser(failing{strings.NewReader("sensor,")}, nil, templog.Options{})
	require.ErrorIs(t, err, io.ErrClosedPipe)
}

// A sensor whose name has a comma or begins with a quote stands in quotes; the same bytes without them are another row.
func TestNamesThatNeedQuotes(t *testing.T) {
	const at = ",2025-11-12T13:30:00Z,4.2\n"
	pad := strings.Repeat("R1"+at, 20)
	g := plain(t, "sensor,at,celsius\n\"a,b\""+at+"a,b"+at+"\"\"\"c\""+at+"\"c"+at+pad)
	require.NoError(t, g.err)
	require.Equal(t, []int{3, 5}, []int{g.refused[0].Line, g.refused[1].Line})
	require.Equal(t, templog.Rows{Read: 24, Refused: 2}, g.rows)
}

// Two sensors in turn, with every spelling of an offset, over the start of a block: nothing is lost between the quick
// way and the table's.
func TestSensorsInTurn(t *testing.T) {
	var b strings.Builder
	b.WriteString("sensor,at,celsius\n")
	const rows = 60_000
	for i := range rows {
		b.WriteString([]string{
			"R1,2025-11-12T13:30:00Z,4.2\n", "R2,2025-11-12T08:30:00-05:00,4.2\r\n", "\"R1\",2025-11-12T08:30:00-0500,4.2\n", "R2,2025-11-12T13:30:00.0Z, 4.2\n",
			"R3,2025-11-12T14:30:00+01:00,4.2000\n",
		}[i%5])
	}
	g := plain(t, b.String())
	require.NoError(t, g.err)
	require.Equal(t, templog.Rows{Read: rows}, g.rows)
	for i, v := range g.values {
		require.Equal(t, []string{"R1", "R2", "R1", "R2", "R3"}[i%5]+" 2025-11-12T13:30:00Z 4.2", v)
	}
}
