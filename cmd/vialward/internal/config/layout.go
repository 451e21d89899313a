package config

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/BurntSushi/toml"

	"vialward/tracker/templog"
)

// layoutKeys are all a layout file may have.
var layoutKeys = []string{
	"delimiter", "decimal", "skip_lines", "header", "time", "time_format", "zone", "unit", "value", "sensor", "sensor_column", "missing",
}

// ReadLayout reads a layout file. What is wrong with it comes as one *templog.DocumentError that lists all of it, each
// with its line and a remedy. A missing unit or zone is no mistake here: they may be told on the command line.
func ReadLayout(path string) (templog.Layout, error) {
	text, err := os.ReadFile(path) //nolint:gosec // the file the person named
	if err != nil {
		return templog.Layout{}, fmt.Errorf("read the layout: %w", err)
	}
	return ParseLayout(path, text)
}

// ParseLayout reads the text of a layout file; name is what messages call it.
func ParseLayout(name string, text []byte) (templog.Layout, error) {
	var tree map[string]any
	if _, err := toml.Decode(string(text), &tree); err != nil {
		line, say := 1, err.Error()
		var at toml.ParseError
		if errors.As(err, &at) {
			line, say = at.Position.Line, at.Message
		}
		return templog.Layout{}, &templog.DocumentError{Why: fmt.Sprintf("layout %s: line %d: this is not TOML: %s", name, line, say)}
	}
	f := &layoutFile{tree: tree, lines: findLines(string(text))}
	l := f.layout()
	said := map[string]bool{}
	for _, p := range f.problems {
		said[p.Key] = true
	}
	for _, m := range l.Mistakes() {
		// Not what was said in other words, nor of sensors what follows from value columns that could not be read.
		if follows := said["value"] && (m.Key == "sensor" || m.Key == "sensor_column"); !said[m.Key] && !follows {
			f.wrong(m.Key, "%s", m.Why)
		}
	}
	if len(f.problems) == 0 {
		return l, nil
	}
	slices.SortStableFunc(f.problems, func(a, b Problem) int { return a.Line - b.Line })
	var say []string
	for _, p := range f.problems {
		say = append(say, p.String())
	}
	return l, &templog.DocumentError{Why: fmt.Sprintf("layout %s: %s", name, strings.Join(say, "; "))}
}

// layoutFile is a layout while it is read: a flat table whose values may each have several types.
type layoutFile struct {
	tree     map[string]any
	lines    lines
	problems []Problem
}

func (f *layoutFile) wrong(key, format string, args ...any) {
	f.problems = append(f.problems, Problem{Line: f.lines.of(key), Key: key, Say: fmt.Sprintf(format, args...)})
}

func (f *layoutFile) layout() (l templog.Layout) {
	for key := range f.tree {
		if !slices.Contains(layoutKeys, key) {
			f.wrong(key, "there is no key %q in a layout%s", key, meant(key, layoutKeys))
		}
	}
	l.Delimiter, l.Decimal = f.char("delimiter"), f.char("decimal")
	l.SkipLines = f.whole("skip_lines")
	l.Time, l.Value = f.columns("time"), f.columns("value")
	l.TimeFormat, l.Unit = f.text("time_format"), f.text("unit")
	l.Sensor, l.Missing = f.texts("sensor"), f.texts("missing")
	if c := f.columns("sensor_column"); len(c) == 1 {
		l.SensorColumn = &c[0]
	} else if len(c) > 1 {
		f.wrong("sensor_column", "one column names the sensor")
	}
	l.Header = f.header(l)
	if zone := f.text("zone"); zone != "" {
		var err error
		if l.Zone, err = Zone(zone); err != nil {
			f.wrong("zone", "%v", err)
		}
	}
	return l
}

// header may be left out where columns are given by name: then there must be one. Where all are numbers, the first row
// would be lost if there were none. Where that is said, true: nothing more follows from it.
func (f *layoutFile) header(l templog.Layout) bool {
	switch v := f.tree["header"].(type) {
	case bool:
		return v
	case nil:
		for _, c := range slices.Concat(l.Time, l.Value) {
			if _, err := strconv.Atoi(c.Name); c.Name != "" && err != nil {
				return true
			}
		}
		f.wrong("header", "all columns are given by number: add header = true if the first line has their names, else header = false")
	default:
		f.wrong("header", "write true or false, without quotes; it is %s", typeWord(v))
	}
	return true
}

