package web

import (
	"crypto/tls"
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/stock"
)

// opened is a shop whose people can sign in; secretOf is the password of each.
func opened(t testing.TB) *shop {
	t.Helper()
	return newShop(t)
}

func secretOf(person string) string { return "kettle moss of " + strings.ToUpper(person) }

// visitorsBrowser keeps cookies, as one does.
type visitorsBrowser struct {
	s       *shop
	address string
	secure  bool
	cookies map[string]*http.Cookie
}

func (s *shop) browser(address string) *visitorsBrowser {
	return &visitorsBrowser{s, address, false, map[string]*http.Cookie{}}
}

func (b *visitorsBrowser) get(path string) answer { return b.send(http.MethodGet, path, nil) }

func (b *visitorsBrowser) send(method, path string, form url.Values) answer {
	r := httptest.NewRequest(method, "http://127.0.0.1:8080"+path, strings.NewReader(form.Encode()))
	r.RemoteAddr = b.address + ":4711"
	if form != nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Sec-Fetch-Site", "same-origin")
	}
	if b.secure {
		r.TLS = &tls.ConnectionState{}
	}
	for _, k := range b.cookies {
		r.AddCookie(&http.Cookie{Name: k.Name, Value: k.Value})
	}
	a := pass(b.s.h, r)
	for _, k := range (&http.Response{Header: a.header}).Cookies() {
		if k.MaxAge < 0 {
			delete(b.cookies, k.Name)
			continue
		}
		b.cookies[k.Name] = k
	}
	return a
}

func (b *visitorsBrowser) signIn(person, password, back string) answer {
	return b.send(http.MethodPost, "/sign-in", url.Values{"person": {person}, "password": {password}, "back": {back}})
}

// in signs in, which must succeed.
func (b *visitorsBrowser) in(t *testing.T, person string) *visitorsBrowser {
	t.Helper()
	a := b.signIn(person, secretOf(person), "")
	require.Equal(t, http.StatusSeeOther, a.status, "%s", a.body)
	return b
}

// Every page and every form by nobody: the sign-in page, and nothing of the record; what needs nobody says so in the table.
func TestEveryPageByNobody(t *testing.T) {
	t.Parallel()
	s := opened(t)
	braces := regexp.MustCompile(`\{\w+\}`)
	for _, p := range s.served() {
		if p.op == access.Watch {
			continue
		}
		method, path, _ := strings.Cut(p.pattern, " ")
		path = braces.ReplaceAllString(strings.TrimSuffix(path, "{$}"), "1")
		var form url.Values
		if method == http.MethodPost {
			form = url.Values{}
		}
		a := s.browser("192.0.2.1").send(method, path, form)
		if strings.HasPrefix(path, "/sign-in") || path == "/change-hands" {
			require.Contains(t, string(a.body), "<h1>Sign in</h1>", p.pattern)
			continue
		}
		require.Equal(t, http.StatusSeeOther, a.status, "%s: %s", p.pattern, a.body)
		require.True(t, strings.HasPrefix(a.header.Get("Location"), "/sign-in"), p.pattern)
		require.NotContains(t, string(a.body), "Small Pharmacy")
	}
	require.Equal(t, "/sign-in?back="+url.QueryEscape("/stock?only=hold"), s.browser("192.0.2.1").get("/stock?only=hold").header.Get("Location"))
	require.NotContains(t, string(s.browser("192.0.2.1").get("/nowhere").body), "Small Pharmacy")
}

