package label

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// GS is ASCII 29, which stands for FNC1 between element strings in what a scanner sends (GS1 General Specifications, R).
const GS = "\x1d"

// ErrUnknownIdentifier is for a GS1 application identifier that vialward does not know: what follows cannot be cut.
var ErrUnknownIdentifier = errors.New("unknown GS1 application identifier")

// identifier is what the GS1 General Specifications say of an application identifier. Those of this house (01, 10, 17,
// 21, 7003) were read (R); the others stand here so that a manufacturer's pack can be scanned, from memory (M).
type identifier struct {
	min, max int
	kind     byte // n digits, x any of the 82 characters, k a key with a check digit, d a date, t date and time
	fixed    bool // length known to every scanner: no FNC1 needed after it
}

var identifiers = map[string]identifier{
	"00": {18, 18, 'k', true}, "01": {14, 14, 'k', true}, "02": {14, 14, 'k', true},
	"10": {1, 20, 'x', false},
	"11": {6, 6, 'd', true}, "12": {6, 6, 'd', true}, "13": {6, 6, 'd', true}, "15": {6, 6, 'd', true},
	"16": {6, 6, 'd', true}, "17": {6, 6, 'd', true},
	"20": {2, 2, 'n', true}, "21": {1, 20, 'x', false}, "22": {1, 20, 'x', false},
	"30": {1, 8, 'n', false}, "37": {1, 8, 'n', false},
	"240": {1, 30, 'x', false}, "241": {1, 30, 'x', false}, "250": {1, 30, 'x', false}, "251": {1, 30, 'x', false},
	"400": {1, 30, 'x', false}, "414": {13, 13, 'k', true},
	"710": {1, 20, 'x', false}, "711": {1, 20, 'x', false}, "712": {1, 20, 'x', false}, "713": {1, 20, 'x', false},
	"714": {1, 20, 'x', false}, "715": {1, 20, 'x', false},
	"7003": {10, 10, 't', false}, // fixed in length, yet not in the table of those that go without FNC1
	"7004": {1, 4, 'n', false},
	"90":   {1, 30, 'x', false}, "91": {1, 90, 'x', false}, "92": {1, 90, 'x', false}, "93": {1, 90, 'x', false},
	"94": {1, 90, 'x', false}, "95": {1, 90, 'x', false}, "96": {1, 90, 'x', false}, "97": {1, 90, 'x', false},
	"98": {1, 90, 'x', false}, "99": {1, 90, 'x', false},
}

// set82 holds the 82 characters of GS1 alphanumeric data: no space, no backslash, no caret.
const set82 = `!"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz`

// check one value against its identifier.
func (id identifier) check(ai, value string) error {
	if len(value) < id.min || len(value) > id.max {
		if id.min == id.max {
			return fmt.Errorf("(%s) takes exactly %d characters, not %d", ai, id.min, len(value))
		}
		return fmt.Errorf("(%s) takes %d to %d characters, not %d", ai, id.min, id.max, len(value))
	}
	if id.kind == 'x' {
		if bad := strings.Trim(value, set82); bad != "" {
			return fmt.Errorf("(%s) cannot hold %q", ai, bad[:1])
		}
		return nil
	}
	if strings.Trim(value, "0123456789") != "" {
		return fmt.Errorf("(%s) takes digits only, not %q", ai, value)
	}
	switch id.kind {
	case 'k':
		last := len(value) - 1
		if c, err := CheckDigit(value[:last]); err != nil || c != value[last] {
			return fmt.Errorf("(%s) %s: its check digit is wrong", ai, value)
		}
	case 'd':
		if _, err := gs1Date(value, 2000); err != nil {
			return fmt.Errorf("(%s) %s is no date: %w", ai, value, err)
		}
	case 't':
		if _, err := gs1Time(value, 2000); err != nil {
			return fmt.Errorf("(%s) %s is no date and time: %w", ai, value, err)
		}
	}
	return nil
}

// Date is a calendar day, as on a label.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// gs1Date reads YYMMDD; day 00 is the last day of the month (R).
func gs1Date(s string, thisYear int) (Date, error) {
	d := Date{century(two(s), thisYear), time.Month(two(s[2:])), two(s[4:])}
	if d.Month < 1 || d.Month > 12 {
		return Date{}, fmt.Errorf("month %02d", int(d.Month))
	}
	last := time.Date(d.Year, d.Month+1, 0, 0, 0, 0, 0, time.UTC).Day()
	if d.Day == 0 {
		d.Day = last
	}
	if d.Day > last {
		return Date{}, fmt.Errorf("day %02d", d.Day)
	}
	return d, nil
}

// century puts a two-digit year within the 49 years before and the 50 after this one (GS1 General Specifications,
// determination of century in dates: M).
func century(yy, thisYear int) int {
	base := thisYear - thisYear%100
	switch diff := yy - thisYear%100; {
	case diff >= 51:
		return base - 100 + yy
	case diff <= -50:
		return base + 100 + yy
	default:
		return base + yy
	}
}

// two reads two digits that were checked to be digits.
func two(s string) int { return int(s[0]-'0')*10 + int(s[1]-'0') }
