package config_test

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/config"
	"vialward/tracker/templog"
)

const logs = "../../../../testdata/logs"

// One series of two sensors, over the hour that comes twice in New York on 2 Nov 2025, written in each form a log can
// have: each gives the same readings. See testdata/README.md.
func TestEveryFormGivesTheSameReadings(t *testing.T) {
	want, err := os.ReadFile(filepath.Join(logs, "readings.tsv"))
	require.NoError(t, err)
	lines := strings.Split(strings.TrimSpace(string(want)), "\n")[1:]
	slices.Sort(lines)
	forms, err := filepath.Glob(filepath.Join(logs, "*"))
	require.NoError(t, err)
	read := 0
	for _, path := range forms {
		if strings.HasSuffix(path, ".toml") || strings.HasSuffix(path, "readings.tsv") {
			continue
		}
		read++
		t.Run(filepath.Base(path), func(t *testing.T) {
			f, err := os.Open(path)
			require.NoError(t, err)
			defer f.Close()
			p, err := open(f, path)
			require.NoError(t, err)
			got := readings(t, p)
			slices.Sort(got)
			require.Equal(t, lines, got)
			require.Equal(t, templog.Rows{Read: int64(len(lines)) + 1, Missing: 1}, p.Rows())
			require.Empty(t, p.Refused())
		})
	}
	require.Equal(t, 9, read)
}

// open reads a log by its name: with the layout beside it, if there is one.
func open(f io.Reader, path string) (*templog.Parser, error) {
	layout, err := config.ReadLayout(strings.TrimSuffix(path, filepath.Ext(path)) + ".toml")
	switch {
	case err == nil:
		return templog.NewParser(f, &layout, templog.Options{})
	case !errors.Is(err, os.ErrNotExist):
		return nil, err
	case filepath.Ext(path) == ".json":
		return templog.NewJSONParser(f, templog.Options{})
	case filepath.Ext(path) == ".ndjson":
		return templog.NewNDJSONParser(f, templog.Options{})
	}
	return templog.NewParser(f, nil, templog.Options{})
}

func readings(t *testing.T, p *templog.Parser) (all []string) {
	t.Helper()
	buf := make([]templog.Value, 7)
	for {
		n, err := p.Next(buf)
		for _, v := range buf[:n] {
			celsius := strconv.FormatFloat(float64(v.MilliC)/1000, 'f', -1, 64)
			all = append(all, p.Sensors()[v.Sensor]+"\t"+time.UnixMicro(v.AtMicros).UTC().Format(time.RFC3339)+"\t"+celsius)
		}
		if err == io.EOF {
			return all
		}
		require.NoError(t, err)
	}
}

const sound = `time = "at"
time_format = "%Y-%m-%d %H:%M"
zone = "America/New_York"
unit = "Cel"
value = "T"
`

// Every mistake of a layout is listed with its line and what to do.
func TestLayoutMistakes(t *testing.T) {
	for _, c := range []struct{ name, text, why string }{
		{"not TOML", "time = \n", "line 1: this is not TOML"},
		{"an unknown key", sound + "timezone = \"UTC\"\n", `line 6: timezone: there is no key "timezone" in a layout`},
		{"a slip of the pen", sound + "skip_line = 2\n", `line 6: skip_line: there is no key "skip_line" in a layout; did you mean "skip_lines"?`},
		{"a table", sound + "[columns]\ntime = 1\n", `line 6: columns: there is no key`},
		{"a number for text", strings.Replace(sound, `"Cel"`, `1`, 1), "line 4: unit: write it in quotes"},
		{"empty text", strings.Replace(sound, `"Cel"`, `""`, 1), "line 4: unit: it is empty"},
		{"another unit", strings.Replace(sound, `"Cel"`, `"C"`, 1), `line 4: unit: the unit is "Cel" or "[degF]", not "C"`},
		{"no such zone", strings.Replace(sound, "New_York", "New_Cork", 1), `line 3: zone: "America/New_Cork" is no zone`},
		{"this machine's zone", strings.Replace(sound, "America/New_York", "Local", 1), `line 3: zone: "Local" is no zone`},
		{"an offset beyond all zones", strings.Replace(sound, "America/New_York", "+25:00", 1), `line 3: zone: "+25:00" is no zone`},
		{"no time", strings.Replace(sound, `time = "at"`, "", 1), "time: say which columns hold the time"},
		{"no time format", strings.Replace(sound, `time_format = "%Y-%m-%d %H:%M"`, "", 1), "time_format: say how times are written"},
		{"no value", strings.Replace(sound, `value = "T"`, "", 1), "value: say which columns hold the temperatures"},
		{"a directive that is none", strings.Replace(sound, "%M", "%Q", 1), `line 2: time_format: "%Q" is not a directive`},
		{"no hour", strings.Replace(sound, " %H:%M", "", 1), "line 2: time_format: it has no hour"},
		{"no year", strings.Replace(sound, "%Y-", "", 1), "line 2: time_format: it has no year"},
		{"an hour up to 12 alone", strings.Replace(sound, "%H", "%I", 1), "line 2: time_format: %I, the hour up to 12, needs %p"},
		{"a long delimiter", sound + "delimiter = \"tab\"\n", `line 6: delimiter: it is one character, such as "," or ";" or "\t"`},
		{"a quote as delimiter", sound + "delimiter = '\"'\n", "line 6: delimiter: the delimiter is one character"},
		{"another decimal mark", sound + "decimal = \"'\"\n", `line 6: decimal: the decimal mark is "." or ","`},
		{"lines below none", sound + "skip_lines = -1\n", "line 6: skip_lines: -1 is not a number of lines"},
		{"text for a number", sound + "skip_lines = \"2\"\n", "line 6: skip_lines: write a whole number"},
		{"text for yes or no", sound + "header = \"no\"\n", "line 6: header: write true or false"},
		{"a name without a header", sound + "header = false\n", `line 5: value: column "T" is given by its name, but the log has no header: give its number from 1`},
		{"numbers, and a header or not", "time = 1\ntime_format = \"epoch\"\nunit = \"Cel\"\nvalue = 2\nsensor = \"R1\"\n", "header: all columns are given by number"},
		{"column 0", sound + "sensor_column = 0\n", "line 6: sensor_column: 0 is no column"},
		{"two names for one column", sound + "sensor = [\"R1\", \"R2\"]\n", "line 6: sensor: 2 names for 1 value columns"},
		{"both ways to name a sensor", sound + "sensor = \"R1\"\nsensor_column = \"S\"\n", "line 6: sensor: give either sensor or sensor_column"},
		{"two columns of one sensor", strings.Replace(sound, `"T"`, `["T", "U"]`, 1) + "sensor = [\"R1\", \"R1\"]\n", `line 6: sensor: "R1" is there twice`},
		{"a date as column", sound + "sensor_column = 2025-11-02\n", "line 6: sensor_column: a column is given by its name"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := config.ParseLayout("fridge.toml", []byte(c.text))
			var d *templog.DocumentError
			require.ErrorAs(t, err, &d)
			require.Contains(t, d.Error(), "layout fridge.toml: ")
			require.Contains(t, d.Error(), c.why)
		})
	}
	_, err := config.ParseLayout("fridge.toml", []byte("header = 1\nunit = 2\nsorted = true\n"))
	for _, line := range []string{"line 1: header: ", "line 2: unit: ", "line 3: sorted: "} {
		require.ErrorContains(t, err, line, "all mistakes are listed at once")
	}
	// Those of form and those of meaning together, each once, and nothing that only follows from another.
	_, err = config.ParseLayout("fridge.toml", []byte("header = \"yes\"\ntime = 1\ntime_format = \"%Q\"\nvalue = [true]\nunit = \"F\"\nzone = \"Mars\"\ndecimal = \"x\"\nsensor = \"R1\"\n"))
	require.Error(t, err)
	said := regexp.MustCompile(`line (\d+): `).FindAllStringSubmatch(err.Error(), -1)
	var lines []string
	for _, m := range said {
		lines = append(lines, m[1])
	}
	require.Equal(t, []string{"1", "3", "4", "5", "6", "7"}, lines, "%v", err)
}

