package templog

import (
	"errors"
	"fmt"
	"strings"
)

// directives of strftime that a time_format may have. Names of months and days are the English ones.
const directives = "%d %m %Y %y %H %M %S %I %p %b %B %a %A %f %z %j, and %F %T %R for their usual combinations"

// timeFormat is a compiled time_format: the parts of a time in their order.
type timeFormat struct {
	epoch     bool
	parts     []part
	hasOffset bool
}

// part is a directive, or a character that stands for itself.
type part struct {
	directive byte // 0 for a character
	char      byte
	fixed     bool // a number right beside another number has all its digits
}

// newTimeFormat compiles a time_format, or says which part of it is missing, unknown or there twice. Every format that
// compiles tells a date without ambiguity: day and month each have their place.
func newTimeFormat(format string) (*timeFormat, error) {
	if format == Epoch {
		return &timeFormat{epoch: true}, nil
	}
	if format == "" {
		return nil, fmt.Errorf(`say how times are written: %q, or strftime such as "%%d/%%m/%%Y %%H:%%M"`, Epoch)
	}
	for short, long := range map[string]string{"%F": "%Y-%m-%d", "%T": "%H:%M:%S", "%R": "%H:%M"} {
		format = strings.ReplaceAll(format, short, long)
	}
	f := &timeFormat{}
	has := map[byte]bool{}
	for i := 0; i < len(format); i++ {
		p := part{char: format[i]}
		if format[i] == '%' {
			if i++; i == len(format) || !strings.Contains("dmYyHMSIpbBaAfzj%", format[i:i+1]) {
				return nil, fmt.Errorf("%q is not a directive it can have: %s", format[i-1:min(i+1, len(format))], directives)
			}
			if p = (part{directive: format[i]}); format[i] == '%' {
				p = part{char: '%'}
			} else if has[format[i]] {
				return nil, fmt.Errorf("%%%c is there twice", format[i])
			}
			has[format[i]] = true
		}
		if n := len(f.parts); n > 0 && f.parts[n-1].number() && p.number() {
			f.parts[n-1].fixed, p.fixed = true, true
		}
		f.parts = append(f.parts, p)
	}
	f.hasOffset = has['z']
	return f, complete(has)
}

func (p part) number() bool {
	return strings.IndexByte("dmYyHMSIfj", p.directive) >= 0 && p.directive != 0
}

// complete says what a format lacks, or has twice, to tell a day and an hour.
func complete(has map[byte]bool) error {
	days, months := has['d'] || has['j'], has['m'] || has['b'] || has['B']
	switch {
	case !has['Y'] && !has['y']:
		return errors.New("it has no year: add %Y, or %y for two digits")
	case !days:
		return errors.New("it has no day: add %d")
	case !months && !has['j']:
		return errors.New("it has no month: add %m, or %b for its name")
	case has['Y'] && has['y'], has['j'] && (has['d'] || months), has['m'] && (has['b'] || has['B']), has['b'] && has['B']:
		return errors.New("it has the year, the month or the day in two ways: leave one out")
	case !has['H'] && !has['I']:
		return errors.New("it has no hour: add %H, or %I with %p")
	case has['H'] && has['I']:
		return errors.New("it has the hour in two ways: leave out %H or %I")
	case has['I'] && !has['p']:
		return errors.New("%I, the hour up to 12, needs %p for AM or PM")
	case has['S'] && !has['M'], has['f'] && !has['S']:
		return errors.New("it has seconds or their fraction without what is larger: add %M and %S")
	}
	return nil
}
