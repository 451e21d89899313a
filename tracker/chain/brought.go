package chain

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"time"
)

// Brought is the rows an event brings into tables outside itself, one JSON array a line: what the row is, then its values
// in a fixed order. The lines are hashed sorted by their bytes, so it does not matter who lists them in which order.
type Brought struct{ lines []string }

// Add takes a line over as it is.
func (b *Brought) Add(line string) { b.lines = append(b.lines, line) }

// Line is one row as text. Values are strings, whole numbers, booleans, instants (written in UTC, to the microsecond),
// hashes and bytes (written in hex), lists, and nil for none.
func Line(what string, values ...any) string {
	cells := make([]any, 0, 1+len(values))
	cells = append(cells, what)
	for _, v := range values {
		cells = append(cells, cell(v))
	}
	line, err := json.Marshal(cells)
	if err != nil {
		panic("chain: strings and numbers are JSON: " + err.Error())
	}
	return string(line)
}

func cell(v any) any {
	switch x := v.(type) {
	case nil, string, int, int32, int64, bool, []string, []any: // lists as a database answers them
		return x
	case time.Time:
		return Stamp(x)
	case *time.Time:
		if x == nil {
			return nil
		}
		return Stamp(*x)
	case *string:
		if x == nil {
			return nil
		}
		return *x
	case Hash:
		return x.String()
	case []byte:
		return hex.EncodeToString(x)
	default:
		panic(fmt.Sprintf("chain: a row holds a %T", v))
	}
}

// Empty says that nothing was brought.
func (b *Brought) Empty() bool { return len(b.lines) == 0 }

// Lines of the rows, sorted.
func (b *Brought) Lines() []string {
	slices.Sort(b.lines)
	return b.lines
}

// Text is what is hashed.
func (b *Brought) Text() []byte {
	text := []byte(broughtLine)
	for _, l := range b.Lines() {
		text = append(append(text, l...), '\n')
	}
	return text
}

// Digest is the hash of Text in hex, "" where nothing was brought.
func (b *Brought) Digest() string {
	if b.Empty() {
		return ""
	}
	return Of(b.Text()).String()
}

// Stamp writes an instant as the record does: UTC, with microseconds.
func Stamp(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000000Z") }
