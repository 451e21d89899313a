package templog

import (
	"bytes"
	"math"

	"vialward/tracker/thermal"
)

// table reads rows of cells as a layout says, or as the plain form does.
type table struct {
	p         *Parser
	delimiter byte
	decimal   byte
	unit      thermal.Unit
	times     []int // columns, from 0
	values    []int
	sensors   []int32     // one a value column, if no column names it
	sensor    int         // the column that does, else -1
	width     int         // cells of the header, or of the first row
	format    *timeFormat // nil: RFC 3339
	missing   []sentinel
	clock     *clock // nil where the times carry their offset
	advice    string
	joined    []byte
	seen      []seen
}

// seen is what one value cell holds.
type seen struct {
	milliC  thermal.MilliC
	missing bool
	fault   fault
}

var (
	noTime       = fault{why: "the row has no time"}
	shortRow     = fault{why: "the row ends before the column of its time, sensor or value: it may be cut off"}
	longRow      = fault{why: "the row has more cells than the header: a decimal comma, or a delimiter in a cell without quotes"}
	plainAdvice  = "The plain form is sensor,at,celsius with times as 2025-11-12T08:30:00-05:00; any other form needs a layout"
	layoutAdvice = "Check the layout: delimiter, decimal, skip_lines, columns and time_format"
)

// step reads one row.
func (t *table) step() error {
	cells, line, f, err := t.p.s.nextRow(t.delimiter)
	if err != nil {
		t.flush()
		return err
	}
	some, dated := true, false
	if f.why != "" {
		t.p.refuse(line, f)
	} else {
		some, dated = t.row(cells, line)
	}
	if some {
		err = t.p.noise(dated, t.advice)
	} else {
		err = t.p.empty(t.advice)
	}
	if err != nil {
		t.flush()
	}
	return err
}

func (t *table) flush() {
	if t.clock != nil {
		t.clock.flush()
	}
}

// row takes the values of a row: first what each value cell holds, then the row's time and sensor, which all of them
// share. It may have none at all, not even missing ones; dated says that time and sensor are there.
func (t *table) row(cells [][]byte, line int) (some, dated bool) {
	blank := true
	for i := range cells {
		cells[i] = bytes.TrimSpace(cells[i])
		blank = blank && strayOnly(cells[i])
	}
	if blank {
		return false, false
	}
	cells[len(cells)-1] = trimStray(cells[len(cells)-1])
	if t.width == 0 {
		t.width = len(cells)
	}
	time, whole := t.time(cells)
	empty := len(time) == 0
	t.seen = t.seen[:0]
	for _, c := range t.values {
		v := seen{missing: true}
		if c >= len(cells) {
			v, whole = seen{fault: shortRow}, false // its last cell may be cut, and be the time
		} else if len(cells[c]) > 0 {
			v, empty = t.value(cells[c]), false
		}
		t.seen = append(t.seen, v)
	}
	if empty {
		return false, false
	}
	return true, t.place(cells, line, time, whole)
}

// time is the text of a row's time; whole is false where the row ends before it.
func (t *table) time(cells [][]byte) (text []byte, whole bool) {
	if len(t.times) == 1 {
		if c := t.times[0]; c < len(cells) {
			return cells[c], true
		}
		return nil, false
	}
	t.joined, whole = t.joined[:0], true
	for i, c := range t.times {
		if i > 0 {
			t.joined = append(t.joined, ' ')
		}
		if c < len(cells) {
			t.joined = append(t.joined, cells[c]...)
		} else {
			whole = false
		}
	}
	return bytes.TrimSpace(t.joined), whole
}

// value judges one cell that is not empty.
//
// A sentinel is compared as text first. Only a cell that reads to the same milli-degrees, or does not read at all
// (-9999 is beyond any temperature), can be the same number in another spelling, and is looked at closely.
func (t *table) value(text []byte) (v seen) {
	for i := range t.missing {
		if string(text) == t.missing[i].text {
			return seen{missing: true}
		}
	}
	m, err := thermal.Parse(text, t.unit, t.decimal)
	for i := range t.missing {
		if s := &t.missing[i]; s.number != "" && (err != nil || m == s.milliC) && s.same(text, t.decimal) {
			return seen{missing: true}
		}
	}
	if err != nil {
		return seen{fault: t.badValue(text, err)}
	}
	return seen{milliC: m}
}

// place dates a row's values and gives each away: missing, refused, ready, or kept until a repeated hour is understood.
func (t *table) place(cells [][]byte, line int, time []byte, whole bool) (dated bool) {
	sensor, at, state, f := t.locate(cells, line, time, whole)
	kept := false
	t.p.sound = t.p.sound || f.why == "" && t.anySound()
	for i, v := range t.seen {
		if t.sensor < 0 {
			sensor = t.sensors[i]
		}
		switch {
		case v.missing:
			t.p.tally.missing()
		case f.why != "":
			t.p.refuse(line, f)
		case v.fault.why != "":
			t.p.refuse(line, v.fault)
		case state == inDoubt:
			kept = t.clock.keep(Value{sensor, clip(line), at, v.milliC}) || kept
		default:
			t.p.hold(Value{sensor, clip(line), at, v.milliC})
		}
	}
	if f.why == "" && state == inDoubt && !kept {
		t.clock.keep(Value{timeOnly, clip(line), at, 0})
	}
	return f.why == ""
}

// locate finds a row's sensor, if a column names it, and its instant; or why the row has none.
func (t *table) locate(cells [][]byte, line int, time []byte, whole bool) (sensor int32, at int64, state doubt, f fault) {
	for _, c := range cells[min(t.width, len(cells)):] {
		if !strayOnly(c) {
			return 0, 0, 0, longRow
		}
	}
	if !whole || t.sensor >= len(cells) {
		return 0, 0, 0, shortRow
	}
	if len(time) == 0 {
		return 0, 0, 0, noTime
	}
	stamp, f := t.stamp(time)
	if f.why != "" {
		return 0, 0, 0, f
	}
	if at = stamp.wall - stamp.offset; at < firstMicros || at >= endMicros {
		return 0, 0, 0, fault{notInLog, time}
	}
	track := int32(0)
	if t.sensor >= 0 {
		if f = t.anyTaken(); f.why == "" {
			sensor, f = t.p.sensor(cells[t.sensor])
		}
		if f.why != "" {
			return 0, 0, 0, f
		}
		track = sensor
	}
	if t.clock == nil {
		return sensor, at, certain, f
	}
	at, state, f = t.clock.instant(track, stamp.wall, time)
	return sensor, at, state, f
}

func (t *table) anySound() bool {
	for _, v := range t.seen {
		if v.fault.why == "" {
			return true
		}
	}
	return false
}

// anyTaken keeps a name from becoming a sensor when the row's one value is refused anyway.
func (t *table) anyTaken() fault { return t.seen[0].fault }

func (t *table) stamp(time []byte) (stamp, fault) {
	if t.format != nil {
		return t.format.read(time)
	}
	at, ok := rfc3339(time)
	if !ok {
		return stamp{}, isoFault(time)
	}
	return stamp{wall: at}, fault{}
}

func clip(line int) int32 { return int32(min(line, math.MaxInt32)) }
