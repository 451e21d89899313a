package calc

import (
	"encoding/json"
	"math/big"
	"strings"
	"time"

	"vialward/tracker/thermal"
)

// number reads a JSON number exactly, as its decimal text says it; nil if it is missing or was said to be none.
func (d *budReader) number(fields map[string]json.RawMessage, path string) *big.Rat {
	raw, ok := fields[path]
	if !ok {
		return nil
	}
	text := string(raw)
	_, exponent, _ := strings.Cut(strings.ToLower(text), "e")
	if strings.ContainsAny(text[:1], "-0123456789") && len(text) <= 40 && len(exponent) <= 3 { // no 1e999999999 to be written out
		if n, ok := new(big.Rat).SetString(text); ok {
			return n
		}
	}
	d.say("%q must be a number without quotes, such as 1.5, not %s", path, short(raw))
	return nil
}

// whole reads a number as that many thousandths, millionths, ... of a unit, exactly; more than most of them either way,
// or finer ones, are said to be no such thing.
func (d *budReader) whole(fields map[string]json.RawMessage, path string, parts, most int64) int64 {
	n := d.number(fields, path)
	if n == nil {
		return 0
	}
	n.Mul(n, big.NewRat(parts, 1))
	if !n.IsInt() || n.Cmp(big.NewRat(most, 1)) > 0 || n.Cmp(big.NewRat(-most, 1)) < 0 {
		if parts == 1 {
			d.say("%q must be a whole number up to %d, not %s", path, most, short(fields[path]))
		} else {
			d.say("%q must be a number up to %d in steps of 1/%d, not %s", path, most/parts, parts, short(fields[path]))
		}
		return 0
	}
	return n.Num().Int64()
}

// minutes reads a number of minutes, cut down to the nanosecond.
func (d *budReader) minutes(fields map[string]json.RawMessage, path string) time.Duration {
	const most = maxHours * 60
	n := d.number(fields, path)
	if n == nil {
		return 0
	}
	if n.Cmp(big.NewRat(most, 1)) > 0 || n.Cmp(big.NewRat(-most, 1)) < 0 {
		d.say("%q must be a number of minutes up to %d, not %s", path, most, short(fields[path]))
		return 0
	}
	n.Mul(n, big.NewRat(int64(time.Minute), 1))
	return time.Duration(new(big.Int).Div(n.Num(), n.Denom()).Int64())
}

// celsius reads a temperature from its decimal text, rounded to 0.001 °C, half to even.
func (d *budReader) celsius(raw json.RawMessage, path string) thermal.MilliC {
	m, err := thermal.ParseCelsius(raw)
	switch {
	case !strings.ContainsAny(string(raw[:1]), "-0123456789"):
		d.say("%q must be a number of °C without quotes, such as 5 or -0.5, not %s", path, short(raw))
	case err != nil:
		d.say("%s: %s", path, err)
	}
	return m
}
