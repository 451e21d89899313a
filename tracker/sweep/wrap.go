package sweep

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// columns of a printed page; longer text wraps, nothing is cut.
const columns = 100

// gap between two things on one line.
const gap = "   "

// flow sets items behind a prefix, a gap between them, and goes on under hang where a line is full. An item stays in
// one piece where a line can hold it.
func flow(b *strings.Builder, prefix, hang string, items ...string) {
	line, used := prefix, false // used: the line has something behind its prefix
	next := func() {
		b.WriteString(strings.TrimRight(line, " ") + "\n")
		line, used = hang, false
	}
	put := func(text, before string) {
		if !used {
			before = ""
		}
		if width(line)+width(before)+width(text) > columns && used {
			next()
			before = ""
		}
		line, used = line+before+text, true
	}
	for _, item := range items {
		item = clean(item)
		if item == "" {
			continue
		}
		if width(hang)+width(item) <= columns {
			put(item, gap)
			continue
		}
		before := gap
		for _, word := range strings.Fields(item) {
			for _, piece := range pieces(word, columns-max(width(prefix), width(hang))) {
				put(piece, before)
				before = " "
			}
		}
	}
	next()
}

// pieces of a word no line can hold.
func pieces(word string, room int) []string {
	var found []string
	for width(word) > room {
		end, w := 0, 0
		for end < len(word) {
			r, n := utf8.DecodeRuneInString(word[end:])
			if w += runeWidth(r); w > room {
				break
			}
			end += n
		}
		found, word = append(found, word[:end]), word[end:]
	}
	return append(found, word)
}

// clean keeps what is typed somewhere from breaking a page: line and form feeds, tabs and other invisible signs become
// spaces, and spaces in a row one.
func clean(s string) string {
	return strings.Join(strings.Fields(strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return ' '
		}
		return r
	}, s)), " ")
}

// width in columns of a terminal or a typewriter face: East Asian letters take two.
func width(s string) int {
	n := 0
	for _, r := range s {
		n += runeWidth(r)
	}
	return n
}

func runeWidth(r rune) int {
	if unicode.In(r, unicode.Han, unicode.Hiragana, unicode.Katakana, unicode.Hangul) || r >= 0xff01 && r <= 0xff60 {
		return 2
	}
	return 1
}
