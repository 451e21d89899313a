package templog

import (
	"fmt"
	"time"

	"vialward/tracker/thermal"
)

// Layout describes a log that is not in the plain form: a table of one row a time, with one or more value columns.
// The zone is looked up by whoever reads the layout; this package does no I/O.
type Layout struct {
	Delimiter    byte // 0 means ','
	Decimal      byte // '.' or ','; 0 means '.'
	SkipLines    int  // lines above the header, or above the first row
	Header       bool
	Time         []Column // joined by one space, then read by TimeFormat
	TimeFormat   string   // strftime, or "epoch": seconds since 1970 UTC
	Zone         *time.Location
	Unit         string // UCUM: Cel or [degF]
	Value        []Column
	Sensor       []string // fixed names, one a value column
	SensorColumn *Column  // or the column that names the sensor; if neither is given, the value column's own name
	Missing      []string // cells that mean "no value", as text or as a number
}

// Column is named as the header names it, or counted from 1 where Name is empty. A name made of digits alone that the
// header does not have is taken as a number.
type Column struct {
	Name   string
	Number int
}

func (c Column) String() string {
	if c.Name != "" {
		return c.Name
	}
	return fmt.Sprint(c.Number)
}

// Epoch is the time format of seconds since 1970 UTC.
const Epoch = "epoch"

// Mistake is one thing wrong with a layout: its key in the layout file, and a sentence with the remedy.
type Mistake struct {
	Key, Why string
}

// Mistakes lists everything wrong with a layout on its own: all but a missing unit or zone, which may be told besides.
func (l *Layout) Mistakes() (all []Mistake) {
	add := func(key, format string, args ...any) { all = append(all, Mistake{key, fmt.Sprintf(format, args...)}) }
	switch d := l.delimiter(); {
	case d == '"' || d == '\n' || d == '\r' || d >= 0x80 || d < ' ' && d != '\t':
		add("delimiter", `the delimiter is one character such as ",", ";" or "\t"`)
	case d == l.decimal() && !l.Header:
		add("decimal", "a log whose decimal mark is also its delimiter needs a header, so that cells can be counted")
	}
	if d := l.decimal(); d != '.' && d != ',' {
		add("decimal", `the decimal mark is "." or ","`)
	}
	if l.SkipLines < 0 {
		add("skip_lines", "skip_lines is the number of lines above the header, 0 or more")
	}
	if len(l.Time) == 0 {
		add("time", "say which columns hold the time, by name or by number from 1")
	}
	if len(l.Value) == 0 {
		add("value", "say which columns hold the temperatures, by name or by number from 1")
	}
	l.columnMistakes(add)
	l.sensorMistakes(add)
	if _, err := newTimeFormat(l.TimeFormat); err != nil {
		add("time_format", "%v", err)
	}
	if l.Unit != "" && !knownUnit(l.Unit) {
		add("unit", `the unit is "Cel" or "[degF]", not %s`, excerpt([]byte(l.Unit)))
	}
	return all
}

func (l *Layout) columnMistakes(add func(key, format string, args ...any)) {
	key := "time"
	check := func(c Column) {
		switch {
		case c.Name == "" && c.Number < 1:
			add(key, "columns are counted from 1")
		case !l.Header && c.number() == 0:
			add(key, "column %s is given by its name, but the log has no header: give its number from 1", excerpt([]byte(c.Name)))
		}
	}
	seen := map[string]bool{}
	for _, c := range l.Time {
		check(c)
	}
	key = "value"
	for _, c := range l.Value {
		check(c)
		if seen[c.String()] {
			add(key, "column %s is there twice", excerpt([]byte(c.String())))
		}
		seen[c.String()] = true
	}
	if key = "sensor_column"; l.SensorColumn != nil {
		check(*l.SensorColumn)
	}
}

func (l *Layout) sensorMistakes(add func(key, format string, args ...any)) {
	switch {
	case l.SensorColumn != nil && len(l.Sensor) > 0:
		add("sensor", "give either sensor or sensor_column")
	case l.SensorColumn != nil && len(l.Value) > 1:
		add("sensor_column", "sensor_column goes with one value column; with several, give each its name with sensor")
	case l.SensorColumn == nil && len(l.Sensor) == 0 && !l.Header:
		add("sensor", "without a header the value columns have no names: give one name a value column")
	case len(l.Sensor) > 0 && len(l.Sensor) != len(l.Value):
		add("sensor", "%d names for %d value columns: give one name a value column", len(l.Sensor), len(l.Value))
	}
	seen := map[string]bool{}
	for _, name := range l.Sensor {
		if f := sensorFault([]byte(name)); f.why != "" {
			add("sensor", "%s", f)
		} else if seen[name] {
			add("sensor", "%s is there twice: two columns of one sensor would contradict each other", excerpt([]byte(name)))
		}
		seen[name] = true
	}
}

func (l *Layout) delimiter() byte { return orElse(l.Delimiter, ',') }
func (l *Layout) decimal() byte   { return orElse(l.Decimal, '.') }

func orElse(c, other byte) byte {
	if c == 0 {
		return other
	}
	return c
}

func knownUnit(unit string) bool {
	return unit == string(thermal.DegCelsius) || unit == string(thermal.DegFahrenheit)
}

// number of a column given by its number, or by a name that can only be one; 0 if it is neither.
func (c Column) number() int {
	if c.Name == "" {
		return c.Number
	}
	n := 0
	for _, d := range c.Name {
		if d < '0' || d > '9' || n > 1<<20 {
			return 0
		}
		n = 10*n + int(d-'0')
	}
	return n
}

// columnIndex gives each wanted column's index in the header, or that of its number where header is nil. It also
// lists the columns that are missing and those whose name is there more than once.
func columnIndex(wanted []Column, header []string) (index []int, missing, twice []string) {
	for _, c := range wanted {
		at := -1
		for i, name := range header {
			if c.Name == "" || name != c.Name {
				continue
			}
			if at >= 0 {
				twice = append(twice, name)
			}
			at = i
		}
		if n := c.number(); at < 0 && n > 0 && (header == nil || n <= len(header)) {
			at = n - 1
		}
		if at < 0 {
			missing = append(missing, c.String())
		}
		index = append(index, at)
	}
	return index, missing, twice
}
