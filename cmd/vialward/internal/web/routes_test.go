package web

import (
	"encoding/json"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/label"
)

// tried is one route as it is asked for, in the order of a day at the small site.
type tried struct {
	route  string // as in the table
	path   string // "" = as in the route
	as     string // whose token does it
	media  string
	body   string
	before func(t *testing.T, s *shop)
}

// codeOf a vial of the day's batch.
func codeOf(n int) string { return label.Code("251013-1", n) }

func vial(n int) string { return strconv.Quote(codeOf(n)) }

// vials lists codes from one to another as JSON.
func vials(from, to int) string {
	var list []string
	for n := from; n <= to; n++ {
		list = append(list, vial(n))
	}
	return strings.Join(list, ",")
}

var day = []tried{
	{route: "GET /openapi.json"},
	{route: "POST /readings", as: "logger", media: mediaCSV, body: "sensor,at,celsius\nT1,2025-10-13T07:00:00-04:00,4.8\nT9,2025-10-13T07:00:00-04:00,4.8\n"},
	{route: "POST /batches", as: "tech-1", body: `{"product":"PANT","count":8,"area":"PA","started_at":"2025-10-13T06:20:00-04:00","components":[
		{"name":"pantoprazole","lot":"P1","expires":"2026-05"},{"name":"Water","lot":"D7","expires":"2025-12-31"}]}`},
	{route: "POST /stock", as: "rph-1", body: `{"product":"PANT","count":2,"beyond_use":"2025-10-15","made_on":"2025-10-10","to":"R2/A"}`},
	{route: "POST /vials/print", as: "tech-1", body: `{"vials":[` + vials(1, 8) + `],"size":"VIAL-10"}`},
	{route: "POST /vials/label", as: "tech-1", body: `{"vials":[` + vials(1, 8) + `]}`},
	{route: "POST /batches/{code}/labels", path: "/batches/251013-1/labels", as: "tech-1", body: `{}`},
	{route: "POST /batches/{code}/steps", path: "/batches/251013-1/steps", as: "tech-1", body: `{"name":"area fit and cleaned","at":"2025-10-13T06:15:00-04:00"}`},
	{route: "POST /batches/{code}/steps", path: "/batches/251013-1/steps", as: "tech-1", body: `{"name":"stoppers disinfected","at":"2025-10-13T06:21:00-04:00"}`},
	{route: "POST /batches/{code}/steps", path: "/batches/251013-1/steps", as: "tech-1", body: `{"name":"dissolved","at":"2025-10-13T06:27:00-04:00"}`},
	{route: "POST /batches/{code}/steps", path: "/batches/251013-1/steps", as: "tech-1", body: `{"name":"inspected: clear, no particles","at":"2025-10-13T06:33:00-04:00"}`},
	{route: "POST /batches/{code}/steps", path: "/batches/251013-1/steps", as: "tech-1", body: `{"name":"mixed","at":"2025-10-13T06:39:00-04:00"}`},
	{route: "POST /batches/{code}/close", path: "/batches/251013-1/close", as: "tech-1", body: `{"filled":8,"disposed":[{"what":"sharps","container":"yellow box","count":9},{"what":"spent source vials","count":8}]}`},
	{route: "POST /vials/verify", as: "rph-1", body: `{"vials":[` + vials(1, 8) + `]}`},
	{route: "POST /vials/place", as: "tech-1", body: `{"vials":[` + vials(1, 8) + `],"to":"R1/A"}`},
	{route: "GET /vials/{code}/exposure", path: "/vials/" + codeOf(1) + "/exposure", as: "reader"},
	{route: "GET /vials/{code}/place", path: "/vials/" + codeOf(1) + "/place?to=R2/A&at=2025-10-13T07:05:00-04:00", as: "reader"},
	{route: "POST /vials/issue", as: "tech-1", body: `{"vials":[` + vials(1, 3) + `],"to":"WARD","label":1,"reason":"those of the other refrigerator are kept for the night"}`},
	{route: "GET /trace", path: "/trace?lot=D7", as: "reader"},
	{route: "POST /vials/give", as: "tech-1", body: `{"vials":[` + vial(1) + `]}`},
	{route: "POST /vials/return", as: "tech-1", body: `{"vials":[` + vial(2) + `],"to":"R1/B","note":"carrier record shown"}`},
	{route: "POST /vials/enter", as: "tech-1", body: `{"vials":[` + vial(4) + `],"in_iso5":true}`},
	{route: "POST /vials/hold", as: "tech-1", body: `{"vials":[` + vial(5) + `],"kind":"manual","reason":"cap looks odd"}`},
	{route: "POST /vials/lift", as: "rph-1", body: `{"vials":[` + vial(5) + `],"kind":"manual","reason":"looked at it"}`},
	{route: "POST /vials/shorten", as: "rph-1", body: `{"vials":[` + vial(6) + `],"beyond_use":"2025-10-15T12:00:00-04:00","reason":"decided"}`},
	{route: "POST /vials/relabel", as: "tech-1", body: `{"vials":[` + vial(6) + `]}`},
	{route: "POST /vials/discard", as: "tech-1", body: `{"vials":[` + vial(7) + `],"reason":"expired"}`},
	{route: "POST /vials/lose", as: "rph-1", body: `{"vials":[` + vial(8) + `],"reason":"unaccounted","witness":"tech-1"}`},
	{route: "POST /vials/correct-cause", as: "rph-1", body: `{"vials":[` + vial(7) + `],"reason":"unaccounted","note":"its label was of another"}`},
	{route: "POST /shortages", as: "tech-1", body: `{"product":"PANT","vials":2,"to":"WARD","order":"W-1"}`},
	{route: "GET /reports/waste", path: "/reports/waste?from=2025-10&to=2025-10-31", as: "reader"},
	{route: "POST /vials/find", as: "tech-1", body: `{"vials":[` + vial(8) + `],"to":"R2/A"}`},
	{route: "POST /vials/void", as: "rph-1", body: `{"vials":["` + label.Code("251010-1", 1) + `"],"reason":"counted wrong","witness":"rph-2"}`},
	{route: "POST /vials/send", as: "rph-1", body: `{"vials":["` + label.Code("251010-1", 2) + `"],"reason":"asked for","to":"the other pharmacy"}`},
	{route: "POST /counts", as: "tech-1", body: `{"place":"R1/A","product":"PANT","counted":3}`},
	{route: "GET /cases", as: "reader", before: warmRefrigerator},
	{route: "GET /cases/{no}", path: "/cases/1", as: "reader"},
	{route: "POST /cases/{no}/release", path: "/cases/1/release", as: "rph-1", body: `{"vials":[` + vial(6) + `],"basis":"within its allowance","minutes_out":20}`},
	{route: "POST /recalls", as: "rph-1", body: `{"lot":"D7","reason":"maker's letter"}`},
	{route: "POST /areas/{code}", path: "/areas/PA", as: "rph-1", body: `{"category":"none","reason":"air handler down"}`},
	{route: "POST /units/{code}/work", path: "/units/R2/work", as: "tech-1", body: `{"from":"2025-10-13T09:00:00-04:00","to":"2025-10-13T10:00:00-04:00","reason":"cleaning"}`},
	{route: "POST /sweeps/{number}/confirm", path: "/sweeps/1/confirm", as: "tech-1", body: `{}`},
	{route: "POST /intakes/{id}/withdraw", path: "/intakes/1/withdraw", as: "rph-1", body: `{"reason":"wrong zone"}`},
	{route: "POST /sensors/{code}/zone", path: "/sensors/T1/zone", as: "rph-1", body: `{"zone":"America/New_York","reason":"asked the maker"}`},
	{route: "GET /sweep", path: "/sweep?site=SMALL", as: "reader"},
	{route: "GET /sweep", path: "/sweep?now=true", as: "reader"},
	{route: "GET /vials", path: "/vials?unit=R1&product=PANT&state=available", as: "reader"},
	{route: "GET /vials", path: "/vials?state=any", as: "reader"},
	{route: "GET /vials/{code}", path: "/vials/" + codeOf(6), as: "reader"},
	{route: "GET /products/{code}/materials", path: "/products/PANT/materials?vials=12&diluent_ml=10&spare=2&fill_each=true&powder=Pantoprazole", as: "reader"},
	{route: "GET /batches/{code}", path: "/batches/251013-1", as: "reader"},
	{route: "GET /units", as: "reader"},
	{route: "GET /units/{code}/readings", path: "/units/R1/readings?from=2025-10-13T00:00:00-04:00", as: "reader"},
	{route: "GET /events", path: "/events?after=3&limit=100", as: "reader"},
	{route: "GET /outbox", as: "reader"},
	{route: "GET /intakes", path: "/intakes?limit=5", as: "reader"},
	{route: "GET /people", as: "reader"},
	{route: "POST /people", as: "admin-1", body: `{"code":"tech-2","name":"Technician 2","roles":["technician"]}`},
	{route: "POST /people/{code}", path: "/people/tech-2", as: "admin-1", body: `{"left":"2025-12-31T00:00:00-05:00"}`},
	{route: "POST /people/{code}/assessments", path: "/people/tech-2/assessments", as: "rph-1", body: `{"what":"sweeping","until":"2026-10-13T00:00:00-04:00"}`},
}

