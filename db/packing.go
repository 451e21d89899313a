package db

import (
	"encoding/binary"
	"errors"

	"vialward/tracker/thermal"
)

// The packed form of a row of readings: one byte of version, then for each reading the difference of its instant to
// the one before (microseconds, the first absolute) and of its value, as zigzag varints. A minute's reading takes about
// five bytes; the fold reads a day with one allocation.
const packingVersion = 1

var errPacking = errors.New("a packed row of readings is damaged")

// pack needs readings sorted by instant.
func pack(rs []thermal.Reading) []byte {
	b := make([]byte, 0, 1+6*len(rs))
	b = append(b, packingVersion)
	var at int64
	var milli int64
	for _, r := range rs {
		b = binary.AppendVarint(b, r.AtMicros-at)
		b = binary.AppendVarint(b, int64(r.MilliC)-milli)
		at, milli = r.AtMicros, int64(r.MilliC)
	}
	return b
}

// unpack appends the readings of a row to rs.
func unpack(rs []thermal.Reading, b []byte) ([]thermal.Reading, error) {
	if len(b) == 0 || b[0] != packingVersion {
		return rs, errPacking
	}
	b = b[1:]
	var at, milli int64
	for len(b) > 0 {
		d, n := binary.Varint(b)
		if n <= 0 {
			return rs, errPacking
		}
		m, k := binary.Varint(b[n:])
		if k <= 0 {
			return rs, errPacking
		}
		at, milli, b = at+d, milli+m, b[n+k:]
		rs = append(rs, thermal.Reading{AtMicros: at, MilliC: thermal.MilliC(milli)})
	}
	return rs, nil
}
