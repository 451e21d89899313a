package web

import (
	"reflect"
	"strings"
	"time"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker/sweep"
)

// schemas are the components of the description by name, made from the types that are encoded and decoded.
type schemas struct {
	all  object
	from map[string]reflect.Type
}

var (
	typeOfProblem = reflect.TypeFor[problem]()
	typeOfTime    = reflect.TypeFor[time.Time]()
	typeOfInstant = reflect.TypeFor[present.Instant]()
	typeOfList    = reflect.TypeFor[sweep.List]()
	typeOfDegrees = reflect.TypeFor[sweep.Degrees]()
)

// answer is the schema of a type of ours that is sent: each field that is always there is required.
func (s schemas) answer(t reflect.Type) object { return s.of(t, "") }

// request is the schema of a type that is received: no further field is taken. A flag left out is false, and so not
// required. Its components are named apart from those that are sent.
func (s schemas) request(t reflect.Type) object { return s.of(t, "Request") }

func (s schemas) of(t reflect.Type, suffix string) object {
	switch {
	case t == typeOfTime || t == typeOfInstant:
		return object{"type": "string", "format": "date-time"}
	case t.Kind() == reflect.Pointer:
		return s.of(t.Elem(), suffix)
	case t.Kind() == reflect.Struct:
		return s.named(t, suffix)
	case t.Kind() == reflect.Slice:
		return object{"type": "array", "items": s.of(t.Elem(), suffix)}
	case t.Kind() == reflect.Map:
		return object{"type": "object", "properties": object{}, "additionalProperties": s.of(t.Elem(), suffix)}
	case t.Kind() == reflect.String:
		return object{"type": "string"}
	case t.Kind() == reflect.Bool:
		return object{"type": "boolean"}
	case t.Kind() == reflect.Float64 || t == typeOfDegrees:
		return object{"type": "number"}
	case t.Kind() >= reflect.Int && t.Kind() <= reflect.Uint64:
		return object{"type": "integer"}
	}
	panic("web: no schema for " + t.String()) // found by the first test that reads the description
}

// named puts a struct among the components, once, and refers to it. Its name is its type's, that of a part of a sweep
// list with "Sweep" before it; so no two types of one name may be in the API.
func (s schemas) named(t reflect.Type, suffix string) object {
	name := strings.ToUpper(t.Name()[:1]) + t.Name()[1:] + suffix
	if t.PkgPath() == typeOfList.PkgPath() {
		name = "Sweep" + name
	}
	ref := object{"$ref": "#/components/schemas/" + name}
	if known, ok := s.from[name]; ok {
		if known != t {
			panic("web: two types are named " + name)
		}
		return ref
	}
	properties, required := object{}, []string{}
	schema := object{"type": "object"}
	s.all[name], s.from[name] = schema, t // before its fields: a type may hold itself
	s.fields(t, suffix, properties, &required)
	schema["properties"], schema["required"] = properties, required
	if suffix != "" && t != reflect.TypeFor[posted]() {
		schema["additionalProperties"] = false
	}
	return ref
}

func (s schemas) fields(t reflect.Type, suffix string, properties object, required *[]string) {
	for f := range t.Fields() {
		if f.Anonymous {
			s.fields(f.Type, suffix, properties, required)
			continue
		}
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		if !f.IsExported() || name == "-" {
			continue
		}
		schema := s.of(f.Type, suffix)
		optional := options != "" // omitempty or omitzero
		if f.Type.Kind() == reflect.Pointer && !optional {
			schema = object{"anyOf": []object{schema, {"type": "null"}}}
		}
		properties[name] = schema
		if !optional && (suffix == "" || f.Type.Kind() != reflect.Bool) {
			*required = append(*required, name)
		}
	}
}
