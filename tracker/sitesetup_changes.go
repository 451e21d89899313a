package tracker

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"vialward/tracker/stock"
)

// differences between two site documents, in words a person can check: "unit R1: capacity 60 -> 80". Empty = the same.
// It works on the documents' JSON, so a new field of a site is compared from its first day on.
func differences(old, next *stock.Site) ([]string, error) {
	if old.Version == 0 {
		return []string{fmt.Sprintf("site %s set up: %d storage units, %d sensors, %d products, %d people",
			next.Code, unitCount(next), len(next.Sensors), len(next.Products), len(next.People))}, nil
	}
	before, err := tree(old)
	if err != nil {
		return nil, err
	}
	after, err := tree(next)
	if err != nil {
		return nil, err
	}
	var d diff
	d.tables("site", before.(map[string]any), after.(map[string]any))
	for _, p := range next.Products {
		was := slices.IndexFunc(old.Products, func(o stock.Product) bool { return o.Code == p.Code })
		if p.DraftBecause != "" && (was < 0 || old.Products[was].Version != p.Version) {
			d.say("product %s: version %d is a draft, %s", p.Code, p.Version, p.DraftBecause)
		}
	}
	return d.words, nil
}

func unitCount(s *stock.Site) int {
	n := 0
	for _, r := range s.Rooms {
		n += len(r.Units)
	}
	return n
}

// tree is a value's JSON as maps, lists and numbers as written.
func tree(v any) (any, error) {
	text, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber()
	var t any
	err = d.Decode(&t)
	return t, err
}

// sameJSON compares what is stored: a nil list and an empty one are the same.
func sameJSON(a, b any) (bool, error) {
	x, err := tree(a)
	if err != nil {
		return false, err
	}
	y, err := tree(b)
	return plain(x) == plain(y), err
}

type diff struct{ words []string }

func (d *diff) say(format string, args ...any) {
	d.words = append(d.words, fmt.Sprintf(format, args...))
}

// things names what a list of a site holds; the name stands before the code of an item.
var things = map[string]string{
	"rooms": "room", "units": "unit", "areas": "area", "sensors": "sensor", "products": "product", "people": "person",
	"destinations": "destination", "waste_causes": "waste cause", "shelves": "shelf",
}

// notTold follow from the rest or are told in words of their own.
var notTold = []string{"id", "draft_because"}

// tables compares two objects key by key; what is about one thing is told under its name.
func (d *diff) tables(name string, before, after map[string]any) {
	keys := map[string]bool{}
	for k := range before {
		keys[k] = true
	}
	for k := range after {
		keys[k] = true
	}
	for _, k := range sorted(keys) {
		if slices.Contains(notTold, k) || (k == "version" && name == "site") {
			continue
		}
		if things[k] != "" && (coded(before[k]) || coded(after[k])) {
			d.coded(name, k, list(before[k]), list(after[k]))
			continue
		}
		x, inner := before[k].(map[string]any)
		if y, both := after[k].(map[string]any); inner && both {
			d.tables(name+": "+strings.ReplaceAll(k, "_", " "), x, y)
			continue
		}
		d.values(name, k, before[k], after[k])
	}
}

// coded is a list of things with codes. The shelves a sensor speaks for are codes alone.
func coded(v any) bool {
	l := list(v)
	if len(l) == 0 {
		return false
	}
	_, thing := l[0].(map[string]any)
	return thing
}

