package label

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// BatchCode is a batch's code as people write it: "251110-2", the local day on which preparation began (YYMMDD, 2000 to
// 2099) and the running number of that day, 1 to 99.
type BatchCode struct {
	Year   int
	Month  time.Month
	Day    int
	Number int
}

// VialCode is a batch and the vial's number in it. As text it ends with two check digits: "251110-2-07-93". All of it
// is digits, for a phone's number pad and gloved hands.
//
// Numbers go from 1 to 999; from the tenth batch of a day on, to 99. So a code that lacks its check digits is never as
// long as one that has them, and cannot pass for another vial's, hyphens or not.
type VialCode struct {
	Batch  BatchCode
	Serial int
}

// NewBatchCode from a local date and a running number.
func NewBatchCode(year int, month time.Month, day, number int) (BatchCode, error) {
	b := BatchCode{year, month, day, number}
	d := time.Date(year, month, day, 0, 0, 0, 0, time.UTC)
	switch {
	case year < 2000 || year > 2099 || d.Year() != year || d.Month() != month || d.Day() != day:
		return BatchCode{}, fmt.Errorf("%d-%02d-%02d is not a day a batch code can name", year, int(month), day)
	case number < 1 || number > 99:
		return BatchCode{}, fmt.Errorf("batch number %d of a day: it must lie from 1 to 99", number)
	}
	return b, nil
}

// ParseBatchCode reads "251110-2". Letters that look like digits are taken for them.
func ParseBatchCode(s string) (BatchCode, error) {
	parts := codeParts(s)
	if len(parts) != 2 || len(parts[0]) != 6 || len(parts[1]) > 2 {
		return BatchCode{}, fmt.Errorf("%q is not a batch code: it reads like 251110-2, day and number of the day", s)
	}
	b, err := batchOf(parts[0], parts[1])
	if err != nil {
		return BatchCode{}, fmt.Errorf("%q is not a batch code: %w", s, err)
	}
	return b, nil
}

func batchOf(day, number string) (BatchCode, error) {
	n, nErr := strconv.Atoi(number)
	d, dErr := strconv.Atoi(day)
	if nErr != nil || dErr != nil || strings.HasPrefix(number, "0") || strings.ContainsAny(day+number, "+-") {
		return BatchCode{}, errors.New("it holds something that is not a digit, or a number of the day that begins with 0")
	}
	return NewBatchCode(2000+d/10000, time.Month(d/100%100), d%100, n)
}

func (b BatchCode) String() string { return fmt.Sprintf("%s-%d", b.day(), b.Number) }

func (b BatchCode) day() string { return fmt.Sprintf("%02d%02d%02d", b.Year%100, int(b.Month), b.Day) }

// NewCode for a vial of a batch.
func NewCode(b BatchCode, serial int) (VialCode, error) {
	if _, err := NewBatchCode(b.Year, b.Month, b.Day, b.Number); err != nil {
		return VialCode{}, err
	}
	if most := mostVials(b.Number); serial < 1 || serial > most {
		return VialCode{}, fmt.Errorf("vial %d of batch %s: numbers go from 1 to %d", serial, b, most)
	}
	return VialCode{b, serial}, nil
}

func mostVials(batchNumber int) int {
	if batchNumber > 9 {
		return 99
	}
	return 999
}

// Code is the text of a vial's code, for a batch code and a number that were checked when the batch was made. It
// panics on others: a label with a code nobody can read back must not be printed.
func Code(batch string, serial int) string {
	b, err := ParseBatchCode(batch)
	if err == nil {
		var c VialCode
		if c, err = NewCode(b, serial); err == nil {
			return c.String()
		}
	}
	panic("label: " + err.Error())
}

func (c VialCode) String() string {
	return fmt.Sprintf("%s-%s-%s", c.Batch, serialText(c.Serial), c.check())
}

// serialText has two digits, three from 100 on.
func serialText(n int) string { return fmt.Sprintf("%02d", n) }

