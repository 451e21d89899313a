package templog

import (
	"bytes"
	"strings"

	"vialward/tracker/thermal"
)

// plain reads rows of the plain form in the spelling nearly all of them have: a sensor that is known already, a time
// in whole seconds with Z or -05:00, a number, no quotes. It stops before any other row, which the table's way then
// takes: slower, with the same answer for these rows too.
type plain struct {
	p      *Parser
	unit   thermal.Unit
	sensor int32  // the row before's, -1 at first
	name   string // its name; "" for one that could only stand in quotes
	date   [10]byte
	day    int64 // the microseconds before date
}

// longestPlain is more than such a row can have behind its sensor's name: commas, time, number, line end.
const longestPlain = 1 + 25 + 1 + 64 + 2

// rows fills buf and says how many it could read.
func (q *plain) rows(buf []Value) (n int) {
	p := q.p
	s := p.s
	if p.last < 0 || s.err != nil {
		return 0
	}
	q.turnTo(p.last)
	for n < len(buf) {
		if s.end-s.pos < longestName+longestPlain {
			if s.eof || !s.fill() || s.end-s.pos < longestName+longestPlain {
				break
			}
		}
		b := s.buf[s.pos : s.pos+longestName+longestPlain]
		if !q.startsRow(b) {
			break
		}
		i := len(q.name)
		at, width := q.instant(b[i+1 : i+26])
		if i += 1 + width; width == 0 || b[i] != ',' {
			break
		}
		end := i + 1
		for end < len(b)-1 && b[end] != '\n' && b[end] != '\r' {
			end++
		}
		next := end + 1
		if b[end] == '\r' && end < len(b)-1 && b[end+1] == '\n' {
			next++
		} else if b[end] != '\n' {
			break
		}
		m, err := thermal.Parse(b[i+1:end], q.unit, '.')
		if err != nil {
			break
		}
		buf[n] = Value{q.sensor, clip(s.line), at, m}
		n++
		s.pos += next
		s.line++
	}
	if p.last = q.sensor; n > 0 {
		p.rows.Read += int64(n)
		p.lost, p.valuedTo = 0, s.offset()
	}
	return n
}

// startsRow says that a row begins with a known sensor and a comma, and makes it the present one.
func (q *plain) startsRow(b []byte) bool {
	if q.name != "" && b[len(q.name)] == ',' && string(b[:len(q.name)]) == q.name {
		return true
	}
	comma := bytes.IndexByte(b[:longestName+1], ',')
	if comma < 0 {
		return false
	}
	sensor, known := q.p.index[string(b[:comma])]
	if !known {
		return false
	}
	q.turnTo(sensor)
	return q.name != ""
}

// turnTo makes a sensor the present one. A name with a quote or a comma in it came out of quotes: without them the same
// bytes mean something else.
func (q *plain) turnTo(sensor int32) {
	if q.sensor == sensor {
		return
	}
	q.sensor, q.name = sensor, q.p.names[sensor]
	if strings.ContainsAny(q.name, `",`) {
		q.name = ""
	}
}

// instant reads 2025-11-12T13:30:00Z or 2025-11-12T08:30:00-05:00 and says how long it is, 0 if it is neither.
func (q *plain) instant(b []byte) (micros int64, width int) {
	_ = b[24]
	if b[10] != 'T' || b[13] != ':' || b[16] != ':' {
		return 0, 0
	}
	if [10]byte(b[:10]) != q.date {
		d, ok := isoDay(b[:10])
		if !ok {
			return 0, 0
		}
		q.date, q.day = [10]byte(b[:10]), d
	}
	h, m, s := two(b[11:]), two(b[14:]), two(b[17:])
	if h > 23 || m > 59 || s > 59 {
		return 0, 0
	}
	micros, width = q.day+int64(h)*hour+int64(m)*minute+int64(s)*second, 20
	if b[19] != 'Z' {
		offset, n := offsetMicros(b[19:25])
		if n == 0 {
			return 0, 0
		}
		micros, width = micros-offset, 19+n
	}
	if micros < firstMicros || micros >= endMicros {
		return 0, 0
	}
	return micros, width
}
