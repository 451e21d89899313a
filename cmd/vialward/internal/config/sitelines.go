package config

import (
	"fmt"
	"strings"
)

// lines knows on which line of a TOML document each key, table and array item begins. Paths read as people count:
// "rooms[2].units[1].class". The parser we use keeps positions to itself, hence this walk over text it has accepted.
type lines map[string]int

// of the nearest thing at or above a path that has a line: a missing key is shown at its table.
func (l lines) of(path string) int {
	for path != "" {
		if n, ok := l[path]; ok {
			return n
		}
		path = path[:max(0, strings.LastIndexAny(path, ".["))]
	}
	return 1
}

// findLines walks over a valid document. On anything else it stops early and knows fewer lines; it never fails.
func findLines(text string) lines {
	w := lineWalk{text: text, line: 1, found: lines{}, items: map[string]int{}}
	table := ""
	for w.blanks(true); w.pos < len(w.text); w.blanks(true) {
		from := w.pos
		if w.peek() == '[' {
			table = w.header()
		} else {
			w.pair(table)
		}
		if w.pos == from {
			break
		}
	}
	return w.found
}

type lineWalk struct {
	text  string
	pos   int
	line  int
	found lines
	items map[string]int // tables begun so far of each array of tables
}

func (w *lineWalk) peek() byte {
	if w.pos < len(w.text) {
		return w.text[w.pos]
	}
	return 0
}

func (w *lineWalk) step() {
	if w.peek() == '\n' {
		w.line++
	}
	w.pos++
}

// blanks passes spaces and, where they may stand, line breaks and comments.
func (w *lineWalk) blanks(breaks bool) {
	for w.pos < len(w.text) {
		switch c := w.peek(); {
		case c == ' ' || c == '\t' || c == '\r', breaks && c == '\n':
			w.step()
		case c == '#':
			for w.pos < len(w.text) && w.peek() != '\n' {
				w.step()
			}
		default:
			return
		}
	}
}

// header reads "[a.b]" or "[[a.b]]" and answers the path of the table that begins.
func (w *lineWalk) header() string {
	line, array := w.line, strings.HasPrefix(w.text[w.pos:], "[[")
	w.step()
	if array {
		w.step()
	}
	path := ""
	parts := w.key()
	for i, part := range parts {
		path = under(path, part)
		if array && i == len(parts)-1 {
			w.items[path]++
		}
		if n := w.items[path]; n > 0 {
			if _, known := w.found[path]; !known { // a list is where its first item is
				w.found[path] = line
			}
			path = item(path, n)
		}
	}
	w.found[path] = line
	for w.peek() == ']' || w.peek() == ' ' || w.peek() == '\t' {
		w.step()
	}
	return path
}

// pair reads "key = value".
func (w *lineWalk) pair(table string) {
	line, path := w.line, table
	for _, part := range w.key() {
		path = under(path, part)
		if _, known := w.found[path]; !known {
			w.found[path] = line
		}
	}
	w.blanks(false)
	if w.peek() == '=' {
		w.step()
		w.value(path)
	}
}

// key reads a bare, quoted or dotted key.
func (w *lineWalk) key() []string {
	var parts []string
	for {
		w.blanks(false)
		from := w.pos
		if c := w.peek(); c == '"' || c == '\'' {
			w.quoted()
			parts = append(parts, strings.Trim(w.text[from:w.pos], `"'`))
		} else {
			for w.pos < len(w.text) && !strings.ContainsRune(" \t\r\n.=]#\"'", rune(w.peek())) {
				w.step()
			}
			parts = append(parts, w.text[from:w.pos])
		}
		w.blanks(false)
		if w.peek() != '.' {
			return parts
		}
		w.step()
	}
}

func (w *lineWalk) value(path string) {
	w.blanks(false)
	switch w.peek() {
	case '"', '\'':
		w.quoted()
	case '[':
		w.step()
		for n := 1; ; n++ {
			if w.separators(); w.peek() == ']' || w.pos >= len(w.text) {
				break
			}
			from := w.pos
			w.found[item(path, n)] = w.line
			if w.value(item(path, n)); w.pos == from {
				return
			}
		}
		w.step()
	case '{':
		w.step()
		for {
			if w.separators(); w.peek() == '}' || w.pos >= len(w.text) {
				break
			}
			from := w.pos
			if w.pair(path); w.pos == from {
				return
			}
		}
		w.step()
	default:
		for w.pos < len(w.text) && !strings.ContainsRune(",]}\n#", rune(w.peek())) {
			w.step()
		}
	}
}

func (w *lineWalk) separators() {
	for w.blanks(true); w.peek() == ','; w.blanks(true) {
		w.step()
	}
}

// quoted passes a string of any of the four kinds.
func (w *lineWalk) quoted() {
	quote := w.text[w.pos : w.pos+1]
	closing, escapes := quote, quote == `"`
	if strings.HasPrefix(w.text[w.pos:], strings.Repeat(quote, 3)) {
		closing = strings.Repeat(quote, 3)
	}
	for range closing {
		w.step()
	}
	for w.pos < len(w.text) && !strings.HasPrefix(w.text[w.pos:], closing) {
		if escapes && w.peek() == '\\' {
			w.step()
		}
		w.step()
	}
	w.pos = min(w.pos, len(w.text))
	for range closing {
		w.step()
	}
	for len(closing) == 3 && w.peek() == quote[0] { // one or two quotes may stand before the closing three
		w.step()
	}
	w.pos = min(w.pos, len(w.text))
}

func under(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func item(path string, n int) string { return fmt.Sprintf("%s[%d]", path, n) }
