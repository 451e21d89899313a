package templog_test

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/templog"
)

// published reads a real log from the copy VIALWARD_DATA points to; ok is false where it is not set. Licences stand in
// SOURCE.txt beside each file and in testdata/README.md.
func published(t *testing.T, path string, l templog.Layout) (g got, ok bool) {
	t.Helper()
	dir := os.Getenv("VIALWARD_DATA")
	if dir == "" {
		t.Log("VIALWARD_DATA is not set: published logs were not read")
		return g, false
	}
	f, err := os.Open(filepath.Join(dir, path))
	require.NoError(t, err)
	defer f.Close()
	p, err := templog.NewParser(f, &l, templog.Options{})
	g = readAll(t, p, err, 1000)
	require.NoError(t, g.err)
	require.Empty(t, g.refused)
	return g, true
}

// One year of hourly air temperatures at a roadside station (UCI Air Quality, CC BY 4.0, M) goes round in three forms:
// decimal commas between semicolons with stray commas and empty rows, d/m/y between commas, ISO dates with a byte order
// mark and CRLF. All three give one series. No zone is published, so a fixed one is told.
func TestOneSeriesInThreeForms(t *testing.T) {
	l := templog.Layout{
		Header: true, Time: cols("Date", "Time"), Zone: time.FixedZone("UTC+01:00", 3600), Unit: "Cel", Value: cols("T"), Missing: []string{"-200"},
	}
	var forms []got
	for _, c := range []struct {
		file, format       string
		delimiter, decimal byte
	}{
		{"semicolon.csv", "%d/%m/%Y %H.%M.%S", ';', ','}, {"comma.csv", "%d/%m/%Y %H:%M:%S", 0, 0}, {"bom.csv", "%Y-%m-%d %H:%M:%S", 0, 0},
	} {
		l.TimeFormat, l.Delimiter, l.Decimal = c.format, c.delimiter, c.decimal
		g, ok := published(t, filepath.Join("air", c.file), l)
		if !ok {
			return
		}
		forms = append(forms, g)
	}
	require.Equal(t, templog.Rows{Read: 9357, Missing: 366}, forms[0].rows) // counted with another CSV reader (C)
	require.Equal(t, "T 2004-03-10T17:00:00Z 13.6", forms[0].values[0])
	require.Equal(t, forms[0], forms[1])
	require.Equal(t, forms[0], forms[2])
}

// Hourly °F of three airports near New York in 2013 (nycflights13, CC0, R), with the local hour in four columns and the
// UTC hour in another: both columns give the same readings. Its rows are an hour apart, so on 3 Nov 01:00 comes twice
// and nothing steps back; 00:00 of that day is not in it, but 02:00 is and the two values differ, which tells the passes
// apart. On 10 Mar there is no 02:00, as there must not be.
func TestLocalHoursAreTheUTCHours(t *testing.T) {
	l := templog.Layout{Header: true, Unit: "[degF]", Value: cols("temp"), SensorColumn: &templog.Column{Name: "origin"}, Missing: []string{"NA"}}
	l.Time, l.TimeFormat = cols("time_hour"), "%Y-%m-%dT%H:%M:%S%z"
	utc, ok := published(t, "weather/weather.csv", l)
	if !ok {
		return
	}
	l.Time, l.TimeFormat, l.Zone = cols("year", "month", "day", "hour"), "%Y %m %d %H", zone(t, "America/New_York")
	local, _ := published(t, "weather/weather.csv", l)
	require.Equal(t, templog.Rows{Read: 26115, Missing: 1}, utc.rows)
	require.Equal(t, utc.rows, local.rows)
	slices.Sort(utc.values)
	slices.Sort(local.values)
	require.Equal(t, utc.values, local.values)
	require.Contains(t, local.values, "EWR 2013-11-03T05:00:00Z 11.1") // 51.98 °F
	require.Contains(t, local.values, "EWR 2013-11-03T06:00:00Z 10")   // 50 °F
}

