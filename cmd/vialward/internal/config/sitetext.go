package config

import (
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/BurntSushi/toml"
)

// Problem is one thing wrong with a document, where, and what to do about it.
type Problem struct {
	Line    int    `json:"line"`
	Key     string `json:"key"` // "rooms[2].units[1].class", counted from 1
	Say     string `json:"why"`
	Warning bool   `json:"warning,omitempty"` // worth knowing; the document can be used
}

func (p Problem) String() string {
	word := ""
	if p.Warning {
		word = "warning: "
	}
	if p.Key == "" {
		return fmt.Sprintf("line %d: %s%s", p.Line, word, p.Say)
	}
	return fmt.Sprintf("line %d: %s%s: %s", p.Line, word, p.Key, p.Say)
}

// counted are the numbers in a path, which a table's header does not have.
var counted = regexp.MustCompile(`\[[0-9]+\]`)

// tooLarge is far above any document people write, and far below what would cost memory.
const tooLarge = 4 << 20

// document collects the problems of one TOML text while structs are filled from it.
type document struct {
	lines    lines
	parsed   bool // it is TOML; otherwise nothing but that is worth saying
	problems []Problem
}

func (d *document) wrong(path, format string, args ...any) {
	d.problems = append(d.problems, Problem{Line: d.lines.of(path), Key: path, Say: fmt.Sprintf(format, args...)})
}

// has says whether something about the path, or above it, was found wrong already: what follows from that is not said
// again.
func (d *document) has(path string) bool {
	return slices.ContainsFunc(d.problems, func(p Problem) bool {
		return p.Key == path || strings.HasPrefix(path, p.Key+".") || strings.HasPrefix(path, p.Key+"[")
	})
}

// open parses the text and fills *into, a struct with toml tags, listing every unknown key, missing one and value of
// the wrong type. Text that is not TOML is one problem, and nothing is filled.
func open(text []byte, into any) *document {
	d := &document{lines: lines{}}
	if len(text) > tooLarge {
		d.wrong("", "the file has %d MB; a document of this kind has a few hundred lines. Is it the right file?", len(text)>>20)
		return d
	}
	var tree map[string]any
	if _, err := toml.Decode(string(text), &tree); err != nil {
		p := Problem{Line: 1, Say: "this is not TOML: " + err.Error()}
		var at toml.ParseError
		if errors.As(err, &at) {
			p.Line, p.Say = max(1, at.Position.Line), "this is not TOML: "+strings.TrimSuffix(at.Message, ".")+". Nothing after this line was read"
		}
		d.problems = []Problem{p}
		return d
	}
	d.parsed, d.lines = true, findLines(string(text))
	d.table(reflect.ValueOf(into).Elem(), tree, "")
	return d
}

// table fills a struct from a TOML table.
func (d *document) table(v reflect.Value, tree map[string]any, path string) {
	var known []string
	for i := range v.NumField() {
		name, required := tagOf(v.Type().Field(i))
		if name == "" {
			continue
		}
		known = append(known, name)
		value, there := tree[name]
		if !there {
			if required {
				remedy := "add " + name + " = ..."
				if isTables(v.Field(i)) {
					remedy = "add at least one [[" + counted.ReplaceAllString(under(path, name), "") + "]]"
				}
				d.wrong(under(path, name), "%s is missing; %s", name, remedy)
			}
			continue
		}
		d.fill(v.Field(i), value, under(path, name))
		if f := v.Field(i); required && (f.Kind() == reflect.String || f.Kind() == reflect.Slice) && f.Len() == 0 && !d.has(under(path, name)) {
			d.wrong(under(path, name), "%s is empty; fill it in", name)
		}
	}
	for name := range tree {
		if !slices.Contains(known, name) {
			d.wrong(under(path, name), "there is no key %q here%s", name, meant(name, known))
		}
	}
}

func (d *document) fill(v reflect.Value, value any, path string) {
	switch v.Kind() {
	case reflect.String:
		s, ok := asText(value)
		if !ok {
			d.wrong(path, "write this in quotes, as text; it is %s", typeWord(value))
			return
		}
		if v.SetString(strings.TrimSpace(s)); v.String() == "" {
			d.wrong(path, "this is blank; fill it in, or take the key out")
		}
	case reflect.Bool:
		b, ok := value.(bool)
		if !ok {
			d.wrong(path, "write true or false, without quotes; it is %s", typeWord(value))
		}
		v.SetBool(b)
	case reflect.Int:
		n, ok := value.(int64)
		if !ok || n != int64(int32(n)) {
			d.wrong(path, "write a whole number, without quotes; it is %s", typeWord(value))
			return
		}
		v.SetInt(n)
	case reflect.Struct:
		t, ok := value.(map[string]any)
		if !ok {
			d.wrong(path, "this is a table, { name = value, ... }; it is %s", typeWord(value))
			return
		}
		d.table(v, t, path)
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		d.fill(v.Elem(), value, path)
	case reflect.Slice:
		d.list(v, value, path)
	default:
		panic("config: a document's struct has a field of kind " + v.Kind().String())
	}
}

func (d *document) list(v reflect.Value, value any, path string) {
	var values []any
	switch l := value.(type) {
	case []any:
		values = l
	case []map[string]any:
		for _, t := range l {
			values = append(values, t)
		}
	default:
		d.wrong(path, "this is a list, [ ..., ... ] or [[%s]] tables; it is %s", lastOf(path), typeWord(value))
		return
	}
	if len(values) == 0 {
		return
	}
	v.Set(reflect.MakeSlice(v.Type(), len(values), len(values)))
	for i, x := range values {
		d.fill(v.Index(i), x, item(path, i+1))
	}
}

// tagOf a field: `toml:"name"` or `toml:"name,required"`. Fields tagged "#" are comments, written and never read.
func tagOf(f reflect.StructField) (name string, required bool) {
	name, option, _ := strings.Cut(f.Tag.Get("toml"), ",")
	if name == "#" {
		return "", false
	}
	return name, option == "required"
}

// asText takes text, and what people leave without quotes where text is meant: whole numbers and dates. A number with
// a decimal point has been through a float by now and is refused.
func asText(value any) (string, bool) {
	switch x := value.(type) {
	case string:
		return x, true
	case int64:
		return fmt.Sprint(x), true
	case time.Time:
		switch x.Location().String() { // the parser marks local forms by the name of their zone
		case "date-local":
			return x.Format(time.DateOnly), true
		case "datetime-local":
			return x.Format("2006-01-02T15:04:05.999999999"), true
		case "time-local":
			return strings.TrimSuffix(x.Format("15:04:05.999999999"), ":00"), true
		}
		return x.Format(time.RFC3339Nano), true
	}
	return "", false
}

func typeWord(value any) string {
	switch value.(type) {
	case string:
		return "text"
	case int64:
		return "a whole number"
	case float64:
		return "a number with a decimal point"
	case bool:
		return "true or false"
	case time.Time:
		return "a date"
	case map[string]any:
		return "a table"
	}
	return "a list"
}

func lastOf(path string) string { return path[strings.LastIndex(path, ".")+1:] }

// meant suggests the known key a slip of the pen is nearest to, or lists them.
func meant(name string, known []string) string {
	best, least := "", 3
	for _, k := range known {
		if n := slips(name, k); n < least {
			best, least = k, n
		}
	}
	if best != "" {
		return fmt.Sprintf("; did you mean %q?", best)
	}
	return "; take it out, or use one of " + strings.Join(known, ", ")
}

// slips is the number of letters to insert, delete or replace to turn a into b (Levenshtein 1966).
func slips(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
