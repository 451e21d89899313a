package templog

const (
	second = int64(1_000_000) // in microseconds
	minute = 60 * second
	hour   = 60 * minute
	day    = 24 * hour
)

// Readings are taken from 1970 to the end of 2199: what a failed clock or another format of time gives lies outside.
const (
	firstMicros = int64(0)
	endMicros   = 84006 * day
)

const (
	notATime = "%s is not a time as in 2025-11-12T08:30:00-05:00 or 2025-11-12T13:30:00Z"
	notInLog = "the time %s is not between the years 1970 and 2199: is the logger's clock or the time format right?"
)

// daysBefore is the number of days from 1 January 1970 to a date of the Gregorian calendar.
//
// Counted in years that begin on 1 March, so that the leap day is a year's last: 400 of them have 146097 days, one
// 365 and a quarter, less one each hundred; 719468 days lie between 1 March of year 0 and 1970.
func daysBefore(year, month, dayOfMonth int) int64 {
	if month <= 2 {
		year, month = year-1, month+12
	}
	inYear := (153*(month-3)+2)/5 + dayOfMonth - 1
	return int64(365*year+year/4-year/100+year/400+inYear) - 719468
}

func daysIn(year, month int) int {
	switch month {
	case 2:
		if leap(year) {
			return 29
		}
		return 28
	case 4, 6, 9, 11:
		return 30
	}
	return 31
}

func leap(year int) bool { return year%4 == 0 && (year%100 != 0 || year%400 == 0) }

// rfc3339 reads an instant with its offset (RFC 3339, section 5.6; an offset without its colon too). Fractions of a
// second are cut to microseconds. The year may be any of 0000 to 9999 and is checked by the caller.
func rfc3339(b []byte) (micros int64, ok bool) {
	if len(b) < 20 || b[10] != 'T' && b[10] != 't' && b[10] != ' ' || b[13] != ':' || b[16] != ':' {
		return 0, false
	}
	micros, ok = isoDay(b[:10])
	h, m, s := two(b[11:]), two(b[14:]), two(b[17:])
	if !ok || h > 23 || m > 59 || s > 59 {
		return 0, false
	}
	micros += int64(h)*hour + int64(m)*minute + int64(s)*second
	b = b[19:]
	if b[0] == '.' {
		part, n := fraction(b[1:])
		if n == 0 {
			return 0, false
		}
		micros += part
		b = b[1+n:]
	}
	offset, n := offsetMicros(b)
	return micros - offset, n > 0 && n == len(b)
}

// isoDay reads 2025-11-12 into the microseconds before it.
func isoDay(b []byte) (micros int64, ok bool) {
	if len(b) != 10 || b[4] != '-' || b[7] != '-' {
		return 0, false
	}
	century, rest, month, d := two(b), two(b[2:]), two(b[5:]), two(b[8:])
	if century > 99 || rest > 99 {
		return 0, false
	}
	year := 100*century + rest
	if month < 1 || month > 12 || d < 1 || d > daysIn(year, month) {
		return 0, false
	}
	return daysBefore(year, month, d) * day, true
}

// two reads two digits; more than 99 means there are none.
func two(b []byte) int {
	h, l := b[0]-'0', b[1]-'0'
	if h > 9 || l > 9 {
		return 1000
	}
	return int(h)*10 + int(l)
}

// fraction reads the digits behind a decimal point, cut to microseconds, and says how many there were.
func fraction(b []byte) (micros int64, n int) {
	unit := second / 10
	for n < len(b) && b[n]-'0' <= 9 {
		micros += int64(b[n]-'0') * unit
		unit /= 10
		n++
	}
	return micros, n
}

// offsetMicros reads Z, +01:00 or +0100 and says how many bytes that were, 0 if it is none of them.
func offsetMicros(b []byte) (offset int64, n int) {
	if len(b) > 0 && (b[0] == 'Z' || b[0] == 'z') {
		return 0, 1
	}
	if len(b) < 5 || b[0] != '+' && b[0] != '-' {
		return 0, 0
	}
	n = 5
	minutes := b[3:]
	if b[3] == ':' {
		if len(b) < 6 {
			return 0, 0
		}
		n, minutes = 6, b[4:]
	}
	h, m := two(b[1:]), two(minutes)
	if h > 23 || m > 59 {
		return 0, 0
	}
	offset = int64(h)*hour + int64(m)*minute
	if b[0] == '-' {
		offset = -offset
	}
	return offset, n
}
