package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"time"

	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Cookies a browser keeps: of its session, until it is closed or signed out; and of itself, so that it is told from a
// stranger's when somebody guesses passwords, and a PIN can change hands on it. Over TLS a name that begins with __Host-
// keeps other hosts from setting them (RFC 6265bis, 4.1.3.2: M).
const (
	sessionCookie = "vialward"
	deviceCookie  = "vialward-device"
	securePrefix  = "__Host-"
	deviceKept    = 400 * 24 * time.Hour // as long as browsers keep any (RFC 6265bis, 5.5: M)
)

// kept reads what a browser sends back: "" without it. What it is worth, the record says.
func kept(r *http.Request, name string) string {
	if arrivalOf(r).secure {
		name = securePrefix + name
	}
	all := r.CookiesNamed(name)
	if len(all) != 1 { // two of a name: one of them is not ours
		return ""
	}
	return all[0].Value
}

// keep has a browser keep something for a while, 0 = until it is closed; value "" takes it away.
func keep(w http.ResponseWriter, r *http.Request, name, value string, d time.Duration) {
	// Without TLS it is a connection within this machine; browsers differ in whether they would keep a Secure one there.
	k := &http.Cookie{ //nolint:gosec // G124, as said above
		Name: name, Value: value, Path: "/", HttpOnly: true, SameSite: http.SameSiteLaxMode, MaxAge: int(d / time.Second),
	}
	if arrivalOf(r).secure {
		k.Name, k.Secure = securePrefix+name, true
	}
	if value == "" {
		k.MaxAge = -1
	}
	http.SetCookie(w, k)
}

// from is where a person asks from.
func from(r *http.Request) tracker.From {
	return tracker.From{Address: arrivalOf(r).address, Device: kept(r, deviceCookie), Browser: r.UserAgent(), Session: kept(r, sessionCookie)}
}

// let a browser in: it keeps the new tokens.
func let(w http.ResponseWriter, r *http.Request, in tracker.SignedIn) {
	keep(w, r, sessionCookie, in.Token, 0)
	keep(w, r, deviceCookie, in.Device, deviceKept)
}

// visitor is who looks at a page, and of which site.
type visitor struct {
	session tracker.Session // the zero one in the demonstration
	person  string          // code; "" = the demonstration's visitor, who may look at everything
	site    string
	several bool // there are other sites
}

// visitorOf a request: whoever is signed in, or in the demonstration whom they chose to be. Nobody is sent to sign in.
func (s *Server) visitorOf(ctx context.Context, r *http.Request) (visitor, error) {
	if s.DemoClock {
		site, several, err := s.siteAsked(ctx, r)
		who := visitor{site: site, several: several}
		if k, err := r.Cookie(personCookie); err == nil {
			who.person = k.Value
		}
		return who, err
	}
	session, err := s.Tracker.SessionNow(ctx, kept(r, sessionCookie))
	if err != nil {
		return visitor{}, err
	}
	codes, err := s.Tracker.Store.Sites(ctx)
	if err != nil {
		return visitor{}, err
	}
	if asked := r.URL.Query().Get("site"); asked != "" && asked != session.Site {
		return visitor{}, wrong(http.StatusForbidden, "You are signed in at site %s. Sign out, and in at the other one, to look at it.", session.Site)
	}
	return visitor{session, session.Person, session.Site, len(codes) > 1}, nil
}

// actor is the visitor as they stand at the site now, if their role lets them ask for it. What somebody has to be found able
// to is looked at by the operation, for when it was done.
func (v visitor) actor(site *stock.Site, op access.Operation, now time.Time) (tracker.Actor, error) {
	if v.session.Site == "" { // the demonstration
		p, chosen := site.Person(v.person)
		rule, ok := access.Of(op)
		if !chosen && ok && rule.Reads {
			return tracker.Actor{Person: stock.Person{Name: visitorName}, Via: tracker.ViaDemo}, nil
		}
		return tracker.Actor{Person: p, Via: tracker.ViaDemo}, access.MayAsk(site, p.Code, op, now)
	}
	a, err := v.session.Actor(site, now)
	if err != nil {
		return a, err
	}
	return a, access.MayAsk(site, a.Person.Code, op, now)
}

// act does something a person asked for with a form, as that person, and answers with another page's address or with one of
// its own.
func (s *Server) act(op access.Operation, do func(context.Context, *acting) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		ctx := r.Context()
		a := &acting{s: s, w: w, r: r, t: s.Tracker}
		err := a.meet(ctx, op)
		if err == nil {
			err = do(ctx, a)
		}
		if err != nil {
			s.sorry(w, r, err)
		}
	}
}

// acting is a form that somebody sent.
type acting struct {
	s    *Server
	w    http.ResponseWriter
	r    *http.Request
	t    *tracker.Tracker
	who  tracker.Actor
	site string
	zone *time.Location
}

const mostForm = 64 << 10 // bytes; the longest field is a line of text

func (a *acting) meet(ctx context.Context, op access.Operation) error {
	if err := readForm(a.w, a.r); err != nil {
		return err
	}
	v, err := a.s.visitorOf(ctx, a.r)
	if err != nil {
		return err
	}
	a.site = v.site
	return a.t.Store.Read(ctx, v.site, func(view tracker.View) error {
		a.zone = view.Site().Location()
		a.who, err = v.actor(view.Site(), op, walltime.Cut(a.t.Now()))
		return err
	})
}

// readForm of a page of ours.
func readForm(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, mostForm)
	err := r.ParseForm()
	var tooLong *http.MaxBytesError
	switch {
	case errors.As(err, &tooLong):
		return err
	case err != nil:
		return wrong(http.StatusBadRequest, "What was sent is not a form of this page. Go back and fill it in again.")
	}
	return nil
}

// signInAddress is where somebody who is not signed in goes first, and comes back from.
func signInAddress(r *http.Request) string {
	if r.Method != http.MethodGet {
		return "/sign-in?lost=1"
	}
	back := r.URL.RequestURI()
	if back == "/" || ownPath(back) != back {
		return "/sign-in"
	}
	return "/sign-in?back=" + url.QueryEscape(back)
}
