package templog

import (
	"time"
)

// track follows the order of rows of one sensor, or of a table whose rows have the values of all its sensors.
//
// When clocks go back, the wall times of an hour come twice. A log that goes on through them shows where the second
// pass begins: there the wall time steps back (01:59, 01:00), or forward in a log that has its newest row first. The
// rows of that hour wait until the first row outside it. Exactly one such step, in the direction of the rows around,
// parts them. A log whose rows are a whole hour apart has no step, only 01:00 twice: it is understood where both
// neighbours are no further away than that, or one of them is and the two values differ, so that neither is a copy of
// the other. In any other case each row is refused.
type track struct {
	before    int64 // wall time of the last row outside
	hasBefore bool
	open      bool
	full      bool
	from, to  int64   // the wall times that come twice
	offset    int64   // of the first pass
	waiting   []Value // AtMicros is the wall time
}

// close decides the rows that wait, when a row at wall lies outside their hour, or the log ends.
func (t *track) close(c *clock, wall int64, more bool) {
	if !t.open {
		return
	}
	part, newestFirst, ok := t.part(wall, more)
	for i, v := range t.waiting {
		switch {
		case v.Sensor == timeOnly:
		case !ok:
			c.p.refuseRead(int(v.Line), t.cannotTell(c, v))
		default:
			v.AtMicros -= t.offset
			if i < part == newestFirst { // the second pass
				v.AtMicros += t.to - t.from
			}
			c.p.ready = append(c.p.ready, v)
		}
	}
	c.waiting -= len(t.waiting)
	t.waiting, t.open, t.full = t.waiting[:0], false, false
	if cap(t.waiting) > 4096 {
		t.waiting = nil
	}
}

// part finds the first row of the later pass in the file's order.
func (t *track) part(wall int64, more bool) (part int, newestFirst, ok bool) {
	if t.full {
		return 0, false, false
	}
	back, forward, rows := 0, 0, 1
	lastBack, lastForward, lastSame := 0, 0, 0
	for i := 1; i < len(t.waiting); i++ {
		a, b := t.waiting[i-1], t.waiting[i]
		switch {
		case b.AtMicros < a.AtMicros:
			back, lastBack = back+1, i
		case b.AtMicros > a.AtMicros:
			forward, lastForward = forward+1, i
		case b.Line != a.Line:
			lastSame = i
		}
		if b.Line != a.Line {
			rows++
		}
	}
	direction := t.direction(wall, more)
	if direction == 0 && back == 1 && forward > 1 {
		direction = 1
	} else if direction == 0 && forward == 1 && back > 1 {
		direction = -1
	}
	switch {
	case direction > 0 && back == 1:
		return lastBack, false, true
	case direction < 0 && forward == 1:
		return lastForward, true, true
	case direction != 0 && rows == 2 && lastSame > 0 && t.hourly(lastSame, wall, more):
		return lastSame, direction < 0, true
	}
	return 0, false, false
}

// direction of the rows around: 1 oldest first, -1 newest first, 0 where they do not say.
func (t *track) direction(wall int64, more bool) int {
	before, after := 0, 0
	if t.hasBefore {
		before = 1
		if t.before >= t.to {
			before = -1
		}
	}
	if more {
		after = -1
		if wall >= t.to {
			after = 1
		}
	}
	if before*after < 0 {
		return 0
	}
	return max(-1, min(1, before+after))
}

// hourly says that the two rows of one wall time, the second from index part on, are each of a pass.
func (t *track) hourly(part int, wall int64, more bool) bool {
	at, length := t.waiting[0].AtMicros, t.to-t.from
	near := 0
	if t.hasBefore && max(at-t.before, t.before-at) <= length {
		near++
	}
	if more && max(at-wall, wall-at) <= length {
		near++
	}
	return near == 2 || near == 1 && differ(t.waiting[:part], t.waiting[part:])
}

// differ says that a sensor has another value in the one row than in the other.
func differ(one, other []Value) bool {
	for _, a := range one {
		for _, b := range other {
			if a.Sensor == b.Sensor && a.MilliC != b.MilliC {
				return true
			}
		}
	}
	return false
}

func (t *track) cannotTell(c *clock, v Value) fault {
	text := time.UnixMicro(v.AtMicros).UTC().Format(time.DateTime)
	return fault{"%s comes twice in " + c.zone.String() + " and the order of the rows does not tell which of the two it is: export the log with the offset, or in UTC", []byte(text)}
}