// warmRefrigerator leaves R1's door ajar for twenty minutes.
func warmRefrigerator(t *testing.T, s *shop) {
	t.Helper()
	for _, c := range []string{"9.1", "9.4", "9.6", "9.5", "9.2", "5.0"} {
		s.pass(5 * time.Minute)
		a := s.send(http.MethodPost, readingsPath, "logger", mediaCSV, "sensor,at,celsius\nT1,"+s.clock().Format(time.RFC3339)+","+c+"\n")
		require.Equal(t, http.StatusOK, a.status, "%s", a.body)
	}
}

// Every route of the table, by nobody, by a reader, by a logger and by a person; each answer is as openapi.json says.
func TestEveryRouteByEveryScope(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	require.NoError(t, s.Tracker.Tick(t.Context(), "SMALL")) // makes the list of seven o'clock
	description := parsed(t, s.send(http.MethodGet, apiPrefix+"/openapi.json", "", "", "").body)
	c := checker{at(t, description, "components", "schemas")}
	routes := map[string]route{}
	for _, r := range table() {
		routes[r.method+" "+strings.TrimPrefix(r.path, apiPrefix)] = r
	}
	left := map[string]bool{}
	for name := range routes {
		left[name] = true
	}
	for _, x := range day {
		r, ok := routes[x.route]
		require.True(t, ok, "%s is not in the table", x.route)
		delete(left, x.route)
		if x.before != nil {
			x.before(t, s)
		}
		path, media := x.path, x.media
		if path == "" {
			path = strings.TrimPrefix(r.path, apiPrefix)
		}
		if x.body != "" && media == "" {
			media = mediaJSON
		}
		path = apiPrefix + path
		operation := at(t, description, "paths", r.path, strings.ToLower(r.method))
		if media == mediaJSON {
			taken := at(t, operation, "requestBody", "content", mediaJSON, "schema")
			require.Empty(t, c.check("$", parsed(t, []byte(x.body)), taken), "%s: the request", x.route)
		}
		for token, want := range map[string]int{
			"": http.StatusUnauthorized, "no such token": http.StatusUnauthorized, "reader": http.StatusForbidden, "logger": http.StatusForbidden,
		} {
			if r.needs() == scopeNone || r.needs() == scopeRead && token == "reader" || r.needs() == scopeReadings && token == "logger" {
				continue
			}
			a := s.send(r.method, path, token, media, x.body)
			require.Equal(t, want, a.status, "%s with %q: %s", x.route, token, a.body)
			require.NotEmpty(t, a.header.Get("WWW-Authenticate"), x.route)
			a.problem(t)
		}
		a := s.send(r.method, path, x.as, media, x.body)
		require.Equal(t, http.StatusOK, a.status, "%s: %s", x.route, a.body)
		require.Equal(t, mediaJSON, a.header.Get("Content-Type"))
		described := at(t, operation, "responses", "200", "content", mediaJSON)
		if r.answer == nil {
			continue
		}
		require.Empty(t, c.check("$", parsed(t, a.body), at(t, described, "schema")), "%s: %s", x.route, a.body)
		require.Equal(t, http.StatusOK, s.asAnyone(r, path), "%s with a person's token, read only", x.route)
	}
	require.Empty(t, left, "routes nobody tried")
	n, differs, err := s.Tracker.Recount(t.Context(), "SMALL")
	require.NoError(t, err)
	require.Empty(t, differs)
	require.Equal(t, 10, n)
}