// Every page and every form by every role: whoever has the role gets further, whoever has not is told so.
func TestEveryPageByEveryRole(t *testing.T) {
	t.Parallel()
	s := opened(t)
	s.roles(t)
	braces := regexp.MustCompile(`\{\w+\}`)
	for _, role := range stock.Roles() {
		b := s.browser("192.0.2.1")
		token := strings.Repeat("A", 40) + strings.ToUpper(strings.Repeat(role[:1]+role[len(role)-1:], 6))
		in := tracker.Session{
			Person: "only-" + strings.ReplaceAll(role, " ", "-"), Device: make([]byte, 32), Method: tracker.ByPassword,
			FullAt: s.clock(), StartedAt: s.clock(), SeenAt: s.clock(),
		}
		require.NoError(t, s.Tracker.Store.In(t.Context(), "SMALL", func(tx tracker.Tx) error { return tx.NewSession(t.Context(), tracker.HashToken(token), &in) }))
		for _, p := range s.served() {
			rule, known := access.Of(p.op)
			require.True(t, known)
			method, path, _ := strings.Cut(p.pattern, " ")
			if rule.Anyone {
				continue
			}
			b.cookies[sessionCookie] = &http.Cookie{Name: sessionCookie, Value: token}
			var form url.Values
			if method == http.MethodPost {
				form = url.Values{}
			}
			a := b.send(method, braces.ReplaceAllString(strings.TrimSuffix(path, "{$}"), "999"), form)
			at := role + ": " + p.pattern
			if slices.Contains(rule.Roles, role) {
				require.NotEqual(t, http.StatusSeeOther, a.status, "%s: %s", at, a.body)
				require.False(t, a.status == http.StatusForbidden && strings.Contains(string(a.body), "may not "+html.EscapeString(rule.Do)), "%s: %s", at, a.body)
				require.Less(t, a.status, 500, at)
				continue
			}
			require.Equal(t, http.StatusForbidden, a.status, "%s: %s", at, a.body)
			require.Contains(t, string(a.body), "may not "+html.EscapeString(rule.Do), at)
		}
	}
}

// Signed in, one looks at pages, goes back to where one wanted to go and to no other server, and is out again at once.
func TestSignInAndOut(t *testing.T) {
	t.Parallel()
	s := opened(t)
	b := s.browser("192.0.2.7")
	a := b.signIn("tech-1", secretOf("tech-1"), "/stock?only=hold")
	require.Equal(t, http.StatusSeeOther, a.status)
	require.Equal(t, "/stock?only=hold", a.header.Get("Location"))
	for name, k := range b.cookies {
		require.True(t, k.HttpOnly, name)
		require.Equal(t, http.SameSiteLaxMode, k.SameSite, name)
		require.Equal(t, "/", k.Path)
		require.Len(t, k.Value, 52)
	}
	require.Zero(t, b.cookies["vialward"].MaxAge, "until the browser is closed")
	require.Equal(t, 400*24*3600, b.cookies["vialward-device"].MaxAge)
	page := b.get("/")
	require.Equal(t, http.StatusOK, page.status)
	require.Contains(t, string(page.body), "Small Pharmacy")
	require.Contains(t, string(page.body), "Sign out")
	require.Equal(t, "no-store", page.header.Get("Cache-Control"))
	for _, back := range []string{"https://elsewhere.example/", "//elsewhere.example", `/\elsewhere.example`, "javascript:alert(1)", "/\r\nSet-Cookie: x=y", ""} {
		to := s.browser("192.0.2.7").signIn("tech-1", secretOf("tech-1"), back).header.Get("Location")
		require.Equal(t, "/", to, back)
	}
	other := *b
	other.cookies = map[string]*http.Cookie{"vialward": b.cookies["vialward"]}
	require.Equal(t, http.StatusSeeOther, b.send(http.MethodPost, "/sign-out", url.Values{}).status)
	require.NotContains(t, b.cookies, "vialward")
	require.Contains(t, b.cookies, "vialward-device", "the browser stays known")
	require.Equal(t, http.StatusSeeOther, b.get("/").status)
	require.Equal(t, http.StatusSeeOther, other.get("/").status, "also for whoever copied the cookie")
	require.Equal(t, http.StatusNotFound, b.get("/sign-out").status, "no link signs anybody out")
}

