package templog_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/templog"
)

// How times are written, and the UTC instant in New York in November (-05:00), or part of the reason they are refused.
func TestTimeFormats(t *testing.T) {
	for _, c := range []struct{ format, text, want string }{
		{"%Y-%m-%d %H:%M:%S", "2025-11-12 08:30:15", "2025-11-12T13:30:15Z"},
		{"%d/%m/%Y %H:%M", "12/11/2025 08:30", "2025-11-12T13:30:00Z"},
		{"%d/%m/%Y %H:%M", "2/1/2025 8:05", "2025-01-02T13:05:00Z"},
		{"%m/%d/%Y %I:%M %p", "11/12/2025 8:30 AM", "2025-11-12T13:30:00Z"},
		{"%m/%d/%Y %I:%M %p", "11/12/2025 12:00 am", "2025-11-12T05:00:00Z"},
		{"%m/%d/%Y %I:%M %p", "11/12/2025 12:00 p.m.", "2025-11-12T17:00:00Z"},
		{"%m/%d/%y %I:%M%p", "11/12/25 01:30PM", "2025-11-12T18:30:00Z"},
		{"%H:%M %p %F", "13:30 PM 2025-11-12", "2025-11-12T18:30:00Z"},
		{"%d.%m.%y %H.%M", "12.11.69 08.30", "is not between the years 1970 and 2199"}, // POSIX: 69 is 1969
		{"%d-%b-%Y %R", "12-NOV-2025 08:30", "2025-11-12T13:30:00Z"},
		{"%a %d %B %Y %T", "Wed 12 november 2025 08:30:00", "2025-11-12T13:30:00Z"},
		{"%A, %B %d %Y %H", "Wednesday, November 12 2025 8", "2025-11-12T13:00:00Z"},
		{"%Y %j %H%M", "2025 316 0830", "2025-11-12T13:30:00Z"},
		{"%Y%m%d%H%M%S", "20251112083015", "2025-11-12T13:30:15Z"},
		{"%Y-%m-%dT%H:%M:%S.%f", "2025-11-12T08:30:00.1234567", "2025-11-12T13:30:00.123456Z"},
		{"%Y-%m-%d %H:%M %z", "2025-11-12 08:30 +0100", "2025-11-12T07:30:00Z"},
		{"%Y-%m-%d %H:%M%z", "2025-11-12 08:30Z", "2025-11-12T08:30:00Z"},
		{"%Y-%m-%d %H:%M%z", "2025-11-12 08:30-05:30", "2025-11-12T14:00:00Z"},
		{"100%% %F %R", "100% 2025-11-12 08:30", "2025-11-12T13:30:00Z"},
		{"%F  %R", "2025-11-12 \t 08:30", ""}, // two blanks in the format want two stretches of them
		{"epoch", "1762954200", "2025-11-12T13:30:00Z"},
		{"epoch", "1762954200.1234567", "2025-11-12T13:30:00.123456Z"},
		{"epoch", "0", "1970-01-01T00:00:00Z"},
		{"epoch", "1762954200000", "an epoch time is in seconds"},
		{"epoch", "1.76E+09", "is not a number of seconds"},
		{"epoch", "-1", "is not a number of seconds"},
		{"epoch", "12.", "is not a number of seconds"},

		{"%d/%m/%Y %H:%M", "11/13/2025 08:30", "does time_format have day and month the right way round?"},
		{"%m/%d/%Y %H:%M", "2025-11-12 08:30", "is not written as time_format says"},
		{"%Y-%m-%d %H:%M", "2025-11-12 08:30:15", "goes on where time_format ends"},
		{"%Y-%m-%d %H:%M", "2025-11-12", "is not written as time_format says"},
		{"%Y-%m-%d %H:%M", "25-11-12 08:30", "is not written as time_format says"},
		{"%Y-%m-%d %H:%M", "2025-02-29 08:30", "is no date and time of the calendar"},
		{"%Y-%m-%d %H:%M", "2025-11-12 24:00", "is no date and time of the calendar"},
		{"%Y-%m-%d %H:%M", "2025-00-12 08:30", "is no date and time of the calendar"},
		{"%Y %j %H", "2025 366 08", "is no date and time of the calendar"},
		{"%Y %j %H", "2025 0 08", "is no date and time of the calendar"},
		{"%m/%d/%Y %I:%M %p", "11/12/2025 13:30 PM", "is no date and time of the calendar"},
		{"%m/%d/%Y %I:%M %p", "11/12/2025 0:30 AM", "is no date and time of the calendar"},
		{"%m/%d/%Y %I:%M %p", "11/12/2025 1:30 xm", "is not written as time_format says"},
		{"%H:%M %p %F", "13:30 AM 2025-11-12", "is no date and time of the calendar"},
		{"%d-%b-%Y %R", "12-Nil-2025 08:30", "is not written as time_format says"},
		{"%Y%m%d %H", "2025112 08", "is not written as time_format says"}, // 2 November, or 12 January?
	} {
		t.Run(c.format+" "+c.text, func(t *testing.T) {
			l := &templog.Layout{Header: true, Time: cols("t"), TimeFormat: c.format, Zone: zone(t, "America/New_York"), Unit: "Cel", Value: cols("T")}
			g := layout(t, l, "t,T\n\""+c.text+"\",4\n")
			require.NoError(t, g.err)
			if strings.HasPrefix(c.want, "20") || strings.HasPrefix(c.want, "19") {
				require.Equal(t, []string{"T " + c.want + " 4"}, g.values)
			} else {
				require.Len(t, g.refused, 1)
				require.Contains(t, g.refused[0].Why, c.want)
			}
		})
	}
}

