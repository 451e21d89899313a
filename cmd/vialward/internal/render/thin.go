package render

import (
	"time"

	"vialward/tracker/thermal"
)

// Thin keeps of sorted readings the lowest and the highest of each of so many columns of equal time, and the first and
// the last of all: about two points a column, each of them a reading. Nothing is averaged, so a short freeze among
// thousands of readings is still drawn.
func Thin(readings []thermal.Reading, from, to time.Time, columns int) []thermal.Reading {
	if len(readings) <= 2*columns || columns < 1 {
		return readings
	}
	start, width := from.UnixMicro(), max(to.UnixMicro()-from.UnixMicro(), 1)
	column := func(r thermal.Reading) int64 { return (r.AtMicros - start) * int64(columns) / width }
	out := make([]thermal.Reading, 0, 2*columns+2)
	keep := func(r thermal.Reading) {
		if n := len(out); n == 0 || out[n-1] != r {
			out = append(out, r)
		}
	}
	keep(readings[0])
	for i := 0; i < len(readings); {
		lo, hi, at := readings[i], readings[i], column(readings[i])
		for ; i < len(readings) && column(readings[i]) == at; i++ {
			if readings[i].MilliC < lo.MilliC {
				lo = readings[i]
			}
			if readings[i].MilliC > hi.MilliC {
				hi = readings[i]
			}
		}
		if hi.AtMicros < lo.AtMicros {
			lo, hi = hi, lo
		}
		keep(lo)
		keep(hi)
	}
	keep(readings[len(readings)-1])
	return out
}

// Gap is a time without data.
type Gap struct{ From, To time.Time }

// runs are the stretches of readings no further apart than the longest wait that counts as data.
func (s Series) runs() [][]thermal.Reading {
	var runs [][]thermal.Reading
	begin := 0
	for i := range s.Readings {
		if i > 0 && s.Readings[i].AtMicros-s.Readings[i-1].AtMicros > s.MaxGap.Microseconds() {
			runs = append(runs, s.Readings[begin:i])
			begin = i
		}
	}
	if begin < len(s.Readings) {
		runs = append(runs, s.Readings[begin:])
	}
	return runs
}

// Gaps between from and to, as far as the sensor was there. Before the first reading and after the last one a wait
// longer than MaxGap is one too: no data is not good data.
func (s Series) Gaps(from, to time.Time) []Gap {
	if s.From.After(from) {
		from = s.From
	}
	if !s.To.IsZero() && s.To.Before(to) {
		to = s.To
	}
	var gaps []Gap
	last := from
	note := func(until time.Time) {
		if until.After(to) {
			until = to
		}
		if begin := later(last, from); until.Sub(last) > s.MaxGap && until.After(begin) {
			gaps = append(gaps, Gap{begin, until})
		}
	}
	for i, r := range s.Readings {
		at := time.UnixMicro(r.AtMicros).UTC()
		if i > 0 || at.After(from) {
			note(at)
		}
		last = at
		if at.After(to) {
			return gaps
		}
	}
	note(to)
	return gaps
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// inside are the readings with from <= t <= to.
func (s Series) inside(from, to time.Time) []thermal.Reading {
	a, b := 0, len(s.Readings)
	for a < b && s.Readings[a].AtMicros < from.UnixMicro() {
		a++
	}
	for b > a && s.Readings[b-1].AtMicros > to.UnixMicro() {
		b--
	}
	return s.Readings[a:b]
}
