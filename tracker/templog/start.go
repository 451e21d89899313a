package templog

import (
	"bytes"
	"errors"
	"io"
	"strings"

	"vialward/tracker/thermal"
)

// startPlain reads the header of the plain form. Its columns may stand in any order and have others beside them.
func (p *Parser) startPlain(o Options) error {
	cells, line, header, err := p.header(',')
	if err != nil {
		return err
	}
	unit, value := thermal.Unit(""), ""
	for _, name := range cells {
		switch name {
		case "celsius":
			unit = thermal.DegCelsius
		case "fahrenheit":
			unit = thermal.DegFahrenheit
		default:
			continue
		}
		if value != "" {
			return document(line, "the header has the temperature twice, as %s and %s: leave one column out", value, name)
		}
		value = name
	}
	if value == "" {
		value = "celsius (or fahrenheit)"
	} else if o.Unit != "" && o.Unit != string(unit) {
		return document(line, "the header says %s, but the unit was given as %s: leave one out", value, o.Unit)
	}
	index, missing, twice := columnIndex([]Column{{Name: "sensor"}, {Name: "at"}, {Name: value}}, cells)
	if len(twice) > 0 {
		return document(line, "the header names %s twice", quoted(twice))
	}
	if len(missing) > 0 {
		return noPlainForm(line, missing, cells, header)
	}
	t := &table{p: p, delimiter: ',', decimal: '.', unit: unit, sensor: index[0], times: index[1:2], values: index[2:], width: len(cells), advice: plainAdvice}
	p.step = t.step
	if index[0] == 0 && index[1] == 1 && index[2] == 2 && len(cells) == 3 {
		p.fast = (&plain{p: p, unit: unit, sensor: -1}).rows
	}
	return nil
}

// startTable reads the head of a log that a layout describes.
func (p *Parser) startTable(l *Layout, o Options) error {
	if err := l.usable(&o); err != nil {
		return err
	}
	format, err := newTimeFormat(l.TimeFormat)
	if err != nil {
		return document(0, "time_format: %v", err)
	}
	for i := 0; i < l.SkipLines; i++ {
		if _, line, _, err := p.s.nextLine(); errors.Is(err, io.EOF) {
			return document(line, "the file ends within the %d lines that skip_lines passes over", l.SkipLines)
		} else if err != nil {
			return err
		}
	}
	t := &table{p: p, delimiter: l.delimiter(), decimal: l.decimal(), unit: thermal.Unit(o.Unit), sensor: -1, format: format, advice: layoutAdvice}
	t.missing = newSentinels(l.Missing, t.unit, t.decimal)
	if !format.epoch && !format.hasOffset {
		t.clock = &clock{p: p, zone: o.Zone, lo: 1} // lo above hi: nothing is known yet
	}
	p.step = t.step
	return t.columns(l)
}

// usable completes the options from the layout and says what is missing or wrong.
func (l *Layout) usable(o *Options) error {
	if all := l.Mistakes(); len(all) > 0 {
		var say []string
		for _, m := range all {
			say = append(say, m.Key+": "+m.Why)
		}
		return document(0, "the layout is not usable: %s", strings.Join(say, "; "))
	}
	switch {
	case l.Unit != "" && o.Unit != "" && l.Unit != o.Unit:
		return document(0, "the layout says unit = %q, but the unit was given as %s: leave one out", l.Unit, o.Unit)
	case l.Unit == "" && o.Unit == "":
		return document(0, `the layout does not say the unit: add unit = "Cel" or unit = "[degF]"`)
	case l.Unit != "":
		o.Unit = l.Unit
	case !knownUnit(o.Unit):
		return document(0, `the unit is "Cel" or "[degF]", not %s`, excerpt([]byte(o.Unit)))
	}
	if l.Zone != nil {
		o.Zone = l.Zone
	}
	if f, err := newTimeFormat(l.TimeFormat); err == nil && !f.epoch && !f.hasOffset && o.Zone == nil {
		return document(0, `the times have no offset and the layout does not say their zone: add zone = "Europe/Berlin", say, or zone = "-05:00" for a clock that is never changed`)
	}
	return nil
}

// columns finds the layout's columns, in the header if there is one.
func (t *table) columns(l *Layout) error {
	var names []string
	var header []byte
	line := t.p.s.line
	if l.Header {
		var err error
		if names, line, header, err = t.p.header(t.delimiter); err != nil {
			return err
		}
		t.width = len(names)
	}
	var wanted []Column
	wanted = append(append(wanted, l.Time...), l.Value...)
	if l.SensorColumn != nil {
		wanted = append(wanted, *l.SensorColumn)
	}
	index, missing, twice := columnIndex(wanted, names)
	if len(missing) > 0 {
		return noColumn(line, missing, names, header, t.delimiter)
	}
	if len(twice) > 0 {
		return document(line, "the header names %s twice: give the column by its number from 1", quoted(twice))
	}
	t.times, t.values = index[:len(l.Time)], index[len(l.Time):len(l.Time)+len(l.Value)]
	if l.SensorColumn != nil {
		t.sensor = index[len(index)-1]
		return nil
	}
	for i, c := range t.values {
		var name string
		if len(l.Sensor) > 0 {
			name = l.Sensor[i]
		} else {
			name = names[c]
		}
		n, f := t.p.sensor([]byte(name))
		if f.why == "" && int(n) < i {
			f = fault{"two value columns are named %s: give each a name with sensor", []byte(name)}
		}
		if f.why != "" {
			return document(line, "%s", f)
		}
		t.sensors = append(t.sensors, n)
	}
	return nil
}

// header reads the header's names and keeps its first line for messages.
func (p *Parser) header(delimiter byte) (names []string, line int, text []byte, err error) {
	cells, line, f, err := p.s.nextRow(delimiter)
	if errors.Is(err, io.EOF) {
		return nil, line, nil, document(line, "the file ends before its header")
	}
	if err != nil {
		return nil, line, nil, err
	}
	if f.why != "" {
		return nil, line, nil, document(line, "the header cannot be read: %s. Is this a text file in UTF-8?", f)
	}
	for i, c := range cells {
		if i == len(cells)-1 {
			c = trimStray(c)
		}
		names = append(names, string(bytes.TrimSpace(c)))
	}
	return names, line, p.s.buf[p.s.row:p.s.pos], nil
}

func noPlainForm(line int, missing, names []string, header []byte) error {
	if c, _ := likelyDelimiter(header); c != ',' && c != 0 {
		return noColumn(line, missing, names, header, ',')
	}
	return document(line, "this is not the plain form, whose header is sensor,at,celsius or sensor,at,fahrenheit: %s missing, found %s. Any other form is described by a layout", quoted(missing), quoted(names))
}
