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

// plainLog is a plain-form log of n rows a minute apart.
func plainLog(n int) []byte {
	var b bytes.Buffer
	b.WriteString("sensor,at,celsius\n")
	at := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)
	for i := range n {
		fmt.Fprintf(&b, "R1-door,%s,%d.%02d\n", at.Add(time.Duration(i)*time.Minute).Format(time.RFC3339), 2+i%7, i%100)
	}
	return b.Bytes()
}

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

// A reading of the plain form has to cost less than what storing it does by far: under 80 ns, and nothing allocated.
func BenchmarkPlain(b *testing.B) {
	const rows = 100_000
	log, buf := plainLog(rows), make([]templog.Value, 4096)
	b.SetBytes(int64(len(log)))
	b.ReportAllocs()
	for b.Loop() {
		p, err := templog.NewParser(bytes.NewReader(log), nil, templog.Options{})
		require.NoError(b, err)
		require.Equal(b, rows, drain(b, p, buf))
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/rows, "ns/value")
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
