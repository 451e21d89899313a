package templog_test

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"testing"
	"testing/iotest"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/templog"
)

// same reads an input three times, in blocks of 1, 7 and 4096 values and in pieces of one byte: the values, counts and
// reasons are the same, the sum holds (readAll), and an error is the document's.
func same(t *testing.T, text []byte, open func(io.Reader) (*templog.Parser, error)) {
	t.Helper()
	var first got
	for i, block := range []int{1, 7, 4096, 4096} {
		var r io.Reader = bytes.NewReader(text)
		if i == 3 {
			r = iotest.OneByteReader(r)
		}
		p, err := open(r)
		g := readAll(t, p, err, block)
		if g.err != nil {
			var d *templog.DocumentError
			require.ErrorAs(t, g.err, &d)
		}
		if i == 0 {
			first = g
		}
		require.Equal(t, first, g)
	}
}

func FuzzPlain(f *testing.F) {
	addLogs(f, "*.csv")
	f.Add([]byte("sensor,at,celsius\n\"R1\n,2025-11-12T13:30:00Z,\"4.2\"\"\"\r\rR1,2025-11-12T13:30:00Z,4.2\r\nR1,2025-11-12T13:30:00Z,4.3\n"))
	f.Add(append([]byte("sensor,at,celsius\nR1,2025-11-12T13:30:00Z,4.2\n"), bytes.Repeat([]byte("R1,2025-11-12T13:31:00Z,4.2\r\n"), 40)...))
	f.Fuzz(func(t *testing.T, text []byte) {
		plain := func(r io.Reader) (*templog.Parser, error) { return templog.NewParser(r, nil, templog.Options{}) }
		same(t, text, plain)
		p, err := plain(bytes.NewReader(text))
		quick := readAll(t, p, err, 64)
		if p, err = plain(bytes.NewReader(text)); err == nil {
			templog.TableOnly(p)
		}
		require.Equal(t, readAll(t, p, err, 64), quick)
	})
}

func FuzzTable(f *testing.F) {
	f.Add("%d/%m/%Y %H:%M", ";,A-200", uint8(0), []byte("at;A;B\n02/11/2025 01:30;4,5;-200\n02/11/2025 01:00;4;\n;;;,,\n"))
	f.Add("%Y %j %I%p", ",.B", uint8(1), []byte("at,A,B,S\n2025 306 01am,\"4\"\"\",2,R1\n2025 306 1AM,4,2,R1\n"))
	f.Add("epoch", "\t.", uint8(2), []byte("1762954200\t1\t2\n"))
	zones := []*time.Location{time.UTC, zone(f, "America/New_York"), zone(f, "Australia/Lord_Howe"), zone(f, "Antarctica/Troll"), nil}
	f.Fuzz(func(t *testing.T, format, marks string, how uint8, text []byte) {
		l := &templog.Layout{Header: how&2 == 0, Time: cols("1"), TimeFormat: format, Zone: zones[int(how>>4)%len(zones)], Unit: "Cel", Value: cols("2", "3"), Sensor: []string{"A", "B"}}
		if len(marks) > 1 {
			l.Delimiter, l.Decimal, l.Missing = marks[0], marks[1], []string{marks[2:]}
		}
		if how&1 != 0 {
			l.Value, l.Sensor, l.SensorColumn = cols("2"), nil, &templog.Column{Number: 4}
		}
		if how&4 != 0 {
			l.Unit = "[degF]"
		}
		same(t, text, func(r io.Reader) (*templog.Parser, error) { return templog.NewParser(r, l, templog.Options{}) })
	})
}

func FuzzJSON(f *testing.F) {
	f.Add([]byte("{\"sensor\":\"R1\",\"at\":\"2025-11-12T08:30:00-05:00\",\"celsius\":4.2}\n{\"fahrenheit\":46.4}\n"))
	f.Add([]byte(`[{"sensor":"R1","at":"2025-11-12T13:30:00Z","celsius":null,"x":{"y":["]\"}"]}} , 4]`))
	f.Fuzz(func(t *testing.T, text []byte) {
		same(t, text, func(r io.Reader) (*templog.Parser, error) { return templog.NewJSONParser(r, templog.Options{}) })
		same(t, text, func(r io.Reader) (*templog.Parser, error) { return templog.NewNDJSONParser(r, templog.Options{}) })
	})
}

func addLogs(f *testing.F, pattern string) {
	paths, err := filepath.Glob(filepath.Join("../../testdata/logs", pattern))
	require.NoError(f, err)
	require.NotEmpty(f, paths)
	for _, path := range paths {
		text, err := os.ReadFile(path)
		require.NoError(f, err)
		f.Add(text)
	}
}
