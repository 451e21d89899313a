package web

import (
	"context"
	"net/http"
	"reflect"
	"slices"
	"strings"
	"time"

	"vialward/cmd/vialward/internal/intake"
	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

const (
	apiPrefix    = "/api/v1"
	readingsPath = apiPrefix + "/readings" // takes what loggers send
)

// route is one line of the API's table: what serves it, and what describes it in openapi.json.
type route struct {
	method, path string
	op           access.Operation // whose roles decide who may
	say          string           // one line for people
	query        []parameter
	media        []string     // of the body; none = no body
	body, answer reflect.Type // of the documents; body nil = not one JSON document of ours
	do           func(context.Context, *ask) (any, error)
	more         string // further sentences
}

// ask is one request to the API, with who asks and of which site.
type ask struct {
	w   http.ResponseWriter
	r   *http.Request
	t   *tracker.Tracker
	who tracker.Actor

	small *intake.Collector // takes posts of few readings

	token tracker.Token
	site  *stock.Site
	now   time.Time
	as    present.As
}

// needs is the scope of a token that this takes.
func (r route) needs() scope {
	switch rule, _ := access.Of(r.op); {
	case rule.Anyone:
		return scopeNone
	case r.op == access.WriteReadings:
		return scopeReadings
	case rule.Reads:
		return scopeRead
	default:
		return scopeAct
	}
}

// get makes a route that reads, on one unchanging view of the token's site.
func get[A any](op access.Operation, path, say string, do func(context.Context, *ask, tracker.View) (A, error), query ...parameter) route {
	return route{
		method: http.MethodGet, path: apiPrefix + path, op: op, say: say, query: query, answer: reflect.TypeFor[A](),
		do: func(ctx context.Context, q *ask) (any, error) {
			var a A
			err := q.t.Store.Read(ctx, q.site.Code, func(v tracker.View) (err error) {
				a, err = do(ctx, q, v)
				return err
			})
			return a, err
		},
	}
}

// post makes a route that does something as the token's person.
func post[B, A any](op access.Operation, path, say string, do func(context.Context, *ask, B) (A, error)) route {
	return route{
		method: http.MethodPost, path: apiPrefix + path, op: op, say: say, media: []string{mediaJSON},
		body: reflect.TypeFor[B](), answer: reflect.TypeFor[A](),
		do: func(ctx context.Context, q *ask) (any, error) {
			var b B
			if err := decode(q.w, q.r, &b); err != nil {
				return nil, err
			}
			if s, ok := any(b).(signs); ok {
				if err := q.sign(ctx, s.password()); err != nil {
					return nil, err
				}
			}
			return do(ctx, q, b)
		},
	}
}

// api is the mux of the table. What is not in the table answers with a problem too.
func (s *Server) api() *http.ServeMux {
	mux := http.NewServeMux()
	for _, r := range table() {
		mux.HandleFunc(r.method+" "+r.path, s.serve(r))
	}
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		var allowed []string
		for _, method := range []string{http.MethodGet, http.MethodPost} {
			other := &http.Request{Method: method, Host: r.Host, URL: r.URL}
			if _, pattern := mux.Handler(other); pattern != "/" {
				allowed = append(allowed, method)
			}
		}
		if len(allowed) > 0 {
			w.Header().Set("Allow", strings.Join(allowed, ", "))
			tell(w, r, aboutBlank(http.StatusMethodNotAllowed, "Here only "+strings.Join(allowed, " and ")+" can be asked for."))
			return
		}
		tell(w, r, aboutBlank(http.StatusNotFound, "There is nothing at "+r.URL.Path+". The API is described at "+apiPrefix+"/openapi.json."))
	})
	return mux
}

// serve is the way of every request to the API: who asks, may they, is the question well put, answer.
func (s *Server) serve(route route) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		q := &ask{w: w, r: r, t: s.Tracker, small: s.small, now: walltime.Cut(s.Tracker.Now())}
		answer, err := s.answer(r.Context(), route, q)
		if err != nil {
			tell(w, r, s.problemOf(r, err))
			return
		}
		writeJSON(w, mediaJSON, http.StatusOK, answer)
	}
}

func (s *Server) answer(ctx context.Context, route route, q *ask) (any, error) {
	if needed := route.needs(); needed != scopeNone {
		if err := q.identify(ctx, needed); err != nil {
			return nil, err
		}
		if err := access.MayAsk(q.site, q.who.Person.Code, route.op, q.now); err != nil {
			return nil, err
		}
	}
	for name := range q.r.URL.Query() {
		known := func(p parameter) bool { return p.name == name }
		if name != "site" && !slices.ContainsFunc(route.query, known) {
			return nil, wrong(http.StatusBadRequest, "There is no query parameter %q here; %s", name, parametersInWords(route.query))
		}
	}
	return route.do(ctx, q)
}
