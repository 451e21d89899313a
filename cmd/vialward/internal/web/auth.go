package web

import (
	"context"
	"errors"
	"net/http"
	"strings"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
)

// scope is what a token lets its holder do; scopeNone = no token is asked for.
type scope string

const (
	scopeNone     scope = ""
	scopeRead     scope = tracker.ScopeRead
	scopeReadings scope = tracker.ScopeReadings
	scopeAct      scope = tracker.ScopeAct
)

// errNoToken answers an unknown, expired or revoked token, one whose person has gone and none at all alike.
var errNoToken = errors.New("no valid token")

// identify finds who asks, by their token, and what of it they may do. The token says the site; ?site= may only agree.
func (q *ask) identify(ctx context.Context, needed scope) error {
	given := bearer(q.r)
	var err error
	if q.token, q.site, err = q.t.Store.TokenActor(ctx, tracker.HashToken(given), q.now); err != nil {
		if errors.Is(err, tracker.ErrNotFound) {
			return errNoToken
		}
		return err
	}
	q.as = present.As{Zone: q.site.Location(), Now: q.now}
	person, ok := q.site.Person(q.token.Person)
	if !ok || person.Gone(q.now) {
		return errNoToken
	}
	q.who = tracker.Actor{Person: person, Via: "token"}
	if !q.token.Allows(string(needed)) {
		return &fault{
			problem: problem{
				Type: urn("scope"), Title: "Token does not reach that far", Status: http.StatusForbidden, Code: "scope",
				challenge: `Bearer realm="vialward", error="insufficient_scope", scope="` + string(needed) + `"`,
			},
			say: "This token's scope is " + strings.Join(q.token.Scopes, " and ") + "; this takes " + string(needed) + ". Ask an administrator of the site for another token.",
		}
	}
	if site := q.r.URL.Query().Get("site"); site != "" && site != q.token.Site {
		return wrong(http.StatusForbidden, "This token is for site %s, not %q. Leave site out, or use a token of that site.", q.token.Site, site)
	}
	return nil
}

// bearer is the token of the request, "" without one (RFC 6750, section 2.1).
func bearer(r *http.Request) string {
	scheme, token, ok := strings.Cut(r.Header.Get("Authorization"), " ")
	if !ok || !strings.EqualFold(scheme, "Bearer") {
		return ""
	}
	return strings.TrimSpace(token)
}
