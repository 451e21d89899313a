package templog

import (
	"strings"

	"vialward/tracker/thermal"
)

// sentinel is a cell that means "no value".
type sentinel struct {
	text   string
	number string // in one spelling; "" if it is none
	milliC thermal.MilliC
}

func newSentinels(texts []string, unit thermal.Unit, decimal byte) (all []sentinel) {
	for _, text := range texts {
		text = strings.TrimSpace(text)
		s := sentinel{text: text}
		for _, mark := range []byte{decimal, '.'} { // a layout may write -200.0 for a log with decimal commas
			if n, ok := spell(nil, []byte(text), mark); ok && s.number == "" {
				s.number = string(n)
				s.milliC, _ = thermal.Parse([]byte(text), unit, mark) // 0 for an absurd one: then same decides
			}
		}
		all = append(all, s)
	}
	return all
}

// same says that a cell is the sentinel's number, written in another way: -200 is -200.0 and -0200,00.
func (s *sentinel) same(cell []byte, decimal byte) bool {
	var room [64]byte
	n, ok := spell(room[:0], cell, decimal)
	return ok && string(n) == s.number
}

// spell writes a plain decimal number in its one shortest spelling: no plus, no leading or trailing zeros, no "-0".
func spell(to, text []byte, decimal byte) ([]byte, bool) {
	negative := len(text) > 0 && text[0] == '-'
	if negative || len(text) > 0 && text[0] == '+' {
		text = text[1:]
	}
	if len(text) == 0 || len(text) > 60 {
		return nil, false
	}
	mark, digits := -1, false
	for i, c := range text {
		switch {
		case c >= '0' && c <= '9':
			digits = true
		case c == decimal && mark < 0:
			mark = i
		default:
			return nil, false
		}
	}
	if !digits {
		return nil, false
	}
	whole, part := text, []byte(nil)
	if mark >= 0 {
		whole, part = text[:mark], text[mark+1:]
	}
	for len(whole) > 0 && whole[0] == '0' {
		whole = whole[1:]
	}
	for len(part) > 0 && part[len(part)-1] == '0' {
		part = part[:len(part)-1]
	}
	if negative && len(whole)+len(part) > 0 {
		to = append(to, '-')
	}
	if len(whole) == 0 {
		to = append(to, '0')
	}
	to = append(to, whole...)
	if len(part) > 0 {
		to = append(append(to, '.'), part...)
	}
	return to, true
}
