package templog

import "vialward/tracker/thermal"

// plain reads rows of the plain form in the spelling nearly all of them have: the sensor of the row before, the time
// in seconds with Z, a number. It stops before any other row, which the table's way then takes.
type plain struct {
	p    *Parser
	unit thermal.Unit
	date [10]byte // the row before's, and its microseconds
	day  int64
}

// longestPlain is more than such a row can have behind its sensor's name.
const longestPlain = 1 + 20 + 1 + 64 + 2

func (q *plain) rows(buf []Value) (n int) {
	p := q.p
	s := p.s
	if p.last < 0 || s.err != nil {
		return 0
	}
	name := p.names[p.last]
	for n < len(buf) {
		if s.end-s.pos < len(name)+longestPlain {
			if s.eof || !s.fill() || s.end-s.pos < len(name)+longestPlain {
				return n
			}
		}
		b := s.buf[s.pos : s.pos+len(name)+longestPlain]
		if string(b[:len(name)]) != name {
			return n
		}
		b = b[len(name):]
		if b[0] != ',' || b[21] != ',' {
			return n
		}
		at, ok := q.instant((*[20]byte)(b[1:21]))
		if !ok {
			return n
		}
		end := 22
		for b[end] != '\n' && b[end] != '\r' {
			if end++; end == len(b)-1 {
				return n
			}
		}
		m, err := thermal.Parse(b[22:end], q.unit, '.')
		if err != nil || b[end] == '\r' && b[end+1] != '\n' {
			return n
		}
		buf[n] = Value{p.last, clip(s.line), at, m}
		n++
		if b[end] == '\r' {
			end++
		}
		s.pos += len(name) + end + 1
		s.line++
		p.rows.Read++
	}
	return n
}

// instant reads 2025-11-12T13:30:00Z.
func (q *plain) instant(b *[20]byte) (micros int64, ok bool) {
	if b[10] != 'T' || b[13] != ':' || b[16] != ':' || b[19] != 'Z' {
		return 0, false
	}
	if [10]byte(b[:10]) != q.date {
		d, ok := isoDay(b[:10])
		if !ok || d < firstMicros || d >= endMicros {
			return 0, false
		}
		q.date, q.day = [10]byte(b[:10]), d
	}
	h, m, s := two(b[11:]), two(b[14:]), two(b[17:])
	if h > 23 || m > 59 || s > 59 {
		return 0, false
	}
	return q.day + int64(h)*hour + int64(m)*minute + int64(s)*second, true
}