// check is made over all fields at full width, so that digits that slip from one field into the next are found too.
func (c VialCode) check() string {
	return CheckDigits(fmt.Sprintf("%s%02d%03d", c.Batch.day(), c.Batch.Number, c.Serial))
}

// CheckCode is ParseCode for those who keep codes as text: it answers the code in the one form in which it is kept.
func CheckCode(s string) (canonical string, err error) {
	c, err := ParseCode(s)
	if err != nil {
		return "", err
	}
	return c.String(), nil
}

// ErrNotACode is any text that is not a vial's code; the message says why. The right check digits are never named:
// someone would type them in.
var ErrNotACode = errors.New("not a vial code")

const codeShape = "it reads like 251110-2-07-93: day, batch of the day, vial, check digits"

// ParseCode reads a vial's code as people type it: spaces or dots for hyphens or none at all, O for 0, I or L for 1.
// Wrong check digits, or a text that can be read in two ways, are refused with ErrNotACode and a sentence.
func ParseCode(s string) (VialCode, error) {
	refuse := func(why string) (VialCode, error) {
		return VialCode{}, fmt.Errorf("%.40q is %w: %s", s, ErrNotACode, why)
	}
	parts := codeParts(s)
	var fits []VialCode
	shaped := false
	for _, split := range splits(parts, 2) {
		c, err := codeOf(split)
		if err != nil {
			continue
		}
		shaped = true
		if split.check == c.check() {
			fits = append(fits, c)
		}
	}
	switch {
	case len(fits) == 1:
		return fits[0], nil
	case len(fits) > 1:
		return refuse("without its hyphens it can be read in two ways; type them, or scan the label")
	case shaped:
		return refuse("a digit is wrong or two are swapped; read it from the label again, or scan it")
	case lacksCheck(parts):
		return refuse("its check digits are missing; read it to its end, or scan the label")
	default:
		return refuse(codeShape)
	}
}

// codeParts are the runs of characters between whatever people put for hyphens, digits put for look-alikes.
func codeParts(s string) []string {
	s = lookAlikes.Replace(strings.ToUpper(s))
	return strings.FieldsFunc(s, func(r rune) bool { return strings.ContainsRune(" \t\r\n-_./‐‑–—", r) })
}

// lookAlikes are letters that are taken for digits; a code has no letters.
var lookAlikes = strings.NewReplacer("O", "0", "I", "1", "L", "1")

type split struct{ day, number, serial, check string }

// splits are the ways to cut the parts into the fields of a code with so many check digits; a hyphen that was typed is
// a cut that stands.
func splits(parts []string, checkDigits int) []split {
	joined := strings.Join(parts, "")
	typed := map[int]bool{}
	at := 0
	for i, p := range parts {
		if at += len(p); i < len(parts)-1 {
			typed[at] = true
		}
	}
	var all []split
	for number := 1; number <= 2; number++ {
		for serial := 2; serial <= 3; serial++ {
			a, b := 6+number, 6+number+serial
			if len(joined) != b+checkDigits {
				continue
			}
			stands := true
			for c := range typed {
				stands = stands && (c == 6 || c == a || c == b)
			}
			if stands {
				all = append(all, split{joined[:6], joined[6:a], joined[a:b], joined[b:]})
			}
		}
	}
	return all
}

// codeOf takes one way to cut seriously: the vial's number has two digits, or three if it needs them.
func codeOf(s split) (VialCode, error) {
	b, err := batchOf(s.day, s.number)
	if err != nil {
		return VialCode{}, err
	}
	n, err := strconv.Atoi(s.serial)
	if err != nil || s.serial != serialText(n) {
		return VialCode{}, errors.New("the vial's number is not two or three digits")
	}
	return NewCode(b, n)
}

func lacksCheck(parts []string) bool {
	for _, s := range splits(parts, 0) {
		if _, err := codeOf(s); err == nil {
			return true
		}
	}
	return false
}
