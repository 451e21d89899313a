package web

import (
	"context"
	"encoding/json"
	"net/http"
	"slices"
	"sync"

	"vialward/tracker/access"
)

// table is the whole API. openapi.json is made from it, so it cannot say anything else.
func table() []route {
	var all []route
	description := sync.OnceValue(func() json.RawMessage {
		text, err := json.Marshal(describe(all))
		if err != nil {
			panic("web: describe the API: " + err.Error()) // it is made of maps and strings
		}
		return text
	})
	all = slices.Concat(
		[]route{{
			method: http.MethodGet, path: apiPrefix + "/openapi.json", op: access.Watch, say: "This description.",
			do: func(context.Context, *ask) (any, error) { return description(), nil },
		}},
		intakeRoutes(), stockReads(), temperatureReads(), recordReads(), peopleRoutes(), stockOperations(), siteOperations(), reportRoutes(),
	)
	return all
}
