package templog

import (
	"bytes"
	"fmt"
	"slices"
	"unicode/utf8"
)

const (
	mostRefusals = 10_000 // listed; the others are counted
	mostSensors  = 10_000
	longestName  = 200
	// A log of which not one of so many rows could be read is not the log described: it stops there, and cheaply.
	mostUseless = 1000
	// One that began well may have a bad stretch, a column exchanged say; behind so many rows that are none in a row, two
	// months of one-minute readings, nothing useful follows.
	mostLost = 100_000
)

// fault is why a value or a row is refused. It is made into a sentence only if it is listed.
type fault struct {
	why  string // with one %s for the text if there is one
	text []byte
}

func (f fault) String() string {
	if f.text == nil {
		return f.why
	}
	return fmt.Sprintf(f.why, excerpt(f.text))
}

// tally counts what becomes of each value, and lists what was refused.
type tally struct {
	rows     Rows
	refused  []Refusal
	moreFrom int  // first line of those refused and no longer listed
	useless  int  // rows so far, while none was sound
	sound    bool // a value was good, or missing in a row that could be dated
	lost     int  // rows in a row that were none: they could not be split or dated
}

func (t *tally) missing() {
	t.rows.Read++
	t.rows.Missing++
}

func (t *tally) refuse(line int, f fault) {
	t.rows.Read++
	t.refuseRead(line, f)
}

// refuseRead refuses a value that has been counted as read.
func (t *tally) refuseRead(line int, f fault) {
	t.rows.Refused++
	if len(t.refused) < mostRefusals {
		t.refused = append(t.refused, Refusal{line, f.String()})
	} else if t.moreFrom == 0 || line < t.moreFrom {
		t.moreFrom = line
	}
}

// stop ends reading before a line. What stands before it is sound if any row was.
func (t *tally) stop(line int, format string, args ...any) error {
	return &DocumentError{Line: line, Why: fmt.Sprintf(format, args...), Sound: t.sound}
}

// list is the refusals in the order of their lines, with an entry at the end for those that are only counted.
func (t *tally) list() []Refusal {
	all := slices.Clone(t.refused)
	slices.SortStableFunc(all, func(a, b Refusal) int { return a.Line - b.Line })
	if more := t.rows.Refused - int64(len(all)); more > 0 {
		all = append(all, Refusal{t.moreFrom, fmt.Sprintf("%d more values were refused from this line on; only the first %d are listed", more, mostRefusals)})
	}
	return all
}

// sensorFault says what is wrong with a sensor's name, if anything.
func sensorFault(name []byte) fault {
	switch {
	case len(name) == 0:
		return fault{why: "no sensor is named"}
	case len(name) > longestName:
		return fault{"the sensor's name is longer than 200 bytes: %s", name}
	case !utf8.Valid(name):
		return fault{"the sensor's name %s is not UTF-8: save the file as UTF-8", name}
	case bytes.ContainsFunc(name, func(r rune) bool { return r < ' ' || r == 0x7f }):
		return fault{"the sensor's name %s has control characters in it", name}
	}
	return fault{}
}