// Over TLS cookies are for this host alone and never sent in the open; one of the plain name is worth nothing there.
func TestCookiesOverTLS(t *testing.T) {
	t.Parallel()
	s := opened(t)
	b := s.browser("192.0.2.7")
	b.secure = true
	b.in(t, "tech-1")
	for _, name := range []string{"__Host-vialward", "__Host-vialward-device"} {
		require.True(t, b.cookies[name].Secure, name)
		require.Empty(t, b.cookies[name].Domain)
		require.Equal(t, "/", b.cookies[name].Path)
	}
	require.Equal(t, http.StatusOK, b.get("/").status)
	planted := s.browser("192.0.2.7")
	planted.secure = true
	planted.cookies["vialward"] = &http.Cookie{Name: "vialward", Value: b.cookies["__Host-vialward"].Value}
	require.Equal(t, http.StatusSeeOther, planted.get("/").status)
}

// Whether there is somebody of a name cannot be told from page, status or headers; and after too many tries the answer says
// when to try again.
func TestWrongPassword(t *testing.T) {
	t.Parallel()
	s := opened(t)
	var said [2][]string
	for i, person := range []string{"rph-1", "nobody"} {
		b := s.browser(fmt.Sprintf("192.0.2.%d", i))
		for range 12 {
			a := b.signIn(person, "kettle moss none", "/stock")
			require.NotContains(t, string(a.body), "kettle moss none")
			require.Empty(t, b.cookies)
			said[i] = append(said[i], fmt.Sprint(a.status, a.header, strings.ReplaceAll(string(a.body), person, "somebody")))
		}
		a := b.signIn(person, "kettle moss none", "/stock")
		require.Equal(t, http.StatusTooManyRequests, a.status)
		seconds, err := strconv.Atoi(a.header.Get("Retry-After"))
		require.NoError(t, err)
		require.Equal(t, 120, seconds)
		require.Contains(t, string(a.body), "There were too many tries; wait 2 minutes")
		s.pass(time.Hour)
	}
	require.Equal(t, said[0], said[1])
	require.Contains(t, said[0][0], "Person and password do not go together")
	require.True(t, strings.HasPrefix(said[0][0], "403"))
}

// A form of another origin, one without fields, one of the wrong kind, and one that does not end are not done.
func TestFormsThatAreNone(t *testing.T) {
	t.Parallel()
	s := opened(t)
	b := s.browser("192.0.2.7").in(t, "tech-1")
	for _, path := range []string{"/sign-in", "/change-hands", "/account/password", "/account/pin", "/account/tokens", "/sessions/x/end", "/sessions/99999999999999999999/end", "/tokens/0/revoke", "/accounts/nobody/password"} {
		a := b.send(http.MethodPost, path, url.Values{})
		require.GreaterOrEqual(t, a.status, 400, path)
		require.Less(t, a.status, 500, path)
		a = b.send(http.MethodPost, path, url.Values{"password": {strings.Repeat("x", 70_000)}})
		require.Equal(t, http.StatusRequestEntityTooLarge, a.status, path)
		a = b.send(http.MethodPost, path, url.Values{"person": {"\x00\xff"}, "password": {"\x00"}, "pin": {"\xff"}, "name": {"\x00"}, "scope": {"\x00"}, "site": {"\x00"}})
		require.GreaterOrEqual(t, a.status, 400, path)
		require.Less(t, a.status, 500, "%s: %s", path, a.body)
		r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1:8080"+path, strings.NewReader("%zz=%"))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		require.Equal(t, http.StatusBadRequest, pass(s.h, r).status, path)
		r = httptest.NewRequest(http.MethodPost, "http://127.0.0.1:8080"+path, strings.NewReader("person=tech-1"))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Origin", "https://other.example")
		require.Equal(t, http.StatusForbidden, pass(s.h, r).status, path)
	}
}

var secretShown = regexp.MustCompile(`<code>([^<]+)</code>`)

