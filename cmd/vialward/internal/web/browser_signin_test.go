package web_test

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/passwords"
	"vialward/tracker"
	"vialward/tracker/stock"
)

// In a real browser: from a page one wanted, through the sign-in, to it; a first password, a PIN, a tablet handed on, and out
// again. Each page on the way is looked at as all others are; no page has a script.
func TestSignInInABrowser(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	n.Door = tracker.NewDoor(passwords.Light())
	ctx := t.Context()
	require.NoError(t, n.FirstAdministrator(ctx, quillmere, tracker.Account("root"), "admin", "kettle moss of admin"))
	server := httptest.NewServer(n.server.Handler())
	t.Cleanup(server.Close)
	ctx = browser(t)
	var wrong []string
	look := func(name string) {
		t.Helper()
		scripts, err := chromedp.Run(ctx, chromedp.Evaluate[int]("document.scripts.length"))
		require.NoError(t, err)
		require.Zero(t, scripts, name)
		wrong = append(wrong, lookedAt(t, ctx, server.URL, name)...)
	}
	type fields map[string]string
	// send fills in the fields of a form and touches its button; it answers the page that comes.
	send := func(form string, fill fields) (path string, status int64) {
		t.Helper()
		for name, text := range fill {
			require.NoError(t, chromedp.Do(ctx, chromedp.SendKeys(form+` [name="`+name+`"]`, text)), name)
		}
		r, err := chromedp.RunResponse(ctx, chromedp.Click(form+" button"))
		require.NoError(t, err, form)
		return strings.TrimPrefix(r.URL, server.URL), r.Status
	}
	is := func(path string, status int64) func(string, int64) {
		return func(gotPath string, gotStatus int64) {
			t.Helper()
			require.Equal(t, path, gotPath)
			require.Equal(t, status, gotStatus)
		}
	}
	open := func(path string) {
		t.Helper()
		require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(server.URL+path)))
	}
	const bySignIn, byPIN, out = `form[action="/sign-in"]`, `form[action="/change-hands"]`, `form[action="/sign-out"]`

	open("/units/R1?period=7d")
	look("sign-in")
	is("/sign-in", 403)(send(bySignIn, fields{"person": "admin", "password": "not the password"}))
	look("sign-in-wrong")
	is("/units/R1?period=7d", 200)(send(bySignIn, fields{"password": "kettle moss of admin"}))
	open("/accounts")
	look("accounts")
	is("/accounts/tech-1/password", 200)(send(`form[action="/accounts/tech-1/password"]`, nil))
	look("password-given-out")
	start, err := chromedp.Run(ctx, chromedp.Text(".secret code"))
	require.NoError(t, err)
	is("/sign-in", 200)(send(out, nil))

	is("/account/password", 200)(send(bySignIn, fields{"person": "tech-1", "password": start}))
	look("first-password")
	is("/account/password", 422)(send(`form[action="/account/password"]`, fields{"password": start, "new": "tech-1tech-1tech-1", "again": "tech-1tech-1tech-1"}))
	look("first-password-refused")
	is("/account", 200)(send(`form[action="/account/password"]`, fields{"password": start, "new": "kettle moss of tech", "again": "kettle moss of tech"}))
	is("/account", 200)(send(`form[action="/account/pin"]`, fields{"password": "kettle moss of tech", "pin": "271828", "again": "271828"}))
	require.NoError(t, chromedp.Do(ctx, chromedp.Click(`input[value="read"]`)))
	is("/account/tokens", 200)(send(`form[action="/account/tokens"]`, fields{"name": "a logger's gateway"}))
	look("account")
	open("/")
	look("today-signed-in")
	is("/sign-in", 200)(send(out, nil))
	look("sign-in-pin")
	require.NoError(t, chromedp.Do(ctx, chromedp.Click(byPIN+` input[value="tech-1"]`)))
	is("/change-hands", 403)(send(byPIN, fields{"pin": "999983"}))
	is("/", 200)(send(byPIN, fields{"pin": "271828"}))
	require.NoError(t, n.Store.Read(t.Context(), quillmere, func(v tracker.View) error {
		all, err := v.Sessions(t.Context(), tracker.SessionQuery{GoingOn: true})
		require.Len(t, all, 1, "each sign-in ended the one before on this browser")
		require.Equal(t, tracker.ByPIN, all[0].Method)
		return err
	}))
	n.now = n.now.Add(30 * time.Minute)
	open("/stock")
	at, err := chromedp.Run(ctx, chromedp.Location())
	require.NoError(t, err)
	require.Equal(t, server.URL+"/sign-in?back=%2Fstock", at, "left alone for half an hour")
	require.Empty(t, wrong, strings.Join(wrong, "\n"))
}

// Names that would be markup stay names on these pages too.
func TestHostileNamesOfAccounts(t *testing.T) {
	t.Parallel()
	const evil = `"><script>alert(1)</script><img src=x onerror=alert(1)>`
	n := newNight(t, func(s *stock.Site) {
		for i := range s.People {
			s.People[i].Name = evil
		}
	})
	n.Door = tracker.NewDoor(passwords.Light())
	token := n.signedIn(t, "rph-1")
	require.NotEmpty(t, token)
	_, err := n.MakeToken(t.Context(), quillmere, n.actor("rph-1"), tracker.Token{Person: "rph-1", Scopes: []string{"read"}, Name: evil})
	require.NoError(t, err)
	for path, person := range map[string]string{"/account": "rph-1", "/accounts": "admin", "/sign-in?site=" + "%22%3E%3Cscript%3E": "rph-1", "/account/password": "rph-1"} {
		r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1:8080"+path, nil)
		status, page := ask(t, n.as(t, person), r)
		require.Equal(t, 200, status, path)
		require.NotContains(t, page, "<script", path)
		require.NotContains(t, page, "<img", path)
	}
}
