package web

import (
	"net/http"
	"reflect"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker/access"
	"vialward/tracker/stock"
)

// Every route of a signed operation takes a signature, and no other does.
func TestSignedRoutesTakeASignature(t *testing.T) {
	t.Parallel()
	for _, r := range table() {
		rule, _ := access.Of(r.op)
		takes := r.body != nil && r.body.Implements(reflect.TypeFor[signs]())
		require.Equal(t, rule.Signed != "", takes, "%s %s", r.method, r.path)
	}
}

// A token alone signs nothing; nor does a wrong password, another's, or one guessed often. The right one signs once, for
// this request, and whoever changes the record afterwards is given away wherever it is looked at.
func TestSigningOverTheAPI(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	for _, x := range day {
		if x.route == "POST /batches" || x.route == "POST /vials/label" {
			require.Equal(t, http.StatusOK, s.post(x.as, strings.TrimPrefix(x.route, "POST "), x.body).status)
		}
	}
	body := func(signature string) string { return `{"vials":[` + vial(1) + `],"signature":` + signature + `}` }
	for signature, say := range map[string]string{
		`{}`: "rph-1 gives their password with it", `{"password":""}`: "rph-1 gives their password with it",
		`{"password":"guessed wrongly"}`:                 "do not go together",
		`{"password":"` + secretOf("tech-1") + `"}`:      "do not go together",
		`{"password":"` + secretOf("rph-1") + ` or so"}`: "do not go together",
	} {
		a := s.post("rph-1", "/vials/verify", body(signature))
		require.Equal(t, http.StatusForbidden, a.status, "%s: %s", signature, a.body)
		require.Contains(t, a.problem(t).Detail, say)
		require.NotContains(t, string(a.body), "guessed", "no password is repeated")
	}
	for _, e := range read[present.Life](t, s.get("/vials/"+codeOf(1))).Events {
		require.NotEqual(t, stock.Verified, e.Kind, "nothing was recorded")
	}
	require.Equal(t, http.StatusOK, s.post("rph-1", "/vials/verify", body(`{"password":"`+secretOf("rph-1")+`"}`)).status)

	last := func() present.Event {
		events := read[present.Life](t, s.get("/vials/"+codeOf(1))).Events
		return events[len(events)-1]
	}
	g := last().Body.Signature
	require.NotNil(t, g)
	require.Equal(t, []string{"rph-1", "password", "checked against its record, and fit for use"}, []string{g.Person, g.Method, g.Meaning})
	require.Empty(t, last().Broken)
	batch := read[present.Life](t, s.get("/vials/"+codeOf(1))).Batch.Code
	require.Empty(t, read[present.BatchWithVials](t, s.get("/batches/"+batch)).Broken)

	c, err := pgx.Connect(t.Context(), s.dsn)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, c.Close(t.Context())) })
	_, err = c.Exec(t.Context(), `set session_replication_role = replica; update batch_component set lot = 'Z1'`)
	require.NoError(t, err)
	require.NotEmpty(t, last().Broken)
	require.Len(t, read[present.BatchWithVials](t, s.get("/batches/"+batch)).Broken, 1)

	many := 0
	for range 60 {
		if s.post("rph-1", "/vials/verify", body(`{"password":"guessed wrongly"}`)).status == http.StatusTooManyRequests {
			many++
		}
	}
	require.Positive(t, many, "throttled like a sign-in")
}