// A password that was given out opens one page, on which one of one's own is chosen; then everything.
func TestFirstSignIn(t *testing.T) {
	t.Parallel()
	s := opened(t)
	admin := s.browser("10.0.0.1").in(t, "admin-1")
	a := admin.send(http.MethodPost, "/accounts/mgr-1/password", url.Values{})
	require.Equal(t, http.StatusOK, a.status)
	shown := secretShown.FindSubmatch(a.body)
	require.NotNil(t, shown, "%s", a.body)
	start := string(shown[1])
	require.NotContains(t, string(admin.get("/accounts").body), start, "it is shown once")

	b := s.browser("192.0.2.7")
	to := b.signIn("mgr-1", start, "/stock")
	require.Equal(t, "/account/password", to.header.Get("Location"))
	require.Equal(t, "/account/password", b.get("/stock").header.Get("Location"), "nothing else can be done")
	require.Equal(t, "/account/password", b.send(http.MethodPost, "/account/tokens", url.Values{}).header.Get("Location"))
	require.Contains(t, string(b.get("/account/password").body), "given out to begin with")
	change := func(old, one, other string) answer {
		return b.send(http.MethodPost, "/account/password", url.Values{"password": {old}, "new": {one}, "again": {other}})
	}
	require.Contains(t, string(change(start, "kettle moss nine", "kettle moss ten").body), "differ")
	require.Contains(t, string(change(start, "mgr-1mgr-1mgr-1", "mgr-1mgr-1mgr-1").body), "easily guessed")
	require.Contains(t, string(change("not this", "kettle moss nine", "kettle moss nine").body), "do not go together")
	before := b.cookies["vialward"].Value
	require.Equal(t, "/account", change(start, "kettle moss nine", "kettle moss nine").header.Get("Location"))
	require.NotEqual(t, before, b.cookies["vialward"].Value)
	require.Equal(t, http.StatusOK, b.get("/stock").status)
}

// One tablet, two people: each gave their password this morning; then PINs do, and pages are the other one's.
func TestHandingATabletOn(t *testing.T) {
	t.Parallel()
	s := opened(t)
	tablet := s.browser("10.0.0.9")
	for person, pin := range map[string]string{"tech-1": "271828", "rph-1": "314159"} {
		tablet.in(t, person)
		a := tablet.send(http.MethodPost, "/account/pin", url.Values{"password": {secretOf(person)}, "pin": {pin}, "again": {pin}})
		require.Equal(t, "/account", a.header.Get("Location"), "%s", a.body)
		require.Contains(t, string(tablet.get("/account").body), "You have one, since")
	}
	tablet.send(http.MethodPost, "/sign-out", url.Values{})
	page := string(tablet.get("/sign-in").body)
	require.Contains(t, page, `value="rph-1" required`)
	require.Contains(t, page, `value="tech-1" required`)
	require.NotContains(t, string(s.browser("10.0.0.9").get("/sign-in").body), "tech-1", "another browser sees nobody")
	hand := func(person, pin string) answer {
		return tablet.send(http.MethodPost, "/change-hands", url.Values{"person": {person}, "pin": {pin}, "site": {"SMALL"}, "back": {"/stock"}})
	}
	require.Equal(t, "/stock", hand("rph-1", "314159").header.Get("Location"))
	require.Contains(t, string(tablet.get("/account").body), "by PIN")
	wrong := hand("tech-1", "314159")
	require.Equal(t, http.StatusForbidden, wrong.status)
	require.Contains(t, string(wrong.body), "This is not the PIN")
	require.Contains(t, string(tablet.get("/").body), "rph-1", "who had it keeps it")
	require.Equal(t, "/stock", hand("tech-1", "271828").header.Get("Location"))
	require.Contains(t, string(tablet.get("/").body), ">tech-1</a>")
	s.pass(12 * time.Hour)
	require.Contains(t, string(hand("tech-1", "271828").body), "This takes the password")
	require.NotContains(t, string(tablet.get("/sign-in").body), "PIN")
}

