package thermal

import (
	"errors"
	"fmt"
)

// Why a text is not taken as a temperature. The errors of this file wrap one of these and are a sentence.
var (
	ErrNotANumber = errors.New("not a decimal number")
	ErrAbsurd     = errors.New("beyond -200 to 200 °C, which no store and no room reaches")
)

// Unit of a temperature's text, by its UCUM code.
type Unit string

const (
	DegCelsius    Unit = "Cel"
	DegFahrenheit Unit = "[degF]"
)

const (
	widest       MilliC = 200_000 // the farthest temperature taken, either way
	places              = 9       // decimals kept exactly; what lies behind them only breaks ties
	tenToNine           = 1_000_000_000
	longest             = 64 // bytes of text read as one temperature
	bigEnough           = 1_000_000
	nanoPerMilli        = tenToNine / 1000
	maxPower10          = 40
)

// ParseCelsius reads decimal text in °C, rounded to 0.001 °C half to even from the text itself, never from a float.
// A sign and an exponent are read; surrounding spaces, thousands marks, NaN and infinities are not.
func ParseCelsius(text []byte) (MilliC, error) { return Parse(text, DegCelsius, '.') }

// ParseFahrenheit reads decimal text in °F, converted exactly as (F-32) x 5/9 and then rounded like ParseCelsius.
func ParseFahrenheit(text []byte) (MilliC, error) { return Parse(text, DegFahrenheit, '.') }

// Parse reads decimal text of a unit whose decimal mark is '.' or ','. It allocates only to refuse.
func Parse(text []byte, unit Unit, decimal byte) (MilliC, error) {
	if unit == DegCelsius {
		if m, ok := short(text, decimal); ok {
			return m, nil
		}
	}
	d, ok := readDecimal(text, decimal)
	if !ok {
		return 0, fmt.Errorf("%.40q is %w", text, ErrNotANumber)
	}
	m, ok := d.celsius()
	if unit == DegFahrenheit {
		m, ok = d.fahrenheit()
	}
	if !ok {
		return 0, fmt.Errorf("%.40q %s is %w", text, unit, ErrAbsurd)
	}
	return m, nil
}

// short reads the form nearly every log has: a sign, one or two digits, up to three decimals ("-18", "4.25").
func short(text []byte, decimal byte) (MilliC, bool) {
	negative := false
	if len(text) > 0 && text[0] == '-' {
		negative, text = true, text[1:]
	}
	if len(text) == 0 || len(text) > 6 {
		return 0, false
	}
	var whole MilliC
	i := 0
	for ; i < len(text) && i < 2 && text[i]-'0' <= 9; i++ {
		whole = whole*10 + MilliC(text[i]-'0')
	}
	if i == 0 {
		return 0, false
	}
	whole *= 1000
	if i < len(text) {
		if text[i] != decimal || i+1 == len(text) {
			return 0, false
		}
		unit := MilliC(100)
		for i++; i < len(text); i++ {
			c := text[i] - '0'
			if c > 9 || unit == 0 {
				return 0, false
			}
			whole += MilliC(c) * unit
			unit /= 10
		}
	}
	if negative {
		whole = -whole
	}
	return whole, true
}

// decimal is a number read exactly as far as rounding needs: sign x (nano x 1e-9 + something smaller when more).
type decimal struct {
	negative bool
	nano     int64 // cut towards zero, at most bigEnough x 1e9
	more     bool  // nonzero digits follow
}

// readDecimal reads [sign] digits [mark digits] [e [sign] digits] with at least one digit before the exponent.
func readDecimal(text []byte, mark byte) (d decimal, ok bool) {
	if len(text) == 0 || len(text) > longest {
		return d, false
	}
	i := 0
	if text[0] == '-' || text[0] == '+' {
		d.negative = text[0] == '-'
		i++
	}
	var digits [longest]byte
	n, point := 0, -1
	for ; i < len(text); i++ {
		if c := text[i] - '0'; c <= 9 {
			digits[n] = c
			n++
		} else if text[i] == mark && point < 0 {
			point = n
		} else {
			break
		}
	}
	if n == 0 {
		return d, false
	}
	if point < 0 {
		point = n
	}
	if i < len(text) {
		power, ok := exponent(text[i:])
		if !ok {
			return d, false
		}
		point += power
	}
	d.place(digits[:n], point)
	return d, true
}

// exponent reads e-5, E+02, e1. One beyond 40 is no temperature's.
func exponent(text []byte) (power int, ok bool) {
	if text[0] != 'e' && text[0] != 'E' || len(text) < 2 {
		return 0, false
	}
	text = text[1:]
	negative := text[0] == '-'
	if negative || text[0] == '+' {
		text = text[1:]
	}
	if len(text) == 0 {
		return 0, false
	}
	for _, c := range text {
		if c -= '0'; c > 9 {
			return 0, false
		} else if power = power*10 + int(c); power > maxPower10 {
			return 0, false
		}
	}
	if negative {
		power = -power
	}
	return power, true
}

// place sets the value of 0.digits x 10^point.
func (d *decimal) place(digits []byte, point int) {
	for i := 0; i < point+places || i < len(digits); i++ {
		var c byte
		if i < len(digits) {
			c = digits[i]
		}
		switch {
		case i >= point+places:
			d.more = d.more || c != 0
		case d.nano < bigEnough*tenToNine: // beyond that it is absurd whatever follows
			d.nano = d.nano*10 + int64(c)
		}
	}
}

// celsius rounds to milli-degrees, half to even.
func (d decimal) celsius() (MilliC, bool) {
	q, rest := d.nano/nanoPerMilli, d.nano%nanoPerMilli
	if 2*rest > nanoPerMilli || 2*rest == nanoPerMilli && (d.more || q%2 == 1) {
		q++
	}
	if d.negative {
		q = -q
	}
	return MilliC(q), -int64(widest) <= q && q <= int64(widest)
}

// fahrenheit converts (F - 32) x 5/9 in integers and rounds to milli-degrees, half to even.
//
// With F = f x 1e-9 the answer in milli-degrees is (f - 32e9) x 5 / 9e6. The ties lie at odd multiples of 4.5e6 of the
// numerator, which is a multiple of 5: a digit behind the ninth place moves the numerator by less than 5 and so
// crosses no tie; it only decides one that was met exactly.
func (d decimal) fahrenheit() (MilliC, bool) {
	if d.nano > 1000*tenToNine {
		return 0, false
	}
	f := d.nano
	if d.negative {
		f = -f
	}
	const den = 9 * nanoPerMilli
	num := (f - 32*tenToNine) * 5
	q, rest := num/den, num%den
	if rest < 0 { // floor, so that rest is at or above 0
		q, rest = q-1, rest+den
	}
	up := 2*rest > den || 2*rest == den && q&1 == 1
	if 2*rest == den && d.more {
		up = !d.negative
	}
	if up {
		q++
	}
	return MilliC(q), -int64(widest) <= q && q <= int64(widest)
}
