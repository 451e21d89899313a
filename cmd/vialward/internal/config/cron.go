package config

import (
	"fmt"
	"math/bits"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Fields of a cron expression, with what they may hold.
var cronFields = []struct {
	name        string
	least, most int
	words       []string // for least, least+1, ...
}{
	{"minute", 0, 59, nil},
	{"hour", 0, 23, nil},
	{"day", 1, 31, nil},
	{"month", 1, 12, []string{"jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"}},
	{"weekday", 0, 6, []string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}},
}

var cronWords = []string{"@yearly", "@annually", "@monthly", "@weekly", "@daily", "@midnight", "@hourly"}

// checkCron says what is wrong with a cron expression. The scheduler reads it again; here it is only looked at, so that
// a mistake comes with its line and beside all others. A test holds both to the same opinion.
func checkCron(spec string) error {
	if strings.Contains(spec, "TZ=") {
		return fmt.Errorf("%q names a zone; expressions are read in UTC", spec)
	}
	if every, ok := strings.CutPrefix(spec, "@every "); ok {
		if d, err := time.ParseDuration(every); err != nil || d < time.Second {
			return fmt.Errorf("%q: write a length of at least a second, such as \"@every 30s\"", spec)
		}
		return nil
	}
	if slices.Contains(cronWords, spec) {
		return nil
	}
	fields := strings.Fields(spec)
	if len(fields) != len(cronFields) {
		return fmt.Errorf("%q is not five fields: minute hour day month weekday, or \"@every 30s\"", spec)
	}
	var sets [5]uint64
	for i, text := range fields {
		for part := range strings.SplitSeq(text, ",") {
			set, err := cronPart(i, part)
			if err != nil {
				return fmt.Errorf("%q: %w", spec, err)
			}
			sets[i] |= set
		}
	}
	// With any weekday, the day must exist in one of the months; with some weekdays either of the two is enough.
	if strings.ContainsAny(fields[4], "*?") && !strings.Contains(fields[4], "/") && !dayExists(sets[2], sets[3]) {
		return fmt.Errorf("%q never comes: use a day that one of its months has", spec)
	}
	return nil
}

// cronPart reads "*", "5", "1-5", "*/10" or "1-30/5" as a set of numbers.
func cronPart(field int, part string) (uint64, error) {
	f := cronFields[field]
	span, stepText, stepped := strings.Cut(part, "/")
	low, high, ranged := strings.Cut(span, "-")
	from, to := f.least, f.most
	var err error
	if span != "*" && span != "?" {
		if from, err = cronNumber(field, low); err != nil {
			return 0, err
		}
		if to = from; ranged {
			if to, err = cronNumber(field, high); err != nil {
				return 0, err
			}
		} else if stepped {
			to = f.most
		}
	}
	step := uint64(1)
	if stepped {
		if step, err = strconv.ParseUint(stepText, 10, 16); err != nil || step == 0 {
			return 0, fmt.Errorf("%s %q: a step is a whole number above 0", f.name, part)
		}
	}
	if from < f.least || to > f.most || from > to {
		return 0, fmt.Errorf("%s %q: it goes from %d to %d, the smaller first", f.name, part, f.least, f.most)
	}
	var set uint64
	for n := uint64(from); n <= uint64(to); n += step { //nolint:gosec // both lie within the field
		set |= 1 << n
	}
	return set, nil
}

func cronNumber(field int, text string) (int, error) {
	f := cronFields[field]
	if i := slices.Index(f.words, strings.ToLower(text)); i >= 0 {
		return f.least + i, nil
	}
	n, err := strconv.ParseUint(text, 10, 8)
	if err != nil {
		return 0, fmt.Errorf("%s %q is not a number", f.name, text)
	}
	return int(n), nil //nolint:gosec // eight bits
}

// dayExists says whether one of the months has one of the days; a leap day counts.
func dayExists(days, months uint64) bool {
	first := bits.TrailingZeros64(days)
	for m := time.January; m <= time.December; m++ {
		if months>>m&1 == 1 && first <= time.Date(2024, m+1, 0, 0, 0, 0, 0, time.UTC).Day() {
			return true
		}
	}
	return false
}