// The same log without the rows between two changes of the clock: where only one 01:00 is left, it is refused, not
// guessed.
func TestOneHourOfTwoIsRefused(t *testing.T) {
	dir := os.Getenv("VIALWARD_DATA")
	if dir == "" {
		t.Log("VIALWARD_DATA is not set: published logs were not read")
		return
	}
	text, err := os.ReadFile(filepath.Join(dir, "weather/weather.csv"))
	require.NoError(t, err)
	rows := strings.SplitAfter(string(text), "\n")
	rows = slices.DeleteFunc(rows, func(r string) bool { return strings.HasSuffix(r, ",2013-11-03T06:00:00Z\n") })
	l := templog.Layout{
		Header: true, Unit: "[degF]", Value: cols("temp"), SensorColumn: &templog.Column{Name: "origin"}, Missing: []string{"NA"},
		Time: cols("year", "month", "day", "hour"), TimeFormat: "%Y %m %d %H", Zone: zone(t, "America/New_York"),
	}
	g := layout(t, &l, strings.Join(rows, ""))
	require.Equal(t, templog.Rows{Read: 26112, Missing: 1, Refused: 3}, g.rows)
}

// A machine's temperature every five minutes (Numenta Anomaly Benchmark, MIT, R; its values read as °F). Its clock was
// put back by an hour on 7 Jan 2014, which no zone did: in a zone without changes both passes are given out, at the same
// instants, and whoever stores them finds the conflict.
func TestAClockPutBackByHand(t *testing.T) {
	l := templog.Layout{
		Header: true, Time: cols("timestamp"), TimeFormat: "%Y-%m-%d %H:%M:%S", Zone: time.UTC, Unit: "[degF]", Value: cols("value"), Sensor: []string{"M"},
	}
	g, ok := published(t, "machine/machine_temperature_system_failure.csv", l)
	if !ok {
		return
	}
	require.Equal(t, templog.Rows{Read: 22695}, g.rows)
	at := map[string]int{}
	twice := 0
	for _, v := range g.values {
		key := strings.Fields(v)[1]
		if at[key]++; at[key] == 2 {
			require.True(t, strings.HasPrefix(key, "2014-01-07T02:"), key)
			twice++
		}
	}
	require.Equal(t, 12, twice)
	l.Zone = zone(t, "America/New_York")
	g, _ = published(t, "machine/machine_temperature_system_failure.csv", l)
	require.Equal(t, templog.Rows{Read: 22695}, g.rows) // January has no repeated hour: nothing waits for one
}

// Small loggers in rooms, CRLF, two temperatures a row (riffle-ito, MIT, R). One file has seconds since 1970 beside the
// wall time of a clock on UTC: both columns say the same.
func TestRoomLoggers(t *testing.T) {
	l := templog.Layout{
		Header: true, Time: cols("DATETIME"), TimeFormat: "%Y-%m-%d %H:%M:%S", Zone: zone(t, "America/New_York"), Unit: "Cel", Value: cols("RTC_TEMP_C", "TEMP_C"),
	}
	g, ok := published(t, "indoor/LOGGER43.CSV", l)
	if !ok {
		return
	}
	require.Equal(t, templog.Rows{Read: 2 * 13451}, g.rows)
	require.Equal(t, "TEMP_C 2014-07-22T13:40:43Z 24.7", g.values[1])
	l.Zone, l.Time = time.UTC, cols("DATETIME_REG")
	wall, _ := published(t, "indoor/epoch_and_local.csv", l)
	l.Time, l.TimeFormat = cols("DATETIME_UNIX"), templog.Epoch
	epoch, _ := published(t, "indoor/epoch_and_local.csv", l)
	require.Equal(t, templog.Rows{Read: 2 * 1142}, epoch.rows)
	require.Equal(t, epoch, wall)
}
