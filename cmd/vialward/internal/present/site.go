package present

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/big"
	"strings"
	"time"

	"vialward/tracker/stock"
)

// Site is a site's set-up with the keys of its record, but units and times as in every other document: minutes, °C, mg
// and mL, and the site's offset. It works on the record's own JSON, so that a new field is in it from its first day on.
func Site(s *stock.Site) (map[string]any, error) {
	text, err := json.Marshal(s)
	if err != nil {
		return nil, fmt.Errorf("show site %s: %w", s.Code, err)
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber()
	var tree map[string]any
	if err := d.Decode(&tree); err != nil {
		return nil, fmt.Errorf("show site %s: %w", s.Code, err)
	}
	return As{Zone: s.Location()}.object(tree), nil
}

// shownIn are the units a record keeps its whole numbers in, and those a program reads.
var shownIn = []struct {
	kept, shown string
	parts       int64 // kept ones in a shown one
}{
	{"_ns", "_minutes", int64(time.Minute)},
	{"milli_celsius", "celsius", 1000},
	{"milli_percent", "percent", 1000},
	{"micrograms", "mg", 1000},
	{"microlitres", "ml", 1000},
}

func (a As) object(o map[string]any) map[string]any {
	out := make(map[string]any, len(o))
	for key, v := range o {
		if key == "amount_micrograms" && o["amount_unit"] == "units" { // thousandths of a unit stand there
			out["amount_units"] = fraction(v, 1000)
			continue
		}
		for _, u := range shownIn {
			if strings.HasSuffix(key, u.kept) || strings.HasPrefix(key, u.kept+"_") {
				key, v = strings.Replace(key, u.kept, u.shown, 1), fraction(v, u.parts)
			}
		}
		out[key] = a.value(v)
	}
	return out
}

func (a As) value(v any) any {
	switch x := v.(type) {
	case map[string]any:
		return a.object(x)
	case []any:
		return each(x, a.value)
	case string:
		if t, err := time.Parse(time.RFC3339Nano, x); err == nil {
			if t.IsZero() {
				return nil
			}
			return a.Instant(t)
		}
	}
	return v
}

// fraction is a whole number of parts as a decimal, to nine digits behind the point.
func fraction(v any, parts int64) any {
	n, ok := v.(json.Number)
	if !ok {
		return v
	}
	whole, err := n.Int64()
	if err != nil {
		return v
	}
	s := big.NewRat(whole, parts).FloatString(9)
	return json.Number(strings.TrimSuffix(strings.TrimRight(s, "0"), "."))
}
