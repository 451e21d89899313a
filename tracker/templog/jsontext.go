package templog

import (
	"bytes"
	"encoding/json"
	"unicode/utf8"
)

// What is here reads flat objects out of text that encoding/json has found valid. Decoding into a struct
// would allocate for each value and take the last of two equal keys without a word.

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
//
// The text being valid, a key is always followed by a colon and a value, and extent always finds their ends. A key
// written with escapes is not recognised; the object then lacks it, and is refused for that.
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