// Sessions and tokens are looked after: one's own by oneself, everybody's by an administrator; an inspector looks.
func TestAccountsAreLookedAfter(t *testing.T) {
	t.Parallel()
	s := opened(t)
	phone, desk, admin := s.browser("192.0.2.7").in(t, "tech-1"), s.browser("10.0.0.1").in(t, "tech-1"), s.browser("10.0.0.2").in(t, "admin-1")
	ends := regexp.MustCompile(`action="(/sessions/\d+/end)"`)
	own := ends.FindAllStringSubmatch(string(desk.get("/account").body), -1)
	require.Len(t, own, 2, "newest first")
	require.Contains(t, string(desk.get("/account").body), "THIS ONE")
	require.Equal(t, "/account", desk.send(http.MethodPost, own[1][1], url.Values{}).header.Get("Location"))
	require.Equal(t, http.StatusSeeOther, phone.get("/").status, "the phone is out")
	require.Equal(t, http.StatusConflict, desk.send(http.MethodPost, own[1][1], url.Values{}).status)

	for path, form := range map[string]url.Values{"/accounts/rph-1/password": {}, "/accounts": nil} {
		method := http.MethodPost
		if form == nil {
			method = http.MethodGet
		}
		require.Equal(t, http.StatusForbidden, desk.send(method, path, form).status, path)
	}
	adminsOwn := ends.FindAllStringSubmatch(string(admin.get("/account").body), -1)
	require.Equal(t, http.StatusForbidden, desk.send(http.MethodPost, adminsOwn[0][1], url.Values{}).status)
	page := string(admin.get("/accounts").body)
	require.Len(t, ends.FindAllString(page, -1), 2)
	require.Contains(t, page, "log-1")
	require.Contains(t, page, "does not sign in")
	require.NotContains(t, page, "/accounts/log-1/password")
	require.NotContains(t, page, "/accounts/admin-1/password", "one's own is changed by the one there is")
	require.Equal(t, "/accounts", admin.send(http.MethodPost, own[0][1], url.Values{"from": {"accounts"}}).header.Get("Location"))
	require.Equal(t, http.StatusSeeOther, desk.get("/").status)

	desk.in(t, "tech-1")
	made := desk.send(http.MethodPost, "/account/tokens", url.Values{"name": {"gateway <b>"}, "scope": {"read", "readings"}})
	require.Equal(t, http.StatusOK, made.status, "%s", made.body)
	token := string(secretShown.FindSubmatch(made.body)[1])
	require.Equal(t, http.StatusOK, s.send(http.MethodGet, "/api/v1/units", token, "", "").status)
	account := string(desk.get("/account").body)
	require.NotContains(t, account, token)
	require.NotContains(t, account, "<b>")
	require.Contains(t, account, "may read the record, write readings")
	require.Contains(t, account, "used last")
	revoke := regexp.MustCompile(`action="(/tokens/\d+/revoke)"`).FindStringSubmatch(account)
	require.Equal(t, "/account", desk.send(http.MethodPost, revoke[1], url.Values{}).header.Get("Location"))
	require.Equal(t, http.StatusUnauthorized, s.send(http.MethodGet, "/api/v1/units", token, "", "").status)
	require.Contains(t, string(desk.get("/account").body), "REVOKED")
	require.Equal(t, http.StatusBadRequest, desk.send(http.MethodPost, "/account/tokens", url.Values{"scope": {"read"}}).status)
}

// The demonstration keeps its own: nobody signs in there.
func TestDemonstrationHasNoSignIn(t *testing.T) {
	t.Parallel()
	s := opened(t)
	s.DemoClock = true
	s.h = s.Handler()
	b := s.browser("127.0.0.1")
	require.Equal(t, http.StatusOK, b.get("/").status)
	for _, path := range []string{"/sign-in", "/account", "/accounts"} {
		require.Equal(t, http.StatusNotFound, b.get(path).status, path)
	}
	require.Equal(t, http.StatusNotFound, b.signIn("tech-1", secretOf("tech-1"), "").status)
	require.NotContains(t, string(b.get("/").body), "Sign out")
}
