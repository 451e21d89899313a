package templog

import (
	"bytes"
	"encoding/json"
	"io"
	"strconv"
	"unicode/utf8"

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
	if o.blanks(); p.s.pos == p.s.end && p.s.eof {
		return nil, document(0, "the input is empty. %s", o.advice)
	}
	if p.s.buf[p.s.pos] != '[' {
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
		return nil
	}
	if f.why == "" && !json.Valid(text) {
		f = notJSON
	}
	o.take(text, line, f)
	return o.p.noise(o.advice)
}

// element reads one element of the array.
func (o *objects) element() error {
	s := o.p.s
	if o.blanks(); s.err != nil {
		return s.err
	}
	if s.pos == s.end {
		return o.broken("the array does not end: it may be cut off")
	}
	switch c := s.buf[s.pos]; {
	case c == ']':
		s.pos++
		if o.blanks(); s.pos < s.end {
			return o.broken("text follows the closing bracket of the array")
		}
		if s.err != nil {
			return s.err
		}
		return io.EOF
	case o.count > 0 && c != ',':
		return o.broken("a comma or the closing bracket is missing")
	case o.count > 0:
		s.pos++
		o.blanks()
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
	o.take(text, line, fault{})
	return o.p.noise(o.advice)
}

func (o *objects) broken(why string) error {
	if o.p.s.err != nil {
		return o.p.s.err
	}
	return document(o.p.s.line, "behind %d values %s. %s", o.count, why, o.advice)
}

// blanks passes white space; behind it lies a whole element, if there is one.
func (o *objects) blanks() {
	s := o.p.s
	for s.fill() && s.pos < s.end {
		for ; s.pos < s.end; s.pos++ {
			switch s.buf[s.pos] {
			case '\n':
				s.line++
			case ' ', '\t', '\r':
			default:
				s.fill()
				return
			}
		}
	}
}

// extent is the length of the JSON value at the start of b, judged by its brackets and quotes alone; 0 if it does not
// end.
func extent(b []byte) int {
	depth, quoted := 0, false
	for i := 0; i < len(b); i++ {
		c := b[i]
		switch {
		case quoted && c == '\\':
			i++
			continue
		case c == '"':
			quoted = !quoted
		case quoted:
			continue
		case c == '{' || c == '[':
			depth++
		case (c == '}' || c == ']' || c == ',') && depth == 0: // behind a bare value
			return i
		case c == '}' || c == ']':
			depth--
		default:
			continue
		}
		if depth == 0 && !quoted && c != ',' {
			return i + 1
		}
	}
	return 0
}

// reading is one object as it stands.
type reading struct {
	sensor, at, celsius, fahrenheit, repeated []byte
}

// take judges one element that is valid JSON unless f says otherwise.
func (o *objects) take(text []byte, line int, f fault) {
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
		return
	case value[0] != '-' && value[0]-'0' > 9:
		f = fault{"the temperature %s is not a number", value}
	}
	if f.why != "" {
		o.refuse(line, f)
		return
	}
	v := Value{Line: clip(line)}
	if v.AtMicros, f = o.instant(r.at); f.why == "" {
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
		return
	}
	o.p.sound = true
	o.p.hold(v)
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
		return 0, fault{errYears, text}
	}
	return micros, f
}

// text is a JSON string's content.
func (o *objects) text(raw []byte, absent string) ([]byte, fault) {
	switch {
	case raw == nil:
		return nil, fault{why: absent}
	case raw[0] != '"':
		return nil, fault{"%s is not text in quotes", raw}
	case !utf8.Valid(raw):
		return nil, fault{"%s is not UTF-8", raw}
	}
	inner := raw[1 : len(raw)-1]
	if bytes.IndexByte(inner, '\\') < 0 {
		return inner, fault{}
	}
	var s string
	if err := json.Unmarshal(raw, &s); err != nil {
		return nil, notJSON
	}
	return []byte(s), fault{}
}

// object finds the keys that matter in text that is valid JSON.
func (o *objects) object(text []byte) (r reading, f fault) {
	if text[0] != '{' {
		return r, notJSON
	}
	for rest := bytes.TrimLeft(text[1:], space); rest[0] == '"'; {
		n := extent(rest)
		key := rest[1 : n-1]
		rest = bytes.TrimLeft(rest[n:], space)
		rest = bytes.TrimLeft(rest[1:], space) // behind the colon
		n = extent(rest)
		value := bytes.TrimRight(rest[:n], space)
		if rest = rest[n:]; len(rest) > 0 {
			if rest = bytes.TrimLeft(rest, space); rest[0] == ',' {
				rest = bytes.TrimLeft(rest[1:], space)
			}
		}
		var into *[]byte
		switch string(key) {
		case "sensor":
			into = &r.sensor
		case "at":
			into = &r.at
		case "celsius":
			into = &r.celsius
		case "fahrenheit":
			into = &r.fahrenheit
		default:
			continue
		}
		if *into != nil {
			r.repeated = key
		}
		*into = value
	}
	return r, f
}

const space = " \t\r\n"
