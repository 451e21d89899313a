package templog

// stamp is a time as it is written: a wall time in microseconds as if it were UTC, and the offset if there is one.
type stamp struct {
	wall   int64
	offset int64
}

// fields are the parts of a time while it is read.
type fields struct {
	year, month, day, ofYear, hour, minute, second int
	micros                                         int64
	pm, hasPM, twelve                              bool
	offset                                         int64
}

// read reads a time. It says which part does not fit.
//
// Numbers may leave out leading zeros (4/4/2005) except where another number follows at once, a year never does, and a
// blank stands for any stretch of blanks: as in POSIX strptime, but stricter, since a lenient reader takes 112 for
// 2 November or 12 January as it comes.
func (f *timeFormat) read(text []byte) (t stamp, no fault) {
	if f.epoch {
		return epochSeconds(text)
	}
	v := fields{ofYear: -1}
	rest := text
	for _, p := range f.parts {
		n := 1
		switch {
		case p.directive != 0:
			n = v.directive(p, rest)
		case p.char == ' ':
			n = blanks(rest)
		case len(rest) == 0 || rest[0] != p.char:
			n = 0
		}
		if n == 0 {
			return t, fault{"the time %s is not written as time_format says", text}
		}
		rest = rest[n:]
	}
	if len(rest) > 0 {
		return t, fault{"the time %s goes on where time_format ends", text}
	}
	wall, ok := v.wall()
	if !ok {
		return t, fault{"%s is no date and time of the calendar: does time_format have day and month the right way round?", text}
	}
	return stamp{wall, v.offset}, no
}

func blanks(b []byte) (n int) {
	for n < len(b) && (b[n] == ' ' || b[n] == '\t') {
		n++
	}
	return n
}

// directive reads one part of a time and says how many bytes it took, 0 if it is not there.
func (v *fields) directive(p part, b []byte) (n int) {
	switch p.directive {
	case 'Y':
		v.year, n = number(b, 4, true)
	case 'y': // 69 to 99 are of the last century (POSIX strptime)
		if v.year, n = number(b, 2, true); v.year < 69 {
			v.year += 100
		}
		v.year += 1900
	case 'm':
		v.month, n = number(b, 2, p.fixed)
	case 'd':
		v.day, n = number(b, 2, p.fixed)
	case 'j':
		v.ofYear, n = number(b, 3, p.fixed)
	case 'H':
		v.hour, n = number(b, 2, p.fixed)
	case 'I':
		v.hour, n = number(b, 2, p.fixed)
		v.twelve = true
	case 'M':
		v.minute, n = number(b, 2, p.fixed)
	case 'S':
		v.second, n = number(b, 2, p.fixed)
	case 'f':
		v.micros, n = fraction(b)
	case 'z':
		v.offset, n = offsetMicros(b)
	case 'p':
		v.pm, n = halfOfDay(b)
		v.hasPM = true
	case 'b', 'B':
		v.month, n = name(b, months, p.directive == 'b')
	case 'a', 'A':
		_, n = name(b, weekdays, p.directive == 'a')
	}
	return n
}

// number reads up to width digits, exactly width of them if fixed.
func number(b []byte, width int, fixed bool) (v, n int) {
	for n < width && n < len(b) && b[n]-'0' <= 9 {
		v = v*10 + int(b[n]-'0')
		n++
	}
	if fixed && n < width {
		return 0, 0
	}
	return v, n
}

// halfOfDay reads AM, pm, a.m. and the like.
func halfOfDay(b []byte) (pm bool, n int) {
	if len(b) < 2 || b[0]|' ' != 'a' && b[0]|' ' != 'p' {
		return false, 0
	}
	pm = b[0]|' ' == 'p'
	switch {
	case b[1]|' ' == 'm':
		return pm, 2
	case len(b) >= 4 && b[1] == '.' && b[2]|' ' == 'm' && b[3] == '.':
		return pm, 4
	}
	return false, 0
}

var (
	months = []string{"january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
		"november", "december"}
	weekdays = []string{"monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"}
)

// name reads one of the names, or its first three letters, in any case; which counts from 1.
func name(b []byte, names []string, short bool) (which, n int) {
	for i, name := range names {
		if short {
			name = name[:3]
		}
		if len(b) < len(name) {
			continue
		}
		same := true
		for j := 0; same && j < len(name); j++ {
			same = b[j]|' ' == name[j]
		}
		if same {
			return i + 1, len(name)
		}
	}
	return 0, 0
}

// wall puts the parts together; false where there is no such date or time.
func (v *fields) wall() (micros int64, ok bool) {
	if v.ofYear >= 0 {
		if v.ofYear < 1 || v.ofYear > 366 || v.ofYear == 366 && !leap(v.year) {
			return 0, false
		}
		micros = (daysBefore(v.year, 1, 1) + int64(v.ofYear) - 1) * day
	} else {
		if v.month < 1 || v.month > 12 || v.day < 1 || v.day > daysIn(v.year, v.month) {
			return 0, false
		}
		micros = daysBefore(v.year, v.month, v.day) * day
	}
	switch {
	case v.twelve && (v.hour < 1 || v.hour > 12), v.hour > 23, v.minute > 59, v.second > 59:
		return 0, false
	case v.twelve:
		if v.hour %= 12; v.pm {
			v.hour += 12
		}
	case v.hasPM && v.pm != (v.hour >= 12): // a 24-hour clock that writes PM as well
		return 0, false
	}
	return micros + int64(v.hour)*hour + int64(v.minute)*minute + int64(v.second)*second + v.micros, true
}

// epochSeconds reads seconds since 1970 UTC, cut to microseconds.
func epochSeconds(text []byte) (t stamp, no fault) {
	bad := fault{"%s is not a number of seconds since 1970", text}
	whole, n := int64(0), 0
	for n < len(text) && text[n]-'0' <= 9 {
		if whole = whole*10 + int64(text[n]-'0'); whole > endMicros/second {
			return t, fault{"%s is beyond the year 2199: an epoch time is in seconds, not in milliseconds or smaller", text}
		}
		n++
	}
	if n == 0 {
		return t, bad
	}
	t.wall = whole * second
	if rest := text[n:]; len(rest) > 0 {
		part, digits := int64(0), 0
		if rest[0] == '.' || rest[0] == ',' {
			part, digits = fraction(rest[1:])
		}
		if digits == 0 || digits+1 != len(rest) {
			return t, bad
		}
		t.wall += part
	}
	return t, no
}
