package web

import (
	"context"
	"net/http"
	"time"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// signInPage asks who somebody is: by PIN for those who gave their password on this device today, else by password.
type signInPage struct {
	Say    string // what went wrong, or what happened before
	Person string // as typed
	Back   string
	Site   string // of the PINs, and the one chosen
	Sites  []siteLine
	Near   []personLine
	PIN    bool // that is what went wrong
}

func (signInPage) Title() string { return "Sign in" }

// showSignIn answers with the page, for whoever wants to come in or to hand the device on.
func (s *Server) showSignIn(w http.ResponseWriter, r *http.Request) {
	p := signInPage{Back: ownPath(r.URL.Query().Get("back")), Site: r.URL.Query().Get("site")}
	if r.URL.Query().Has("lost") {
		p.Say = "You are not signed in any more; what you sent was not done. Sign in and do it again."
	}
	if r.URL.Query().Has("kept") {
		p.Say = "You are not signed in any more, and what you sent was not done. What you typed is kept: sign in, and it stands in the page again."
	}
	s.answerSignIn(w, r, http.StatusOK, p)
}

func (s *Server) answerSignIn(w http.ResponseWriter, r *http.Request, status int, p signInPage) {
	if err := s.fillSignIn(r.Context(), r, &p); err != nil {
		s.sorry(w, r, err)
		return
	}
	send(w, status, whole("sign-in", s.shell(r, p))) // no degrees on it; thousands a second may be asked for
}

// fillSignIn finds the sites and who may take the device by PIN.
func (s *Server) fillSignIn(ctx context.Context, r *http.Request, p *signInPage) error {
	codes, err := s.sitesLately(ctx)
	if err != nil {
		return err
	}
	known := false
	for _, c := range codes {
		known = known || c == p.Site
	}
	switch {
	case len(codes) == 0:
		return noSite()
	case len(codes) == 1:
		p.Site = codes[0]
	default:
		if !known {
			p.Site = ""
		}
		if p.Sites, err = s.siteLines(ctx, codes, "/sign-in"); err != nil {
			return err
		}
	}
	look := codes
	if p.Site != "" {
		look = []string{p.Site}
	}
	for _, site := range look {
		near, err := s.Tracker.Nearby(ctx, site, kept(r, deviceCookie))
		if err != nil {
			return err
		}
		if len(near) > 0 {
			p.Site = site
		}
		for _, x := range near {
			p.Near = append(p.Near, personLine{Code: x.Code, Name: nameOf(x)})
		}
		if len(near) > 0 {
			break // a tablet is of one site
		}
	}
	return nil
}

// sitesLately is the list of sites, asked for at most every few seconds: thousands of tries a second ask the record nothing.
func (s *Server) sitesLately(ctx context.Context) ([]string, error) {
	now := time.Now()
	if l := s.sites.Load(); l != nil && now.Sub(l.at) < 5*time.Second && len(l.codes) > 0 {
		return l.codes, nil
	}
	codes, err := s.Tracker.Store.Sites(ctx)
	if err == nil {
		s.sites.Store(&siteCodes{now, codes})
	}
	return codes, err
}

type siteCodes struct {
	at    time.Time
	codes []string
}

func noSite() error {
	return wrong(http.StatusNotFound, "No site is set up yet. Whoever runs vialward loads one: vialward site load FILE.toml.")
}

func nameOf(p stock.Person) string {
	if p.Name == "" {
		return p.Code
	}
	return p.Name
}

// signIn by person and password.
func (s *Server) signIn(w http.ResponseWriter, r *http.Request) {
	s.comeIn(w, r, func(ctx context.Context, site, person string) (tracker.SignedIn, error) {
		return s.Tracker.SignIn(ctx, site, person, r.PostForm.Get("password"), from(r))
	})
}

// changeHands by PIN.
func (s *Server) changeHands(w http.ResponseWriter, r *http.Request) {
	s.comeIn(w, r, func(ctx context.Context, site, person string) (tracker.SignedIn, error) {
		return s.Tracker.ChangeHands(ctx, site, person, r.PostForm.Get("pin"), from(r))
	})
}

func (s *Server) comeIn(w http.ResponseWriter, r *http.Request, by func(ctx context.Context, site, person string) (tracker.SignedIn, error)) {
	ctx := r.Context()
	if err := readForm(w, r); err != nil {
		s.sorry(w, r, err)
		return
	}
	p := signInPage{Back: ownPath(r.PostForm.Get("back")), Person: r.PostForm.Get("person"), Site: r.PostForm.Get("site"), PIN: r.PostForm.Has("pin")}
	if err := s.fillSignIn(ctx, r, &p); err != nil {
		s.sorry(w, r, err)
		return
	}
	if p.Site == "" {
		p.Say = "Say at which site."
		s.answerSignIn(w, r, http.StatusBadRequest, p)
		return
	}
	in, err := by(ctx, p.Site, p.Person)
	if err != nil {
		f := s.problemOf(r, err)
		p.Say = upperFirst(f.Detail) + "."
		f.headers(w)
		s.answerSignIn(w, r, f.Status, p)
		return
	}
	let(w, r, in)
	to := p.Back
	if in.Session.Method == tracker.ByStart {
		to = "/account/password"
	}
	http.Redirect(w, r, to, http.StatusSeeOther) //nolint:gosec // G710: ownPath leaves only a path of ours
}

// signOut ends the session. The browser stays known.
func (s *Server) signOut(w http.ResponseWriter, r *http.Request) {
	if err := s.Tracker.SignOut(r.Context(), kept(r, sessionCookie)); err != nil {
		s.sorry(w, r, err)
		return
	}
	keep(w, r, sessionCookie, "", 0)
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
}
