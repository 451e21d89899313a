package web

import (
	"encoding/json"
	"fmt"
	"go/ast"
	goparser "go/parser"
	"go/token"
	"io/fs"
	"net/http"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/stock"
)

// asked is what each route of the API asks for, written out by hand: a route under the wrong operation would let the
// wrong people in. A new route is missing here, and fails the test, until somebody says what it is.
var asked = map[string]access.Operation{
	"GET /openapi.json": access.Watch, "POST /readings": access.WriteReadings,
	"GET /sweep": access.Read, "GET /trace": access.Read, "GET /vials": access.Read, "GET /vials/{code}": access.Read, "GET /vials/{code}/place": access.Read, "GET /vials/{code}/exposure": access.Read,
	"GET /batches/{code}": access.Read, "GET /products/{code}/materials": access.Read, "GET /units": access.Read, "GET /units/{code}/readings": access.Read, "GET /cases": access.Read,
	"GET /cases/{no}": access.Read, "GET /intakes": access.Read, "GET /events": access.Read, "GET /people": access.Read, "GET /outbox": access.ReadMail,
	"POST /batches": access.Prepare, "POST /stock": access.TakeOver, "POST /vials/label": access.Label, "POST /vials/print": access.Label, "POST /batches/{code}/labels": access.Label, "POST /vials/verify": access.Verify,
	"POST /batches/{code}/steps": access.SignStep, "POST /batches/{code}/close": access.CloseBatch,
	"POST /vials/place": access.Place, "POST /vials/issue": access.Issue, "POST /vials/give": access.Give, "POST /vials/return": access.Return,
	"POST /vials/enter": access.Enter, "POST /vials/hold": access.Hold, "POST /vials/lift": access.Lift, "POST /vials/shorten": access.Shorten,
	"POST /vials/relabel": access.Relabel, "POST /vials/discard": access.Discard, "POST /vials/lose": access.Lose, "POST /vials/void": access.Void,
	"POST /vials/send": access.Send, "POST /vials/find": access.Find, "POST /cases/{no}/release": access.Release, "POST /counts": access.Count,
	"POST /recalls": access.Recall, "POST /areas/{code}": access.SetArea, "POST /units/{code}/work": access.PlanWork,
	"POST /sweeps/{number}/confirm": access.Confirm, "POST /intakes/{id}/withdraw": access.Withdraw, "POST /sensors/{code}/zone": access.DeclareZone,
	"POST /people": access.AddPerson, "POST /people/{code}": access.ChangePerson, "POST /people/{code}/assessments": access.Assess,
	"GET /reports/waste": access.Read, "POST /shortages": access.Short, "POST /vials/correct-cause": access.Correct,
}

// roles gives the shop a person of each role and one of none, each with a token that acts as them.
func (s *shop) roles(t *testing.T) []string {
	t.Helper()
	site, err := s.Tracker.ShowSite(t.Context(), "SMALL")
	require.NoError(t, err)
	names := []string{"left"}
	for _, role := range stock.Roles() {
		code := "only-" + strings.ReplaceAll(role, " ", "-")
		names = append(names, code)
		site.People = append(site.People, stock.Person{Code: code, Roles: []string{role}})
	}
	site.People = append(site.People, stock.Person{Code: "left", Roles: stock.Roles(), Left: s.clock()})
	_, err = s.Tracker.LoadSite(t.Context(), s.signing(stock.Person{Code: "admin-1"}), site)
	require.NoError(t, err)
	for _, code := range names { // past the rule that everybody makes their own: a logger has none that acts
		require.NoError(t, s.Tracker.Store.In(t.Context(), "SMALL", func(tx tracker.Tx) error {
			k := tracker.Token{Person: code, Scopes: []string{tracker.ScopeAct}, Name: code, MadeAt: s.clock(), Ends: s.clock().Add(time.Hour)}
			if err := tx.AddToken(t.Context(), tracker.HashToken(code), k); err != nil {
				return err
			}
			e := stock.Event{Kind: stock.TokenMade, At: s.clock(), EnteredAt: s.clock(), By: "admin-1", Via: tracker.ViaMachine, Body: stock.Body{To: code}}
			return tx.Append(t.Context(), &e)
		}))
	}
	return names
}

func (s *shop) head(t *testing.T) int64 {
	t.Helper()
	var last int64
	require.NoError(t, s.Tracker.Store.Read(t.Context(), "SMALL", func(v tracker.View) error {
		all, err := v.Events(t.Context(), tracker.EventQuery{})
		last = all[len(all)-1].Seq
		return err
	}))
	return last
}

