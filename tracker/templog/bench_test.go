package templog_test

import (
	"bytes"
	"fmt"
	"io"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/templog"
)

// written is a log of n readings a minute apart: a head, and a row each of sensor, time in a zone, and value.
func written(head, row string, n int, zone *time.Location) []byte {
	var b bytes.Buffer
	b.WriteString(head)
	at := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)
	for i := range n {
		at := at.Add(time.Duration(i) * time.Minute).In(zone).Format(time.RFC3339)
		fmt.Fprintf(&b, row, "R1-door", at, fmt.Sprintf("%d.%02d", 2+i%7, i%100))
	}
	return b.Bytes()
}

func plainLog(n int) []byte { return written("sensor,at,celsius\n", "%s,%s,%s\n", n, time.UTC) }

// localLog is a log of n rows in wall time, two sensors a row, with decimal commas.
func localLog(n int, zone *time.Location) []byte {
	var b bytes.Buffer
	b.WriteString("Date;Time;Air;Liquid\r\n")
	at := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)
	for i := range n {
		l := at.Add(time.Duration(i) * time.Minute).In(zone)
		fmt.Fprintf(&b, "%s;%d,%02d;%d,%d\r\n", l.Format("02/01/2006;15:04"), 2+i%7, i%100, 3+i%3, i%10)
	}
	return b.Bytes()
}

func drain(tb testing.TB, p *templog.Parser, buf []templog.Value) (n int) {
	tb.Helper()
	for {
		m, err := p.Next(buf)
		n += m
		if err == io.EOF {
			return n
		}
		require.NoError(tb, err)
	}
}

// A reading has to cost less than what storing it does by far: under 80 ns in the plain form, and nothing allocated
// for each row.
func BenchmarkPlain(b *testing.B) {
	plain := func(r io.Reader) (*templog.Parser, error) { return templog.NewParser(r, nil, templog.Options{}) }
	lines := func(r io.Reader) (*templog.Parser, error) { return templog.NewNDJSONParser(r, templog.Options{}) }
	const rows = 100_000
	const header = "sensor,at,celsius\n"
	minus5 := time.FixedZone("", -5*3600)
	for _, c := range []struct {
		name string
		log  []byte
		open func(io.Reader) (*templog.Parser, error)
	}{
		{"utc", plainLog(rows), plain},
		{"offset", written(header, "%s,%s,%s\n", rows, minus5), plain},
		{"quoted", written(header, "\"%s\",\"%s\",\"%s\"\r\n", rows, minus5), plain},
		{"ndjson", written("", `{"sensor":"%s","at":"%s","celsius":%s}`+"\n", rows, minus5), lines},
	} {
		b.Run(c.name, func(b *testing.B) {
			buf := make([]templog.Value, 4096)
			b.SetBytes(int64(len(c.log)))
			b.ReportAllocs()
			for b.Loop() {
				p, err := c.open(bytes.NewReader(c.log))
				require.NoError(b, err)
				require.Equal(b, rows, drain(b, p, buf))
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/rows, "ns/value")
		})
	}
}

// Wall times of a zone, decimal commas, two sensors a row: the table's way, over both clock changes of a year.
func BenchmarkLayout(b *testing.B) {
	zone, err := time.LoadLocation("America/New_York")
	require.NoError(b, err)
	const rows = 525_600
	log, buf := localLog(rows, zone), make([]templog.Value, 4096)
	l := &templog.Layout{Delimiter: ';', Decimal: ',', Header: true, Time: cols("Date", "Time"), TimeFormat: "%d/%m/%Y %H:%M", Zone: zone, Unit: "Cel", Value: cols("Air", "Liquid"), Missing: []string{"-200"}}
	b.SetBytes(int64(len(log)))
	b.ReportAllocs()
	for b.Loop() {
		p, err := templog.NewParser(bytes.NewReader(log), l, templog.Options{})
		require.NoError(b, err)
		require.Equal(b, 2*rows, drain(b, p, buf))
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/rows/2, "ns/value")
}

func cols(names ...string) (all []templog.Column) {
	for _, n := range names {
		all = append(all, templog.Column{Name: n})
	}
	return all
}