// asAnyone asks for what only reads with a token that may do everything.
func (s *shop) asAnyone(r route, path string) int {
	if r.needs() != scopeRead {
		return http.StatusOK
	}
	return s.send(r.method, path, "tech-1", "", "").status
}

// The description is of the table, whole: every route and no other, every parameter of a path, ids that differ.
func TestDescriptionIsTheTable(t *testing.T) {
	t.Parallel()
	var d struct {
		OpenAPI string
		Paths   map[string]map[string]struct {
			OperationID string
			Parameters  []struct{ Name, In string }
			Responses   map[string]any
			Security    []any
		}
	}
	text, err := json.Marshal(describe(table()))
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(text, &d))
	require.Equal(t, "3.1.0", d.OpenAPI)
	described, ids := 0, map[string]bool{}
	for path, methods := range d.Paths {
		for method, o := range methods {
			described++
			require.False(t, ids[o.OperationID], o.OperationID)
			ids[o.OperationID] = true
			for _, m := range inBraces.FindAllStringSubmatch(path, -1) {
				require.Contains(t, o.Parameters, struct{ Name, In string }{m[1], "path"}, "%s %s", method, path)
			}
			require.Contains(t, o.Responses, "default")
		}
	}
	require.Len(t, table(), described)
	for _, r := range table() {
		require.Contains(t, d.Paths[r.path], strings.ToLower(r.method), r.path)
		require.Equal(t, r.needs() != scopeNone, len(d.Paths[r.path][strings.ToLower(r.method)].Security) > 0, r.path)
	}
}