// Every route of the API, asked for with every role, by somebody who has left, with no token and with a wrong one, in the
// words of a request that would be right: who may not is told so before anything else of it is looked at, and leaves no
// trace in the record.
func TestEveryRouteByEveryRole(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	names := s.roles(t)
	before := s.head(t)
	type attempt struct {
		r     route
		x     tried
		token string
	}
	var allowed []attempt
	for _, r := range table() {
		name := r.method + " " + strings.TrimPrefix(r.path, apiPrefix)
		op, known := asked[name]
		require.True(t, known, "%s: say in asked what it asks for", name)
		require.Equal(t, op, r.op, name)
		rule, known := access.Of(r.op)
		require.True(t, known, name)
		i := slices.IndexFunc(day, func(x tried) bool { return x.route == name })
		require.GreaterOrEqual(t, i, 0, "%s is not tried in a day", name)
		x := day[i]
		for _, token := range append([]string{"", "guessed"}, names...) {
			role := strings.ReplaceAll(strings.TrimPrefix(token, "only-"), "-", " ")
			switch {
			case rule.Anyone || slices.Contains(rule.Roles, role):
				allowed = append(allowed, attempt{r, x, token})
				continue
			case token == "" || token == "guessed" || token == "left":
				a := s.try(r, x, token)
				require.Equal(t, http.StatusUnauthorized, a.status, "%s with %q: %s", name, token, a.body)
				continue
			}
			a := s.try(r, x, token)
			require.Equal(t, http.StatusForbidden, a.status, "%s as %s: %s", name, role, a.body)
			require.Equal(t, "role", a.problem(t).Code, "%s as %s: %s", name, role, a.body)
		}
	}
	require.Equal(t, before, s.head(t), "somebody without the role changed the record")
	require.Len(t, table(), len(asked), "what is asked for and no route any more")
	for _, y := range allowed {
		a := s.try(y.r, y.x, y.token)
		require.NotEqual(t, http.StatusUnauthorized, a.status, "%s as %q: %s", y.r.path, y.token, a.body)
		if a.status != http.StatusForbidden {
			continue
		}
		var p problem // they may; that they were never assessed, or would change their own rights, is another matter
		require.NoError(t, json.Unmarshal(a.body, &p))
		require.Contains(t, []string{"competency", "own_rights"}, p.Code, "%s as %q: %s", y.r.path, y.token, a.body)
	}
}

func (s *shop) try(r route, x tried, token string) answer {
	path, media := x.path, x.media
	if path == "" {
		path = strings.TrimPrefix(r.path, apiPrefix)
	}
	if x.body != "" && media == "" {
		media = mediaJSON
	}
	return s.send(r.method, apiPrefix+path, token, media, x.body)
}

// An inspector reads all there is and changes nothing, whatever the table says.
func TestAnInspectorOnlyReads(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	s.roles(t)
	before := s.head(t)
	for _, x := range day {
		i := slices.IndexFunc(table(), func(r route) bool { return r.method+" "+strings.TrimPrefix(r.path, apiPrefix) == x.route })
		a := s.try(table()[i], x, "only-inspector")
		if strings.HasPrefix(x.route, http.MethodPost) {
			require.Equal(t, http.StatusForbidden, a.status, "%s: %s", x.route, a.body)
		} else {
			require.Contains(t, []int{http.StatusOK, http.StatusNotFound}, a.status, "%s: %s", x.route, a.body)
		}
	}
	require.Equal(t, before, s.head(t))
}

// Every page is in the table under an operation the rules know, and nothing is registered past the tables.
func TestEveryPageNamesItsOperation(t *testing.T) {
	t.Parallel()
	s := &Server{DemoClock: true, Metrics: http.NotFoundHandler(), Extra: map[string]http.Handler{"GET /demo/mail": http.NotFoundHandler()}}
	for _, x := range append(s.served(), s.servedAtTheDoor()...) {
		rule, known := access.Of(x.op)
		require.True(t, known, "%s: %s is no operation", x.pattern, x.op)
		if strings.HasPrefix(x.pattern, "GET ") {
			require.True(t, rule.Reads, "%s changes something", x.pattern)
		}
	}
	calls := map[string]int{}
	files, err := fs.Glob(os.DirFS("."), "*.go")
	require.NoError(t, err)
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		f, err := goparser.ParseFile(token.NewFileSet(), name, nil, goparser.SkipObjectResolution)
		require.NoError(t, err)
		ast.Inspect(f, func(n ast.Node) bool {
			if call, ok := n.(*ast.CallExpr); ok {
				if x, ok := call.Fun.(*ast.SelectorExpr); ok && (x.Sel.Name == "Handle" || x.Sel.Name == "HandleFunc") {
					calls[name]++
				}
			}
			return true
		})
	}
	require.Equal(t, "map[api.go:2 served.go:5]", fmt.Sprint(calls), "what is registered past the tables is asked no role")
}
