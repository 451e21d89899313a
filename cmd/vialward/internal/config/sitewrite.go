package config

import (
	"bytes"
	"fmt"
	"reflect"
	"strings"
)

// write prints a struct with toml tags. Values stand before tables, as TOML asks; what is zero is left out unless the
// key is required. Tables within lists are printed as [[...]], single ones on one line.
func write(v any) []byte {
	var b bytes.Buffer
	writeTable(&b, reflect.ValueOf(v), "")
	return b.Bytes()
}

func writeTable(b *bytes.Buffer, v reflect.Value, path string) {
	var tables []int
	for i := range v.NumField() {
		name, required := tagOf(v.Type().Field(i))
		f := v.Field(i)
		switch {
		case name == "":
		case isTables(f):
			tables = append(tables, i)
		case f.IsZero() && !required:
		default:
			fmt.Fprintf(b, "%s = %s\n", name, inline(f))
		}
	}
	for _, i := range tables {
		name, _ := tagOf(v.Type().Field(i))
		for k := range v.Field(i).Len() {
			row := v.Field(i).Index(k)
			b.WriteByte('\n')
			if first := row.Type().Field(0); first.Tag.Get("toml") == "#" && row.Field(0).String() != "" {
				fmt.Fprintf(b, "# %s\n", strings.Join(strings.Fields(row.Field(0).String()), " "))
			}
			fmt.Fprintf(b, "[[%s]]\n", under(path, name))
			writeTable(b, row, under(path, name))
		}
	}
}

func isTables(v reflect.Value) bool {
	return v.Kind() == reflect.Slice && v.Type().Elem().Kind() == reflect.Struct
}

func inline(v reflect.Value) string {
	switch v.Kind() {
	case reflect.String:
		return quote(v.String())
	case reflect.Pointer:
		return inline(v.Elem())
	case reflect.Slice:
		parts := make([]string, v.Len())
		for i := range parts {
			parts[i] = inline(v.Index(i))
		}
		return "[" + strings.Join(parts, ", ") + "]"
	case reflect.Struct:
		var parts []string
		for i := range v.NumField() {
			if name, required := tagOf(v.Type().Field(i)); name != "" && (required || !v.Field(i).IsZero()) {
				parts = append(parts, name+" = "+inline(v.Field(i)))
			}
		}
		return "{ " + strings.Join(parts, ", ") + " }"
	default:
		return fmt.Sprint(v.Interface())
	}
}

// quote makes a TOML basic string: quotation marks, backslashes and control characters escaped, all else as it is.
func quote(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r < ' ' || r == 0x7f:
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}
