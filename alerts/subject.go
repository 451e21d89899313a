package alerts

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// SubjectMax is the longest subject, in characters; the first SubjectAlone of them are what a lock screen shows, and
// must say what, where and until when by themselves.
const (
	SubjectMax   = 60
	SubjectAlone = 40
)

// nameMax is how much of a unit's, sensor's or area's name a subject carries. Codes ("R1") are shorter by far; a long
// name must not push the value and the time off the lock screen.
const nameMax = 10

// oneLine makes data fit for a header: control characters, line and paragraph separators, invisible and
// direction-changing characters become nothing or a blank, runs of blanks one blank. No data can start a new header
// line (RFC 5322, 2.2) or turn the reading direction of the rest.
func oneLine(s string) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r) || unicode.Is(unicode.Cc, r):
			return ' '
		case unicode.Is(unicode.Cf, r) || r == utf8.RuneError:
			return -1
		default:
			return r
		}
	}, s)
	return strings.Join(strings.Fields(s), " ")
}

// cut shortens s to n characters, at a blank if one is near the end.
func cut(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	s = string(r[:n])
	if i := strings.LastIndexByte(s, ' '); r[n] != ' ' && i > len(s)*2/3 {
		s = s[:i]
	}
	return strings.TrimRight(s, " ,;:")
}

// name is a place's name inside a subject.
func name(s string) string { return cut(oneLine(s), nameMax) }

// subject joins a head, which always stands whole within SubjectMax, and tails, each of which is added while it fits:
// better no count than half a number.
func subject(head string, tails ...string) string {
	s := cut(oneLine(head), SubjectMax)
	for _, t := range tails {
		t = oneLine(t)
		if t == "" || utf8.RuneCountInString(s)+2+utf8.RuneCountInString(t) > SubjectMax {
			continue
		}
		s += ", " + t
	}
	return s
}
