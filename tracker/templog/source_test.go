package templog

import (
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// cells of a text, row by row; a row that is refused is "!" and its reason.
func cellsOf(t *testing.T, text string, delimiter byte) (rows [][]string) {
	t.Helper()
	s := newSource(strings.NewReader(text))
	require.NoError(t, s.start())
	for {
		cells, _, f, err := s.nextRow(delimiter)
		if err == io.EOF {
			return rows
		}
		require.NoError(t, err)
		if f.why != "" {
			rows = append(rows, []string{"!", f.why})
			continue
		}
		var row []string
		for _, c := range cells {
			row = append(row, string(c))
		}
		rows = append(rows, row)
	}
}

// Quoting as RFC 4180 has it, and what people's programs make of it.
func TestRows(t *testing.T) {
	const broken = "text follows the closing quote of a cell: a quote inside a quoted cell is written twice"
	const open = "a quoted cell begins in this line and does not end within 64 kB"
	for text, want := range map[string][][]string{
		"a,b\nc,d":                {{"a", "b"}, {"c", "d"}},
		"a,b\r\nc,d\r\n":          {{"a", "b"}, {"c", "d"}},
		"a,b\rc,d\r":              {{"a", "b"}, {"c", "d"}},
		"a\n\rb":                  {{"a"}, {""}, {"b"}},
		"\xef\xbb\xbf\"a\",b\n":   {{"a", "b"}},
		"\xef\xbb\xbfa,b":         {{"a", "b"}},
		`"a,b","c""d",""`:         {{"a,b", `c"d`, ""}},
		`""""`:                    {{`"`}},
		`"",""""""`:               {{"", `""`}},
		"\"a\nb\",c\nd":           {{"a\nb", "c"}, {"d"}},
		"\"a\r\nb\"\r\nd":         {{"a\r\nb"}, {"d"}},
		"\"a\rb\"\rd":             {{"a\rb"}, {"d"}},
		`a"b,c" d`:                {{`a"b`, `c" d`}},
		` "a" , "b"`:              {{"a", "b"}},
		"\"a\",\n":                {{"a", ""}},
		"\"a\"x,b\nc":             {{"!", broken}, {"c"}},
		"\"a\"\"b\"c\nd":          {{"!", broken}, {"d"}},
		"a,\"b\nc,d\n":            {{"!", open}, {"c", "d"}},
		"\"a\"\"":                 {{"!", open}},
		"a,\"b\nc,\"d\"\n":        {{"!", broken}, {"c", "d"}},
		"a\x00b\nc":               {{"!", "the line has a zero byte in it: the file is damaged here"}, {"c"}},
		"\"a\n\x00\",b\nc":        {{"!", "the row has a zero byte in it: the file is damaged here"}, {"!", "the line has a zero byte in it: the file is damaged here"}, {"c"}},
		strings.Repeat(",", 1000): {make([]string, 1001)},
	} {
		require.Equal(t, want, cellsOf(t, text, ','), "%.60q", text)
	}
	require.Equal(t, [][]string{{"a", " b "}, {"c", ""}}, cellsOf(t, "a\t b \n\"c\"\t", '\t'))
}

// Rows of every length around the bounds of a block and of the longest row, with each line ending, come out whole.
func TestRowsAcrossBlocks(t *testing.T) {
	for _, end := range []string{"\n", "\r\n", "\r"} {
		for _, quoted := range []bool{false, true} {
			for _, n := range []int{1, firstBlock - 2, firstBlock - 1, firstBlock, longestRow - 3, longestRow - 2, longestRow, longestRow + 1, block - 1, block, block + 1, 2 * block} {
				long := strings.Repeat("x", n)
				if quoted {
					long = `"` + long + `"`
				}
				rows := cellsOf(t, strings.Repeat("ab,c"+end, 3)+long+end+"d,e"+end, ',')
				require.Len(t, rows, 5)
				require.Equal(t, []string{"d", "e"}, rows[4])
				if len(long) > longestRow {
					require.Equal(t, "!", rows[3][0], n)
				} else {
					require.Len(t, rows[3][0], n)
				}
			}
		}
	}
}

// Published CSV vectors with the JSON they stand for: csv-spectrum, BSD-2-Clause (R), where VIALWARD_DATA points to a
// copy. Its location_coordinates.json has another telephone number than its CSV, a slip of the set; the rest is compared.
func TestPublishedCSVVectors(t *testing.T) {
	dir := os.Getenv("VIALWARD_DATA")
	if dir == "" {
		t.Log("VIALWARD_DATA is not set: the published CSV vectors were not compared")
		return
	}
	paths, err := filepath.Glob(filepath.Join(dir, "csv", "*.csv"))
	require.NoError(t, err)
	require.Len(t, paths, 12)
	for _, path := range paths {
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		want, err := os.ReadFile(strings.TrimSuffix(path, ".csv") + ".json")
		require.NoError(t, err)
		var objects []map[string]string
		if want[0] == '{' { // a single row
			want = append(append([]byte("["), want...), ']')
		}
		require.NoError(t, json.Unmarshal(want, &objects), path)
		rows := cellsOf(t, string(text), ',')
		require.Len(t, rows, len(objects)+1, path)
		for i, object := range objects {
			require.Len(t, rows[i+1], len(object), path)
			for j, name := range rows[0] {
				if name != "Contact Phone Number" {
					require.Equal(t, object[name], rows[i+1][j], path)
				}
			}
		}
	}
}
