package render_test

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"encoding/xml"
	"io"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/cmd/vialward/internal/render"
)

// opened is a workbook as its own XML says, read without the library that wrote it.
type opened struct {
	sheets  []string // names, in order
	formats []string // number format of each style
	cells   map[string]map[string]xmlCell
}

type xmlCell struct {
	Ref    string `xml:"r,attr"`
	Type   string `xml:"t,attr"`
	Style  int    `xml:"s,attr"`
	Value  string `xml:"v"`
	Inline string `xml:"is>t"`
	F      string `xml:"f"`
}

func open(t testing.TB, file []byte) opened {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	require.NoError(t, err)
	read := func(name string, into any) {
		f, err := z.Open(name)
		require.NoError(t, err)
		text, err := io.ReadAll(f)
		require.NoError(t, err)
		require.NoError(t, xml.Unmarshal(text, into), name)
	}
	var workbook struct {
		Sheets []struct {
			Name string `xml:"name,attr"`
		} `xml:"sheets>sheet"`
	}
	read("xl/workbook.xml", &workbook)
	var styles struct {
		Formats []struct {
			ID   int    `xml:"numFmtId,attr"`
			Code string `xml:"formatCode,attr"`
		} `xml:"numFmts>numFmt"`
		Cells []struct {
			Format int `xml:"numFmtId,attr"`
		} `xml:"cellXfs>xf"`
	}
	read("xl/styles.xml", &styles)
	o := opened{cells: map[string]map[string]xmlCell{}}
	for _, x := range styles.Cells {
		code := ""
		for _, f := range styles.Formats {
			if f.ID == x.Format {
				code = f.Code
			}
		}
		o.formats = append(o.formats, code)
	}
	for i, s := range workbook.Sheets {
		var sheet struct {
			Cells []xmlCell `xml:"sheetData>row>c"`
		}
		read("xl/worksheets/sheet"+strconv.Itoa(i+1)+".xml", &sheet)
		o.sheets = append(o.sheets, s.Name)
		o.cells[s.Name] = map[string]xmlCell{}
		for _, c := range sheet.Cells {
			require.Empty(t, c.F, "a formula")
			o.cells[s.Name][c.Ref] = c
		}
	}
	return o
}

// A workbook opened by another reader has the same cells: numbers as numbers, a date as a date by the site's clock, and
// what looks like a formula as text. 2025-11-12 is day 45973 of spreadsheets (days from 1899-12-30, C).
func TestWorkbook(t *testing.T) {
	t.Parallel()
	at := time.Date(2025, 11, 12, 6, 0, 0, 0, zone(t, "America/New_York"))
	var b bytes.Buffer
	require.NoError(t, render.Workbook(&b, []render.Sheet{
		{"products", []string{"product", "wasted", "rate", "at", "none"}, [][]any{
			{"=1+1", 35, render.Decimal{Value: 0.2692, Format: "0.0%"}, at, nil}, {"µ & <b>", -3, render.Decimal{Value: 24675.05, Format: "#,##0.00"}, at, nil},
		}},
		{"definitions", []string{"word", "meaning"}, nil},
	}))
	o := open(t, b.Bytes())
	require.Equal(t, []string{"products", "definitions"}, o.sheets)
	cells := o.cells["products"]
	text := func(ref string) string { return cells[ref].Inline }
	require.Equal(t, "product", text("A1"))
	require.Equal(t, "=1+1", text("A2"))
	require.Equal(t, "µ & <b>", text("A3"))
	number := func(ref string) float64 {
		require.Contains(t, []string{"", "n"}, cells[ref].Type, ref)
		n, err := strconv.ParseFloat(cells[ref].Value, 64)
		require.NoError(t, err, ref)
		return n
	}
	require.InDelta(t, 35, number("B2"), 0)
	require.InDelta(t, -3, number("B3"), 0)
	require.InDelta(t, 0.2692, number("C2"), 0)
	require.InDelta(t, 24675.05, number("C3"), 0)
	require.InDelta(t, 45973.25, number("D2"), 0)
	require.Equal(t, "yyyy-mm-dd hh:mm", o.formats[cells["D2"].Style])
	require.Equal(t, "0.0%", o.formats[cells["C2"].Style])
	require.Empty(t, cells["E2"].Value+cells["E2"].Inline)
	require.Equal(t, "meaning", o.cells["definitions"]["B1"].Inline)
}

// What is written is read again (RFC 4180), and no cell of ours begins as a formula does.
func TestCSVComesBack(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		word := rapid.StringMatching(`[=+\-@]?[a-z",;' é]{0,12}`)
		var rows [][]string
		for range rapid.IntRange(0, 5).Draw(t, "rows") {
			rows = append(rows, []string{render.Harmless(word.Draw(t, "a")), render.Harmless(word.Draw(t, "b"))})
		}
		var b strings.Builder
		require.NoError(t, render.CSV(&b, []string{"a", "b"}, rows))
		require.Equal(t, strings.Count(b.String(), "\n"), strings.Count(b.String(), "\r\n"))
		back, err := csv.NewReader(strings.NewReader(b.String())).ReadAll()
		require.NoError(t, err)
		require.Equal(t, append([][]string{{"a", "b"}}, rows...), back)
		for _, cell := range back[1:] {
			require.NotRegexp(t, `^[=+\-@]`, cell[0])
		}
	})
	for text, want := range map[string]string{"=SUM(A1)": "'=SUM(A1)", "+1": "'+1", "-2": "'-2", "@x": "'@x", "": "", "a=b": "a=b", "\t=1": "'\t=1"} {
		require.Equal(t, want, render.Harmless(text))
	}
}
