package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// checker holds documents to the schemas of a description: the part of JSON Schema 2020-12 that ours are written in. A
// keyword it does not know is a mistake, so that nothing is passed over.
type checker struct{ components map[string]any }

func (c checker) check(at string, document any, schema map[string]any) []string {
	var wrong []string
	for keyword, v := range schema {
		switch keyword {
		case "$ref":
			name, _ := strings.CutPrefix(v.(string), "#/components/schemas/")
			to, ok := c.components[name].(map[string]any)
			if !ok {
				return []string{at + ": there is no component " + name}
			}
			wrong = append(wrong, c.check(at, document, to)...)
		case "type":
			if got := typeOf(document); got != v && (v != "number" || got != "integer") {
				return append(wrong, fmt.Sprintf("%s: a JSON %s, not %s", at, got, v))
			}
		case "anyOf":
			fits := func(s any) bool { return len(c.check(at, document, s.(map[string]any))) == 0 }
			if !slices.ContainsFunc(v.([]any), fits) {
				wrong = append(wrong, at+": fits none of its schemas")
			}
		case "required":
			for _, name := range v.([]any) {
				if m, ok := document.(map[string]any); ok && !has(m, name.(string)) {
					wrong = append(wrong, at+"."+name.(string)+": missing")
				}
			}
		case "properties":
			m, _ := document.(map[string]any)
			for name, s := range v.(map[string]any) {
				if x, ok := m[name]; ok {
					wrong = append(wrong, c.check(at+"."+name, x, s.(map[string]any))...)
				}
			}
			if schema["additionalProperties"] != nil {
				continue
			}
			for name := range m { // of what we send, everything is described
				if !has(v.(map[string]any), name) {
					wrong = append(wrong, at+"."+name+": not described")
				}
			}
		case "additionalProperties":
			m, _ := document.(map[string]any)
			each, open := v.(map[string]any)
			for name, x := range m {
				if open {
					wrong = append(wrong, c.check(at+"."+name, x, each)...)
				} else if !has(schema["properties"].(map[string]any), name) {
					wrong = append(wrong, at+"."+name+": not taken")
				}
			}
		case "items":
			list, _ := document.([]any)
			for i, x := range list {
				wrong = append(wrong, c.check(fmt.Sprintf("%s[%d]", at, i), x, v.(map[string]any))...)
			}
		case "format":
			s, _ := document.(string)
			if _, err := time.Parse(time.RFC3339Nano, s); v != "date-time" || err != nil {
				wrong = append(wrong, fmt.Sprintf("%s: %q is no %s", at, s, v))
			}
		case "description":
		default:
			wrong = append(wrong, at+": the schema says "+keyword+", which nobody here knows")
		}
	}
	return wrong
}

func has(m map[string]any, name string) bool { _, ok := m[name]; return ok }

func typeOf(v any) string {
	switch x := v.(type) {
	case nil:
		return "null"
	case bool:
		return "boolean"
	case string:
		return "string"
	case json.Number:
		if _, err := x.Int64(); err == nil {
			return "integer"
		}
		return "number"
	case []any:
		return "array"
	default:
		return "object"
	}
}

// parsed keeps numbers as they are written.
func parsed(t testing.TB, text []byte) any {
	t.Helper()
	var v any
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber()
	require.NoError(t, d.Decode(&v), "%s", text)
	return v
}

// at walks down maps by their keys.
func at(t testing.TB, v any, keys ...string) map[string]any {
	t.Helper()
	for _, k := range keys {
		m, ok := v.(map[string]any)
		require.True(t, ok && has(m, k), "no %s", k)
		v = m[k]
	}
	m, ok := v.(map[string]any)
	require.True(t, ok)
	return m
}

// The checker can fail: each document here breaks one keyword, beside one that breaks none.
func TestCheckerSeesAMistake(t *testing.T) {
	t.Parallel()
	c := checker{map[string]any{"Part": map[string]any{"type": "object", "properties": map[string]any{"at": map[string]any{"type": "string", "format": "date-time"}}, "required": []any{"at"}}}}
	schema := map[string]any{
		"type": "object", "additionalProperties": false, "required": []any{"n"},
		"properties": map[string]any{
			"n": map[string]any{"type": "integer"}, "f": map[string]any{"type": "number"},
			"parts": map[string]any{"type": "array", "items": map[string]any{"$ref": "#/components/schemas/Part"}},
			"maybe": map[string]any{"anyOf": []any{map[string]any{"type": "string"}, map[string]any{"type": "null"}}},
		},
	}
	for text, why := range map[string]string{
		`{"n":1,"f":1,"parts":[{"at":"2025-10-13T07:05:00-04:00"}],"maybe":null}`: "",
		`{"f":1.5}`:                       "missing",
		`{"n":1.5}`:                       "not integer",
		`{"n":1,"x":1}`:                   "not taken",
		`{"n":1,"parts":[{}]}`:            "missing",
		`{"n":1,"parts":[{"at":"noon"}]}`: "no date-time",
		`{"n":1,"parts":null}`:            "not array",
		`{"n":1,"maybe":1}`:               "none of its schemas",
		`{"n":1,"parts":[{"at":1}]}`:      "not string",
		`{"n":1,"parts":[{"at":"2025-10-13T07:05:00Z","b":1}]}`: "not described",
	} {
		got := strings.Join(c.check("$", parsed(t, []byte(text)), schema), "; ")
		if why == "" {
			require.Empty(t, got, text)
		} else {
			require.Contains(t, got, why, text)
		}
	}
}