// The sample of the calendar the whole arithmetic stands on: every day of 1970 to 2199 against the standard library.
func TestEveryDay(t *testing.T) {
	var b strings.Builder
	b.WriteString("sensor,at,celsius\n")
	days := 0
	for d := time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC); d.Year() < 2200; d = d.AddDate(0, 0, 1) {
		b.WriteString("R1," + d.Format(time.RFC3339) + ",4\n")
		days++
	}
	p, err := templog.NewParser(strings.NewReader(b.String()), nil, templog.Options{})
	require.NoError(t, err)
	buf := make([]templog.Value, days+1)
	n, err := p.Next(buf)
	require.NoError(t, err)
	require.Equal(t, days, n)
	for i, v := range buf[:n] {
		require.Equal(t, time.Date(1970, 1, 1+i, 0, 0, 0, 0, time.UTC).UnixMicro(), v.AtMicros)
	}
}

func base() templog.Layout {
	return templog.Layout{Header: true, Time: cols("at"), TimeFormat: "%Y-%m-%d %H:%M", Zone: time.UTC, Unit: "Cel", Value: cols("T")}
}

// Nothing about a log is guessed: what is missing or does not fit ends the parse with what to add or change.
func TestLayoutDoesNotFit(t *testing.T) {
	const log = "at,T,U\n2025-11-12 08:30,4.2,5\n"
	for _, c := range []struct {
		name   string
		change func(*templog.Layout, *templog.Options)
		log    string
		why    string
	}{
		{"no unit", func(l *templog.Layout, _ *templog.Options) { l.Unit = "" }, log, `add unit = "Cel" or unit = "[degF]"`},
		{"no zone", func(l *templog.Layout, _ *templog.Options) { l.Zone = nil }, log, `add zone = "Europe/Berlin"`},
		{"another unit told", func(_ *templog.Layout, o *templog.Options) { o.Unit = "[degF]" }, log, `the layout says unit = "Cel", but the unit was given as [degF]`},
		{"a unit that is none", func(l *templog.Layout, o *templog.Options) { l.Unit, o.Unit = "", "F" }, log, `the unit is "Cel" or "[degF]", not "F"`},
		{"a column that is not there", func(l *templog.Layout, _ *templog.Options) { l.Value = cols("V") }, log, `no column "V" in the header; it has "at", "T", "U"`},
		{"a number beyond", func(l *templog.Layout, _ *templog.Options) { l.Value = []templog.Column{{Number: 4}} }, log, `no column "4" in the header`},
		{"semicolons", func(*templog.Layout, *templog.Options) {}, strings.ReplaceAll(log, ",", ";"), `separated by ";"`},
		{"commas", func(l *templog.Layout, _ *templog.Options) { l.Delimiter = ';' }, log, `separated by ",": say so in a layout, delimiter = ","`},
		{"a name that is there twice", func(*templog.Layout, *templog.Options) {}, "at,T,T\n", `names "T" twice: give the column by its number`},
		{"another encoding", func(l *templog.Layout, _ *templog.Options) { l.Value = cols("T °C") }, "at,T \xb0C\n", "The header is not UTF-8"},
		{"lines above the header", func(*templog.Layout, *templog.Options) {}, "Logger 7,,\n" + log, "say how many with skip_lines"},
		{"more lines than there are", func(l *templog.Layout, _ *templog.Options) { l.SkipLines = 9 }, log, "the file ends within the 9 lines"},
		{"nothing behind those lines", func(l *templog.Layout, _ *templog.Options) { l.SkipLines = 2 }, log, "the file ends before its header"},
		{"a value column without a name", func(l *templog.Layout, _ *templog.Options) { l.Value = []templog.Column{{Number: 2}} }, "at,\n", "no sensor is named"},
		{"two mistakes", func(l *templog.Layout, _ *templog.Options) { l.TimeFormat, l.Decimal = "", '!' }, log, `decimal: the decimal mark is "." or ","; time_format: say how times are written`},
		{"a decimal comma between commas", func(l *templog.Layout, _ *templog.Options) {
			l.Decimal, l.Header, l.Time, l.Value, l.Sensor = ',', false, []templog.Column{{Number: 1}}, []templog.Column{{Number: 2}}, []string{"R1"}
		}, log, "needs a header, so that cells can be counted"},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, o := base(), templog.Options{}
			c.change(&l, &o)
			_, err := templog.NewParser(strings.NewReader(c.log), &l, o)
			var d *templog.DocumentError
			require.ErrorAs(t, err, &d)
			require.Contains(t, d.Error(), c.why)
		})
	}
}