// A sound layout comes out as written, with the usual delimiter and decimal mark where none are named.
func TestSoundLayout(t *testing.T) {
	l, err := config.ParseLayout("fridge.toml", []byte(sound+"missing = [-200, \"NA\", 85.5]\nsensor = \"R1\"\nskip_lines = 3\n"))
	require.NoError(t, err)
	require.Equal(t, "America/New_York", l.Zone.String())
	l.Zone = nil
	require.Equal(t, templog.Layout{
		SkipLines: 3, Header: true, Time: []templog.Column{{Name: "at"}}, TimeFormat: "%Y-%m-%d %H:%M", Unit: "Cel",
		Value: []templog.Column{{Name: "T"}}, Sensor: []string{"R1"}, Missing: []string{"-200", "NA", "85.5"},
	}, l)
}

func TestZone(t *testing.T) {
	for name, seconds := range map[string]int{
		"UTC": 0, "-05:00": -18000, "+0530": 19800, "+1": 3600, "UTC-5": -18000, "GMT+01:00": 3600, "EST": -18000, "Etc/GMT+5": -18000,
		"Asia/Kathmandu": 20700, "-03:30": -12600, "+14:00": 50400,
	} {
		z, err := config.Zone(name)
		require.NoError(t, err, name)
		_, got := time.Unix(1762000000, 0).In(z).Zone()
		require.Equal(t, seconds, got, name)
	}
	for _, name := range []string{"", "Local", "local", "+", "-5:0", "+15:00", "+1:60", "+-1", "+00 :1", "UTC+", "Mars/Olympus", "../etc/passwd"} {
		_, err := config.Zone(name)
		require.Error(t, err, name)
	}
}

// FuzzLayout: whatever the text, a layout or a *DocumentError; and a layout that is taken can be parsed with.
func FuzzLayout(f *testing.F) {
	f.Add(sound, "at,T\n2025-11-02 01:30,4.2\n2025-11-02 01:00,4.2\n2025-11-02 02:00,4.3\n")
	tomls, err := filepath.Glob(filepath.Join(logs, "*.toml"))
	require.NoError(f, err)
	for _, path := range tomls {
		text, err := os.ReadFile(path)
		require.NoError(f, err)
		f.Add(string(text), "Date;Time;R1;RH;R2,,\n02/11/2025;01.30.00;4,5;1;-200;,\n")
	}
	f.Fuzz(func(t *testing.T, text, log string) {
		l, err := config.ParseLayout("x", []byte(text))
		var d *templog.DocumentError
		if err != nil {
			require.ErrorAs(t, err, &d)
			return
		}
		p, err := templog.NewParser(strings.NewReader(log), &l, templog.Options{Unit: l.Unit, Zone: time.UTC})
		good, buf := int64(0), make([]templog.Value, 3)
		for err == nil {
			var n int
			n, err = p.Next(buf)
			good += int64(n)
		}
		if err != io.EOF {
			require.ErrorAs(t, err, &d)
			return
		}
		require.Equal(t, p.Rows().Read, good+p.Rows().Missing+p.Rows().Refused)
	})
}