func (f *layoutFile) text(key string) string {
	switch v := f.tree[key].(type) {
	case nil:
	case string:
		if v == "" {
			f.wrong(key, "it is empty: say it, or take the key out")
		}
		return v
	default:
		f.wrong(key, "write it in quotes, as text; it is %s", typeWord(v))
	}
	return ""
}

// char is a single ASCII character; 0 where the key is not there.
func (f *layoutFile) char(key string) byte {
	s := f.text(key)
	if len(s) > 1 {
		f.wrong(key, `it is one character, such as "," or ";"%s`, map[bool]string{true: ` or "\t"`}[key == "delimiter"])
		return 0
	}
	if s == "" {
		return 0
	}
	return s[0]
}

func (f *layoutFile) whole(key string) int {
	switch v := f.tree[key].(type) {
	case nil:
	case int64:
		if v >= 0 && v <= 1_000_000 {
			return int(v)
		}
		f.wrong(key, "%d is not a number of lines a file can have", v)
	default:
		f.wrong(key, "write a whole number, without quotes; it is %s", typeWord(v))
	}
	return 0
}

// list is a value, or the values of a list.
func (f *layoutFile) list(key string) []any {
	switch v := f.tree[key].(type) {
	case nil:
		return nil
	case []any:
		return v
	default:
		return []any{v}
	}
}

// columns are names or numbers from 1, one of them or a list.
func (f *layoutFile) columns(key string) (all []templog.Column) {
	for _, v := range f.list(key) {
		switch v := v.(type) {
		case string:
			if v == "" {
				f.wrong(key, "a column's name is empty: give its number from 1")
			}
			all = append(all, templog.Column{Name: strings.TrimSpace(v)})
		case int64:
			if v < 1 || v > 100_000 {
				f.wrong(key, "%d is no column: they are counted from 1", v)
			}
			all = append(all, templog.Column{Number: int(v)})
		default:
			f.wrong(key, "a column is given by its name in quotes, or by its number from 1; this is %s", typeWord(v))
		}
	}
	return all
}

// texts are texts or numbers, one of them or a list.
func (f *layoutFile) texts(key string) (all []string) {
	for _, v := range f.list(key) {
		switch v := v.(type) {
		case string:
			all = append(all, strings.TrimSpace(v))
		case int64:
			all = append(all, strconv.FormatInt(v, 10))
		case float64:
			all = append(all, strconv.FormatFloat(v, 'f', -1, 64))
		default:
			f.wrong(key, "write it in quotes, as text; it is %s", typeWord(v))
		}
	}
	return all
}

// Zone is a zone by its IANA name, or a fixed offset from UTC: "Europe/Berlin", "UTC", "-05:00", "+0530", "UTC+1".
func Zone(name string) (*time.Location, error) {
	if offset, ok := fixedOffset(name); ok {
		return offset, nil
	}
	if name != "" && name != "Local" {
		if z, err := time.LoadLocation(name); err == nil {
			return z, nil
		}
	}
	return nil, fmt.Errorf(`%q is no zone: give an IANA name such as "America/New_York", or a fixed offset from UTC such as "-05:00"`, name)
}

func fixedOffset(name string) (*time.Location, bool) {
	rest := strings.TrimPrefix(strings.TrimPrefix(name, "UTC"), "GMT")
	if rest == "" || rest[0] != '+' && rest[0] != '-' {
		return nil, false
	}
	hours, minutes, colon := strings.Cut(rest[1:], ":")
	if !colon && len(hours) > 2 {
		cut := len(hours) - 2
		hours, minutes = hours[:cut], hours[cut:]
	}
	h, err := strconv.ParseUint(hours, 10, 8)
	m, err2 := uint64(0), error(nil)
	if minutes != "" || colon {
		m, err2 = strconv.ParseUint(minutes, 10, 8)
	}
	if err != nil || err2 != nil || h > 14 || m > 59 || len(hours) > 2 || minutes != "" && len(minutes) != 2 {
		return nil, false
	}
	seconds := int(h)*3600 + int(m)*60
	if rest[0] == '-' {
		seconds = -seconds
	}
	return time.FixedZone(fmt.Sprintf("UTC%c%02d:%02d", rest[0], h, m), seconds), true
}