// Unit and zone may be told besides a layout that names none. A layout's zone stands, whatever is told.
func TestUnitAndZoneToldBesides(t *testing.T) {
	l := base()
	l.Unit, l.Zone = "", nil
	p, err := templog.NewParser(strings.NewReader("at,T\n2025-11-12 08:30,46.4\n"), &l, templog.Options{Unit: "[degF]", Zone: zone(t, "America/New_York")})
	require.Equal(t, []string{"T 2025-11-12T13:30:00Z 8"}, readAll(t, p, err, 1).values)
	l = base()
	p, err = templog.NewParser(strings.NewReader("at,T\n2025-11-12 08:30,8\n"), &l, templog.Options{Unit: "Cel", Zone: zone(t, "America/New_York")})
	require.Equal(t, []string{"T 2025-11-12T08:30:00Z 8"}, readAll(t, p, err, 1).values)
}

// Cells of value columns: what each means under decimal commas and with sentinels.
func TestCells(t *testing.T) {
	for _, c := range []struct {
		cell, want string // a value, "missing", or part of the reason
		decimal    byte
		missing    []string
	}{
		{"4,25", "4.25", ',', nil},
		{"-0,5", "-0.5", ',', nil},
		{"4", "4", ',', nil},
		{"4.25", `has a point in it, but the layout says decimal = ","`, ',', nil},
		{"1.004,25", "has a point in it", ',', nil},
		{"4,25", `has a decimal comma: say so in a layout, decimal = ","`, '.', nil},
		{"", "missing", '.', nil},
		{"-200", "missing", '.', []string{"-200"}},
		{"-200.0", "missing", '.', []string{"-200"}},
		{"-200,00", "missing", ',', []string{"-200"}},
		{"-200,00", "missing", ',', []string{"-200.0"}},
		{"-200", "missing", '.', []string{"NA", "-200.00"}},
		{"85.0", "missing", '.', []string{"85"}},
		{"85.01", "85.01", '.', []string{"85"}},
		{"85.0001", "85", '.', []string{"85"}}, // the same milli-degrees, and not the sentinel
		{"-999.9", "missing", '.', []string{"-999.90"}},
		{"-999.8", "beyond -200 to 200", '.', []string{"-999.9"}},
		{"0", "missing", '.', []string{"-0.0"}},
		{"NA", "missing", '.', []string{"NA"}},
		{"na", "not a decimal number", '.', []string{"NA"}},
		{"---", "missing", ',', []string{"---"}},
		{"12", "12", '.', []string{"1", "2", ""}},
	} {
		t.Run(c.cell, func(t *testing.T) {
			l := base()
			l.Delimiter, l.Decimal, l.Missing = ';', c.decimal, c.missing
			g := layout(t, &l, "at;T\n2025-11-12 08:30; "+c.cell+" \n")
			require.NoError(t, g.err)
			switch {
			case c.want == "missing":
				require.Equal(t, templog.Rows{Read: 1, Missing: 1}, g.rows)
			case c.want[0] == '-' || c.want[0] >= '0' && c.want[0] <= '9':
				require.Equal(t, []string{"T 2025-11-12T08:30:00Z " + c.want}, g.values)
			default:
				require.Len(t, g.refused, 1)
				require.Contains(t, g.refused[0].Why, c.want)
			}
		})
	}
}

