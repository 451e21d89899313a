package label

import "regexp"

// Ways of writing an amount that have been misread by ten or a thousand. Read of the "do not use" lists that
// accreditors and medication-safety bodies publish: from memory (M).
var misreadable = []struct {
	pattern *regexp.Regexp
	say     string
}{
	{regexp.MustCompile(`\.\d*0(?:\D|$)`), "a zero at the end of a decimal is read ten times too large: write 1, not 1.0"},
	{regexp.MustCompile(`(?:^|\D)\.\d`), "a decimal without a leading zero is read ten times too large: write 0.5, not .5"},
	{regexp.MustCompile(`\d\s*(?:[IiMm]\.?)?[Uu]\.?(?:[^\pL\d]|$)`), `write "units" in full (and "million units")`},
	{regexp.MustCompile(`\d\s*(?:µg|μg|ug)(?:\PL|$)`), `write "mcg": the sign is read as "mg"`},
	{regexp.MustCompile(`\d\s*(?:cc|CC)(?:\PL|$)`), `write "mL"`},
}

// Misreadable says what in a text for a label must be written otherwise; nothing if all is well.
func Misreadable(text string) []string {
	var say []string
	for _, m := range misreadable {
		if m.pattern.MatchString(text) {
			say = append(say, m.say)
		}
	}
	return say
}
