package templog

import (
	"bytes"
	"encoding/json"
	"io"
	"strconv"

	"vialward/tracker/thermal"
)

// objects reads {"sensor":"R1","at":"2025-11-12T08:30:00-05:00","celsius":4.2} or the same with "fahrenheit"; null is a
// missing value, other keys are passed over. Numbers are read from their text, never through a float.
type objects struct {
	p      *Parser
	advice string
	count  int // elements of the array so far
}

// NewJSONParser reads an array of such objects (application/json). One that is not JSON, or goes on behind its closing
// bracket, is a *DocumentError; a value that cannot be used is refused, with its place in the array. o is not needed:
// unit and offset stand in each object.
func NewJSONParser(r io.Reader, _ Options) (*Parser, error) {
	p, err := newParser(r)
	if err != nil {
		return nil, err
	}
	o := &objects{p: p, advice: `An array of {"sensor":"R1","at":"2025-11-12T08:30:00-05:00","celsius":4.2} was expected`}
	p.step = o.element
	switch err := o.blanks(); {
	case err != nil:
		return nil, p.reading(err)
	case p.s.pos == p.s.end:
		return nil, document(0, "the input is empty. %s", o.advice)
	case p.s.buf[p.s.pos] != '[':
		return nil, document(p.s.line, "the input is not an array. %s; for one object a line send application/x-ndjson", o.advice)
	}
	p.s.pos++
	return p, nil
}

// NewNDJSONParser reads one such object a line (application/x-ndjson). A line that is none is refused, the next is
// read.
func NewNDJSONParser(r io.Reader, _ Options) (*Parser, error) {
	p, err := newParser(r)
	if err != nil {
		return nil, err
	}
	o := &objects{p: p, advice: `One {"sensor":"R1","at":"2025-11-12T08:30:00-05:00","celsius":4.2} a line was expected`}
	p.step = o.lineObject
	return p, nil
}

var notJSON = fault{why: "this is not one JSON object"}

// lineObject reads one line.
func (o *objects) lineObject() error {
	text, line, f, err := o.p.s.nextLine()
	if err != nil {
		return err
	}
	if text = bytes.TrimSpace(text); f.why == "" && len(text) == 0 {
		return o.p.empty(o.advice)
	}
	if f.why == "" && !json.Valid(text) {
		f = notJSON
	}
	return o.p.noise(o.take(text, line, f), o.advice)
}

// element reads one element of the array. Behind one that is not JSON nothing can be trusted, unlike in a table or in
// ndjson, where the next line is a new start: so the document ends there.
func (o *objects) element() error {
	s := o.p.s
	if err := o.blanks(); err != nil {
		return err
	}
	if s.pos == s.end {
		return o.broken("the array does not end: it may be cut off")
	}
	switch c := s.buf[s.pos]; {
	case c == ']':
		s.pos++
		if err := o.blanks(); err != nil {
			return err
		}
		if s.pos < s.end {
			return o.broken("text follows the closing bracket of the array")
		}
		return io.EOF
	case o.count > 0 && c != ',':
		return o.broken("a comma or the closing bracket is missing")
	case o.count > 0:
		s.pos++
		if err := o.blanks(); err != nil {
			return err
		}
	}
	n := extent(s.buf[s.pos:min(s.end, s.pos+longestRow)])
	if n == 0 || !json.Valid(s.buf[s.pos:s.pos+n]) {
		return o.broken("this is not JSON, or one element is longer than 64 kB")
	}
	line := s.line
	o.count++
	text := s.buf[s.pos : s.pos+n]
	s.line += bytes.Count(text, []byte{'\n'})
	s.pos += n
	return o.p.noise(o.take(text, line, fault{}), o.advice)
}

func (o *objects) broken(why string) error {
	if o.p.s.err != nil {
		return o.p.s.err
	}
	return document(o.p.s.line, "behind %d values %s. %s", o.count, why, o.advice)
}

// blanks passes white space; behind it lies a whole element, if there is one.
func (o *objects) blanks() error {
	s := o.p.s
	for begin, line := s.offset(), s.line; s.fill() && s.pos < s.end; {
		for ; s.pos < s.end && s.offset()-begin <= mostEmpty; s.pos++ {
			switch s.buf[s.pos] {
			case '\n':
				s.line++
			case ' ', '\t', '\r':
			default:
				s.fill()
				return s.err
			}
		}
		if s.offset()-begin > mostEmpty {
			return document(line, "behind %d values there is nothing but blanks for more than 1 MB. %s", o.count, o.advice)
		}
	}
	return s.err
}

// take judges one element that is valid JSON unless f says otherwise. Dated says that it is an object with a time,
// whatever its value.
func (o *objects) take(text []byte, line int, f fault) (dated bool) {
	var r reading
	if f.why == "" {
		r, f = o.object(text)
	}
	value, unit := r.celsius, thermal.DegCelsius
	if value == nil {
		value, unit = r.fahrenheit, thermal.DegFahrenheit
	}
	switch {
	case f.why != "":
	case r.repeated != nil:
		f = fault{"the key %s is there twice", r.repeated}
	case r.celsius != nil && r.fahrenheit != nil:
		f = fault{why: "both celsius and fahrenheit are given: leave one out"}
	case value == nil:
		f = fault{why: "neither celsius nor fahrenheit is given"}
	case string(value) == "null":
		o.p.sound = true
		o.p.missing()
		return true
	case value[0] != '-' && value[0]-'0' > 9:
		f = fault{"the temperature %s is not a number", value}
	}
	v := Value{Line: clip(line)}
	at, bad := o.instant(r.at)
	dated = bad.why == ""
	if f.why != "" {
		o.refuse(line, f)
		return dated
	}
	if v.AtMicros, f = at, bad; f.why == "" {
		var err error
		if v.MilliC, err = thermal.Parse(value, unit, '.'); err != nil {
			f = fault{why: err.Error()}
		}
	}
	if f.why == "" {
		var name []byte
		if name, f = o.text(r.sensor, "no sensor is named"); f.why == "" {
			v.Sensor, f = o.p.sensor(name)
		}
	}
	if f.why != "" {
		o.refuse(line, f)
		return dated
	}
	o.p.sound = true
	o.p.hold(v)
	return true
}

// refuse adds the place in the array, where a line number says little.
func (o *objects) refuse(line int, f fault) {
	if o.count > 0 && len(o.p.refused) < mostRefusals {
		f = fault{why: "value " + strconv.Itoa(o.count) + ": " + f.String()}
	}
	o.p.refuse(line, f)
}

func (o *objects) instant(at []byte) (int64, fault) {
	text, f := o.text(at, "no time is given as at")
	if f.why != "" {
		return 0, f
	}
	micros, ok := rfc3339(text)
	switch {
	case !ok:
		return 0, isoFault(text)
	case micros < firstMicros || micros >= endMicros:
		return 0, fault{notInLog, text}
	}
	return micros, f
}