// A row's values are judged one by one; what spoils the row is said of each of them that is there.
func TestRowsOfSeveralSensors(t *testing.T) {
	l := base()
	l.Value, l.Sensor, l.Missing = cols("T", "U"), []string{"R1", "R2"}, []string{"NA"}
	g := layout(t, &l, strings.Join([]string{
		"U,x,at,T,note",
		"5,1,2025-11-12 08:30,4,",            // both
		"5,1,2025-11-12 08:35,NA,",           // one missing
		"bad,1,2025-11-12 08:40,4,",          // one refused
		"5,1,later,4,",                       // both refused
		"5,1,later,NA,",                      // one refused, one missing
		",1,,,just a remark",                 // nothing
		"5,1,2025-11-12 08:45",               // cut off
		"5,1,2025-11-12 08:50,4",             // the remark left out
		"5,1,2025-11-12 08:55,4,,,;",         // stray delimiters
		"5,1,2025-11-12 09:00,4,a,remark,of", // too many
	}, "\n"))
	require.NoError(t, g.err)
	require.Equal(t, templog.Rows{Read: 18, Missing: 2, Refused: 8}, g.rows)
	var lines []int
	for _, r := range g.refused {
		lines = append(lines, r.Line)
	}
	require.Equal(t, []int{4, 5, 5, 6, 8, 8, 11, 11}, lines)
	require.Equal(t, []string{
		"R1 2025-11-12T08:30:00Z 4", "R2 2025-11-12T08:30:00Z 5", "R2 2025-11-12T08:35:00Z 5", "R1 2025-11-12T08:40:00Z 4",
		"R1 2025-11-12T08:50:00Z 4", "R2 2025-11-12T08:50:00Z 5", "R1 2025-11-12T08:55:00Z 4", "R2 2025-11-12T08:55:00Z 5",
	}, g.values)
}

// Rows in any order are a log like another; order matters to the repeated hour only.
func TestRowsOutOfOrder(t *testing.T) {
	l := base()
	g := layout(t, &l, "at,T\n2025-11-12 08:40,3\n2025-11-12 08:30,1\n2025-11-12 08:50,4\n2025-11-12 08:30,1\n")
	require.NoError(t, g.err)
	require.Len(t, g.values, 4)
}
