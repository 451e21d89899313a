package chain

import (
	"strconv"
	"time"
)

// ReadingLines writes readings of one sensor as lines of a CSV: "T1,2025-11-12T05:00:00.000000Z,4.700".
type ReadingLines struct {
	sensor string
	day    int64  // UTC day since 1970 that start is of
	start  []byte // of every line of that day: "T1,2025-11-12T"
}

// Lines of a sensor. Sensors are codes, without comma or quote.
func Lines(sensor string) *ReadingLines { return &ReadingLines{sensor: sensor} }

const dayMicros = int64(24 * time.Hour / time.Microsecond)

// Append adds one line. Millions of readings are hashed at a time and most are of the same day as the one before: the
// date is written once a day, and the rest is arithmetic.
func (l *ReadingLines) Append(b []byte, atMicros int64, milliC int32) []byte {
	day, rest := atMicros/dayMicros, atMicros%dayMicros
	if rest < 0 {
		day, rest = day-1, rest+dayMicros
	}
	if l.start == nil || day != l.day {
		l.day = day
		l.start = append(l.start[:0], l.sensor...)
		l.start = time.UnixMicro(day*dayMicros).UTC().AppendFormat(append(l.start, ','), "2006-01-02T")
	}
	b = append(b, l.start...)
	second, micro := rest/1_000_000, rest%1_000_000
	b = append(b, byte('0'+second/36000), byte('0'+second/3600%10), ':', byte('0'+second%3600/600), byte('0'+second/60%10), ':',
		byte('0'+second%60/10), byte('0'+second%10), '.')
	for d := int64(100_000); d > 0; d /= 10 {
		b = append(b, byte('0'+micro/d%10))
	}
	n := int64(milliC)
	b = append(b, 'Z', ',')
	if n < 0 {
		b = append(b, '-')
		n = -n
	}
	b = strconv.AppendInt(b, n/1000, 10)
	return append(b, '.', byte('0'+n/100%10), byte('0'+n/10%10), byte('0'+n%10), '\n')
}
