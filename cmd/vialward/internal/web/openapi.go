package web

import (
	"net/http"
	"reflect"
	"regexp"
	"strconv"
	"strings"

	"vialward/tracker/access"
)

// object is a JSON object of the description.
type object = map[string]any

var inBraces = regexp.MustCompile(`\{(\w+)\}`)

// describe makes an OpenAPI 3.1 document of the table.
func describe(table []route) object {
	s := schemas{object{}, map[string]reflect.Type{}}
	failed := object{"description": "What is wrong, in a sentence (RFC 9457).", "content": object{"application/problem+json": object{"schema": s.answer(typeOfProblem)}}}
	paths := map[string]object{}
	for _, r := range table {
		if paths[r.path] == nil {
			paths[r.path] = object{}
		}
		paths[r.path][strings.ToLower(r.method)] = s.operation(r, failed)
	}
	return object{
		"openapi": "3.1.0",
		"info": object{
			"title": "vialward", "version": "1",
			"description": "Prepared sterile vials, their beyond-use dates and their temperatures. Times are RFC 3339 with the site's offset. The token says the site.",
		},
		"paths": paths,
		"components": object{
			"schemas":         s.all,
			"securitySchemes": object{"token": object{"type": "http", "scheme": "bearer", "description": "An API token of a person, of one scope or several: act does everything as that person, read reads, readings writes readings."}},
		},
	}
}

func (s schemas) operation(r route, failed object) object {
	ok := object{"description": "Done."}
	if r.answer != nil {
		ok["content"] = object{mediaJSON: object{"schema": s.answer(r.answer)}}
	} else {
		ok["content"] = object{mediaJSON: object{}}
	}
	o := object{
		"summary": r.say, "operationId": operationID(r),
		"responses": object{strconv.Itoa(http.StatusOK): ok, "default": failed},
	}
	if ps := parametersOf(r); len(ps) > 0 {
		o["parameters"] = ps
	}
	if needed := r.needs(); needed != scopeNone {
		o["security"] = []object{{"token": []string{}}}
		rule, _ := access.Of(r.op)
		o["description"] = "Takes a token of scope " + string(needed) + "; scope act does for all. Its person has the role of " + rule.Whose() + "."
		if rule.Signed != "" {
			o["description"] = o["description"].(string) + " It is signed: that person's password goes with it, as signature, and means: " + rule.Signed + "." //nolint:forcetypeassert // it was just put there
		}
	}
	if len(r.media) > 0 {
		content := object{}
		for _, m := range r.media {
			content[m] = object{"schema": s.body(r, m)}
		}
		o["requestBody"] = object{"required": true, "content": content}
	}
	if r.more != "" {
		said, _ := o["description"].(string)
		o["description"] = strings.TrimSpace(said + " " + r.more)
	}
	return o
}

// body is the schema of a request's body in one of its media types.
func (s schemas) body(r route, media string) object {
	switch media {
	case mediaCSV:
		return object{"type": "string", "description": "The plain form: a header sensor,at,celsius (or fahrenheit), then a reading a line, RFC 3339 times."}
	case mediaNDJSON:
		return object{"type": "string", "description": "One object of the array that application/json takes, a line."}
	}
	return s.request(r.body)
}

func parametersOf(r route) []object {
	var out []object
	for _, m := range inBraces.FindAllStringSubmatch(r.path, -1) {
		out = append(out, object{"name": m[1], "in": "path", "required": true, "schema": object{"type": "string"}})
	}
	if r.needs() == scopeNone {
		return out
	}
	for _, p := range append([]parameter{{"site", "string", "Site code; only the token's own."}}, r.query...) {
		schema := object{"type": p.kind}
		if p.kind == "date-time" {
			schema = object{"type": "string", "format": "date-time"}
		}
		out = append(out, object{"name": p.name, "in": "query", "description": p.say, "schema": schema})
	}
	return out
}

// operationID is "get_vials_code" for GET /api/v1/vials/{code}.
func operationID(r route) string {
	words := strings.FieldsFunc(strings.TrimPrefix(r.path, apiPrefix), func(c rune) bool { return strings.ContainsRune("/{}.", c) })
	return strings.ToLower(r.method) + "_" + strings.Join(words, "_")
}
