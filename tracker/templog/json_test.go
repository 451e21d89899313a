package templog_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/tracker/templog"
)

// An object's values, or why it is refused, alike in both JSON forms.
func TestJSONObjects(t *testing.T) {
	for _, c := range []struct{ object, want string }{
		{`{"sensor":"R1","at":"2025-11-12T08:30:00-05:00","celsius":4.2}`, "R1 2025-11-12T13:30:00Z 4.2"},
		{` { "celsius" : -0.5e0 , "battery":{"volts":[3.1,"}]"]} , "at":"2025-11-12T13:30:00Z", "sensor":"R1" } `, "R1 2025-11-12T13:30:00Z -0.5"},
		{`{"sensor":"R1","at":"2025-11-12T13:30:00Z","fahrenheit":46.4}`, "R1 2025-11-12T13:30:00Z 8"},
		{`{"sensor":"R\"1\"\u00e9","at":"2025-11-12T13:30:00Z","celsius":4}`, `R"1"é 2025-11-12T13:30:00Z 4`},
		{`{"sensor":"R1","at":"2025-11-12T13:30:00Z","celsius":null}`, "missing"},
		{`{"sensor":"R1","at":"2025-11-12T13:30:00Z"}`, "neither celsius nor fahrenheit"},
		{`{"sensor":"R1","at":"2025-11-12T13:30:00Z","celsius":4,"fahrenheit":40}`, "both celsius and fahrenheit"},
		{`{"sensor":"R1","at":"2025-11-12T13:30:00Z","celsius":4,"celsius":5}`, `the key "celsius" is there twice`},
		{`{"sensor":"R1","at":"2025-11-12T13:30:00Z","celsius":"4"}`, "is not a number"},
		{`{"sensor":"R1","at":"2025-11-12T13:30:00Z","celsius":true}`, "is not a number"},
		{`{"sensor":"R1","at":"2025-11-12T13:30:00Z","celsius":[4]}`, "is not a number"},
		{`{"sensor":"R1","at":"2025-11-12T13:30:00Z","celsius":850}`, "beyond -200 to 200"},
		{`{"sensor":"R1","at":"2025-11-12T13:30:00","celsius":4}`, "has no offset"},
		{`{"sensor":"R1","at":1762954200,"celsius":4}`, "1762954200\" is not text in quotes"},
		{`{"sensor":"R1","celsius":4}`, "no time is given"},
		{`{"at":"2025-11-12T13:30:00Z","celsius":4}`, "no sensor is named"},
		{`{"sensor":"","at":"2025-11-12T13:30:00Z","celsius":4}`, "no sensor is named"},
		{`{"sensor":"R\u00001","at":"2025-11-12T13:30:00Z","celsius":4}`, "control characters"},
		{"{\"sensor\":\"R\xff\",\"at\":\"2025-11-12T13:30:00Z\",\"celsius\":4}", "not UTF-8"},
		{`{"sensor":7,"at":"2025-11-12T13:30:00Z","celsius":4}`, "is not text in quotes"},
		{`{}`, "neither celsius nor fahrenheit"},
		{`[1,2]`, "not one JSON object"},
		{`4.2`, "not one JSON object"},
		{`"R1"`, "not one JSON object"},
		{`null`, "not one JSON object"},
	} {
		t.Run(c.object, func(t *testing.T) {
			const good = `{"sensor":"R0","at":"2025-11-12T13:30:00Z","celsius":1}`
			p, err := templog.NewJSONParser(strings.NewReader("\xef\xbb\xbf [\n"+good+","+c.object+"\r\n,"+good+"]\n"), templog.Options{})
			array := readAll(t, p, err, 2)
			p, err = templog.NewNDJSONParser(strings.NewReader(good+"\r\n"+c.object+"\n\n"+good), templog.Options{})
			lines := readAll(t, p, err, 2)
			for _, g := range []got{array, lines} {
				require.NoError(t, g.err)
				require.Equal(t, int64(3), g.rows.Read)
				switch {
				case c.want == "missing":
					require.Equal(t, int64(1), g.rows.Missing)
				case strings.HasPrefix(c.want, "R"):
					require.Equal(t, c.want, g.values[1])
				default:
					require.Len(t, g.values, 2)
					require.Equal(t, 2, g.refused[0].Line)
					require.Contains(t, g.refused[0].Why, c.want)
				}
			}
			if len(array.refused) > 0 {
				require.True(t, strings.HasPrefix(array.refused[0].Why, "value 2: "))
			}
		})
	}
}

// A line that is not JSON is one refused value; the next line is read.
func TestNDJSONGoesOn(t *testing.T) {
	const good = `{"sensor":"R0","at":"2025-11-12T13:30:00Z","celsius":1}`
	for _, bad := range []string{`{"sensor":"R0"`, good + good, good + ",", `{"sensor":"R0,"at":1}`, "\x00", "{'sensor':'R0'}", strings.Repeat(" ", 1<<17) + good} {
		p, err := templog.NewNDJSONParser(strings.NewReader(good+"\n"+bad+"\n"+good+"\n"), templog.Options{})
		g := readAll(t, p, err, 2)
		require.NoError(t, g.err)
		require.Equal(t, templog.Rows{Read: 3, Refused: 1}, g.rows)
		require.Equal(t, 2, g.refused[0].Line)
	}
}

// An array that is not JSON to its end is not the document described, wherever it breaks.
func TestJSONArrayBreaks(t *testing.T) {
	const good = `{"sensor":"R0","at":"2025-11-12T13:30:00Z","celsius":1}`
	for text, why := range map[string]string{
		"":                               "the file is empty",
		" \n ":                           "the input is empty",
		good:                             "the input is not an array",
		"sensor,at,celsius\n":            "the input is not an array",
		"[" + good:                       "behind 1 values the array does not end",
		"[" + good + ",":                 "behind 1 values this is not JSON",
		"[" + good + ",]":                "behind 1 values this is not JSON",
		"[" + good + "\n" + good + "]":   "line 2: behind 1 values a comma or the closing bracket is missing",
		"[" + good + "]\n\nx":            "line 3: behind 1 values text follows the closing bracket",
		"[" + good + "][" + good + "]":   "text follows the closing bracket",
		"[{]":                            "this is not JSON",
		"[{'sensor':'R0'}]":              "this is not JSON",
		"[," + good + "]":                "this is not JSON",
		"[" + strings.Repeat(" ", 1<<18): "the array does not end",
		"[\"" + strings.Repeat("x", 1<<17) + "\"]": "one element is longer than 64 kB",
		"[" + strings.Repeat("[", 1<<17):           "this is not JSON, or one element is longer than 64 kB",
	} {
		p, err := templog.NewJSONParser(strings.NewReader(text), templog.Options{})
		g := readAll(t, p, err, 2)
		var d *templog.DocumentError
		require.ErrorAs(t, g.err, &d, text)
		require.Contains(t, d.Error(), why)
	}
	p, err := templog.NewJSONParser(strings.NewReader(" [ ]\n"), templog.Options{})
	g := readAll(t, p, err, 2)
	require.NoError(t, g.err)
	require.Equal(t, templog.Rows{}, g.rows)
}