// coded compares lists whose items have codes: by code, and then their order.
func (d *diff) coded(name, key string, before, after []any) {
	codes := func(l []any) (out []string) {
		for _, x := range l {
			m, _ := x.(map[string]any)
			out = append(out, fmt.Sprint(m["code"]))
		}
		return out
	}
	was, is := codes(before), codes(after)
	at := func(code string) string {
		if key == "shelves" {
			return name + ": shelf " + code
		}
		return things[key] + " " + code
	}
	for i, code := range was {
		k := slices.Index(is, code)
		if k < 0 {
			d.say("%s taken out", at(code))
			continue
		}
		x, _ := before[i].(map[string]any)
		y, _ := after[k].(map[string]any)
		d.tables(at(code), x, y)
	}
	var kept []string
	for _, code := range is {
		if !slices.Contains(was, code) {
			d.say("%s added", at(code))
			continue
		}
		kept = append(kept, code)
	}
	was = slices.DeleteFunc(was, func(code string) bool { return !slices.Contains(is, code) })
	if !slices.Equal(was, kept) {
		d.say("%s: order of %s is now %s", name, key, strings.Join(is, ", "))
	}
}

// values compares anything else: lists row by row, plain values by how they are written.
func (d *diff) values(name, key string, before, after any) {
	x, y := rows(before), rows(after)
	if (x == nil && y == nil) || (x == nil && before != nil) || (y == nil && after != nil) {
		if plain(before) != plain(after) {
			word, unit := measured(key)
			d.say("%s: %s %s -> %s", name, word, shown(before, unit), shown(after, unit))
		}
		return
	}
	word := strings.ReplaceAll(key, "_", " ")
	for i := range max(len(x), len(y)) {
		switch row := fmt.Sprintf("%s: %s %d", name, word, i+1); {
		case i >= len(x):
			d.say("%s added, %s", row, plain(y[i]))
		case i >= len(y):
			d.say("%s taken out, %s", row, plain(x[i]))
		default:
			d.tables(row, x[i], y[i])
		}
	}
}

// rows of a list of objects; nil for anything else.
func rows(v any) []map[string]any {
	var out []map[string]any
	for _, x := range list(v) {
		m, ok := x.(map[string]any)
		if !ok {
			return nil
		}
		out = append(out, m)
	}
	return out
}

// measured takes the unit off a key, "delay_ns", for values that read badly as they are stored.
func measured(key string) (word string, unit func(int64) string) {
	units := map[string]func(int64) string{
		"_ns":            func(n int64) string { return time.Duration(n).String() },
		"_milli_celsius": func(n int64) string { return stock.SayMilli(n) + " °C" },
		"_micrograms":    func(n int64) string { return stock.SayMilli(n) + " mg (or units)" },
		"_microlitres":   func(n int64) string { return stock.SayMilli(n) + " mL" },
	}
	for suffix, say := range units {
		if name, ok := strings.CutSuffix(key, suffix); ok {
			return strings.ReplaceAll(name, "_", " "), say
		}
	}
	return strings.ReplaceAll(key, "_", " "), nil
}

func list(v any) []any {
	l, _ := v.([]any)
	return l
}

func plain(v any) string { return written(tidy(v)) }

// written is JSON for people and for the record: "->" stays "->".
func written(v any) string {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		panic("tracker: texts, numbers and lists always encode: " + err.Error())
	}
	return strings.TrimSuffix(b.String(), "\n")
}

func shown(v any, unit func(int64) string) string {
	if number, ok := v.(json.Number); ok && unit != nil {
		if n, err := number.Int64(); err == nil {
			return unit(n)
		}
	}
	if s := plain(v); s != "null" {
		return s
	}
	return "nothing"
}

// tidy drops what JSON writes for nothing: null, empty lists and objects, zero times.
func tidy(v any) any {
	switch x := v.(type) {
	case []any:
		if len(x) == 0 {
			return nil
		}
		out := make([]any, len(x))
		for i := range x {
			out[i] = tidy(x[i])
		}
		return out
	case map[string]any:
		out := map[string]any{}
		for k, y := range x {
			if y = tidy(y); y != nil {
				out[k] = y
			}
		}
		if len(out) == 0 {
			return nil
		}
		return out
	case string:
		if x == "0001-01-01T00:00:00Z" {
			return nil
		}
	}
	return v
}

func sorted(m map[string]bool) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}
