package access

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"vialward/tracker/stock"
)

// Lengths of a password in characters: at least 12, as long as a sentence, and bounded so that nobody is made to hash a
// book (OWASP ASVS 4.0, 2.1.1 and 2.1.2: M). Length over rules: no kinds of characters are asked for (NIST SP 800-63B,
// 5.1.1.2: M).
const (
	PasswordLeast = 12
	PasswordMost  = 128
	differing     = 5 // characters, at least: "aaaaaaaaaaaa" is long and no secret
)

// Lengths of a PIN in digits. It only changes hands where its person signed in with the password that day.
const (
	PINLeast = 6
	PINMost  = 8
)

// NewPassword refuses one that is too easily guessed; known are words about its person that do not count: code, name.
func NewPassword(password string, known ...string) error {
	n := utf8.RuneCountInString(password)
	switch {
	case !utf8.ValidString(password) || strings.ContainsFunc(password, unicode.IsControl):
		return stock.Refuse("password", "", "the password has a character in it that cannot be typed everywhere; use letters, digits, signs and spaces")
	case n < PasswordLeast:
		return stock.Refuse("password", "", "the password has %d characters; use %d or more: a few words that do not belong together are easily kept in mind", n, PasswordLeast)
	case n > PasswordMost:
		return stock.Refuse("password", "", "the password has %d characters; use %d at most", n, PasswordMost)
	}
	rest := strings.ToLower(password)
	for _, words := range known {
		for _, w := range append(strings.Fields(strings.ToLower(words)), strings.ToLower(words)) {
			if utf8.RuneCountInString(w) > 2 {
				rest = strings.ReplaceAll(rest, w, "")
			}
		}
	}
	seen := map[rune]bool{}
	for _, c := range rest {
		seen[c] = true
	}
	if len(seen) < differing || utf8.RuneCountInString(rest) < PasswordLeast/2 {
		return stock.Refuse("password", "", "the password is easily guessed: it is mostly the same characters again, or your own name or code; use a few words that do not belong together")
	}
	return nil
}

// NewPIN refuses one that is not 6 to 8 digits, or is among the first that anybody would try.
func NewPIN(pin string) error {
	if len(pin) < PINLeast || len(pin) > PINMost || strings.ContainsFunc(pin, func(c rune) bool { return c < '0' || c > '9' }) {
		return stock.Refuse("pin", "", "a PIN is %d to %d digits", PINLeast, PINMost)
	}
	steps := map[int]bool{}
	for i := 1; i < len(pin); i++ {
		steps[int(pin[i])-int(pin[i-1])] = true
	}
	half := len(pin) / 2
	if len(steps) == 1 || pin[:half] == pin[half:2*half] && len(pin) == 2*half || strings.Count(pin, pin[:2]) == half && len(pin) == 2*half {
		return stock.Refuse("pin", "", "this PIN is among the first that anybody would try; choose digits that do not run or repeat")
	}
	return nil
}