// What is asked for wrongly says so as a problem, and in which way.
func TestNotThere(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	for _, x := range []struct {
		method, path string
		status       int
		say          string
	}{
		{http.MethodGet, "/api/v1/nothing", http.StatusNotFound, "nothing at"},
		{http.MethodGet, "/api/", http.StatusNotFound, "nothing at"},
		{http.MethodDelete, "/api/v1/vials/251013-1-01", http.StatusMethodNotAllowed, "only GET"},
		{http.MethodGet, "/api/v1/batches", http.StatusMethodNotAllowed, "only POST"},
		{http.MethodGet, "/api/v1/vials/251013-1-01-00", http.StatusUnprocessableEntity, "251013-1-01-00"},
		{http.MethodGet, "/api/v1/vials/" + codeOf(1), http.StatusNotFound, "not in the record"},
		{http.MethodGet, "/api/v1/batches/251013-7", http.StatusNotFound, "not in the record"},
		{http.MethodGet, "/api/v1/batches/seven", http.StatusUnprocessableEntity, "not a batch code"},
		{http.MethodGet, "/api/v1/cases/0", http.StatusNotFound, "not the number of a case"},
		{http.MethodGet, "/api/v1/cases/7", http.StatusNotFound, "not in the record"},
		{http.MethodGet, "/api/v1/sweep", http.StatusNotFound, "No list has been made"},
		{http.MethodGet, "/api/v1/sweep?sote=SMALL", http.StatusBadRequest, `no query parameter "sote"`},
		{http.MethodGet, "/api/v1/sweep?now=yes", http.StatusBadRequest, "neither true nor false"},
		{http.MethodGet, "/api/v1/sweep?site=LARGE", http.StatusForbidden, "for site SMALL"},
		{http.MethodGet, "/api/v1/vials?unit=R9", http.StatusNotFound, "storage unit"},
		{http.MethodGet, "/api/v1/vials?product=NONE", http.StatusNotFound, "product"},
		{http.MethodGet, "/api/v1/vials?state=warm", http.StatusBadRequest, "no state"},
		{http.MethodGet, "/api/v1/products/NONE/materials?vials=3", http.StatusNotFound, "NONE"},
		{http.MethodGet, "/api/v1/products/PANT/materials", http.StatusBadRequest, "how many finished vials"},
		{http.MethodGet, "/api/v1/products/PANT/materials?vials=3&spare=-1", http.StatusBadRequest, "whole number"},
		{http.MethodGet, "/api/v1/products/PANT/materials?vials=3&diluent_ml=ten", http.StatusBadRequest, "plain decimal"},
		{http.MethodGet, "/api/v1/products/PANT/materials?vials=3", http.StatusUnprocessableEntity, "does not say how much diluent"},
		{http.MethodGet, "/api/v1/products/PANT/materials?vials=3&diluent_ml=11", http.StatusUnprocessableEntity, "less diluent"},
		{http.MethodGet, "/api/v1/units/R9/readings", http.StatusNotFound, "storage unit"},
		{http.MethodGet, "/api/v1/units/R1/readings?from=yesterday", http.StatusBadRequest, "2025-11-12T08:30:00-05:00"},
		{http.MethodGet, "/api/v1/units/R1/readings?from=2025-01-01T00:00:00Z", http.StatusBadRequest, "31 days"},
		{http.MethodGet, "/api/v1/units/R1/readings?from=2026-01-01T00:00:00%2B01:00", http.StatusBadRequest, "earlier instant"},
		{http.MethodGet, "/api/v1/units/R1/readings?from=2026-01-01T00:00:00+01:00", http.StatusBadRequest, "earlier instant"},
		{http.MethodGet, "/api/v1/reports/waste?from=October", http.StatusUnprocessableEntity, "write a month as 2025-10"},
		{http.MethodGet, "/api/v1/reports/waste?from=2025-10&to=2025-09", http.StatusUnprocessableEntity, "ends at or before its start"},
		{http.MethodGet, "/api/v1/reports/waste?month=2025-10", http.StatusBadRequest, "there are from, to and site"},
		{http.MethodGet, "/api/v1/events?limit=0", http.StatusBadRequest, "from 1 to 1000"},
		{http.MethodGet, "/api/v1/events?after=-1", http.StatusBadRequest, "whole number"},
	} {
		a := s.send(x.method, x.path, "reader", "", "")
		require.Equal(t, x.status, a.status, "%s %s: %s", x.method, x.path, a.body)
		require.Contains(t, a.problem(t).Detail, x.say, "%s %s", x.method, x.path)
		if x.status == http.StatusMethodNotAllowed {
			require.NotEmpty(t, a.header.Get("Allow"))
		}
	}
}
