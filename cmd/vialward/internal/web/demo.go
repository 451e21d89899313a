package web

import (
	"context"
	"net/http"
	"net/url"
	"strings"

	"vialward/tracker/stock"
)

// personCookie remembers, in the demonstration only, as whom a visitor looks around.
const personCookie = "vialward_person"

// visitorName is who somebody is until they choose.
const visitorName = "a visitor who may look at everything"

// demoFrame is the banner of every page on an invented calendar.
type demoFrame struct {
	Person string // as whom the visitor looks around
	People []stock.Person
	Open   bool   // the chooser stands open
	Back   string // where to return after choosing
	Mail   bool   // caught mail is shown
	chosen string // code
}

func (s *Server) demoFrame(r *http.Request, c content) *demoFrame {
	if !s.DemoClock {
		return nil
	}
	d := &demoFrame{Person: visitorName, Back: r.URL.RequestURI()}
	if r.Method != http.MethodGet {
		d.Back = "/"
	}
	_, d.Open = c.(todayPage)
	for pattern := range s.Extra {
		d.Mail = d.Mail || strings.HasSuffix(pattern, "/demo/mail")
	}
	if k, err := r.Cookie(personCookie); err == nil {
		d.chosen = k.Value
	}
	return d
}

// meet fills in the site's invented people.
func (d *demoFrame) meet(v *visit) {
	d.People = v.site.People
	if p, ok := v.site.Person(d.chosen); ok {
		d.Person = p.Name
		if d.Person == "" {
			d.Person = p.Code
		}
	}
}

// peoplePage is the chooser as a page of its own.
type peoplePage struct{ People []personLine }

type personLine struct{ Code, Name, Roles string }

func (peoplePage) Title() string { return "People of the demonstration" }

func peoplePageOf(_ context.Context, v *visit) (content, error) {
	p := peoplePage{}
	for _, x := range v.site.People {
		p.People = append(p.People, personLine{x.Code, v.who(x.Code), strings.Join(x.Roles, ", ")})
	}
	return p, nil
}

// becomePerson remembers the choice and goes back to the page it was made on.
func (s *Server) becomePerson(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		s.sorry(w, r, wrong(http.StatusBadRequest, "What was sent is not a form of this page. Go back and choose again."))
		return
	}
	code := r.PostForm.Get("person")
	if code != "" && !s.isPerson(r, code) {
		s.sorry(w, r, wrong(http.StatusBadRequest, "There is no person %q in the demonstration.", code))
		return
	}
	// Demonstration only, over plain HTTP on this machine: it holds no secret, and Secure would drop it.
	k := &http.Cookie{ //nolint:gosec // G124, as said above
		Name: personCookie, Value: code, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode,
	}
	if code == "" {
		k.MaxAge = -1
	}
	http.SetCookie(w, k)
	http.Redirect(w, r, ownPath(r.PostForm.Get("back")), http.StatusSeeOther) //nolint:gosec // G710: ownPath leaves only a path of ours
}

func (s *Server) isPerson(r *http.Request, code string) bool {
	codes, err := s.Tracker.Store.Sites(r.Context())
	for i := 0; i < len(codes) && err == nil; i++ {
		var set stock.Site
		if set, err = s.Tracker.ShowSite(r.Context(), codes[i]); err == nil {
			if _, ok := set.Person(code); ok {
				return true
			}
		}
	}
	return false
}

// ownPath keeps a redirect on this server: a path of ours, or today's page.
func ownPath(back string) string {
	u, err := url.Parse(back)
	if err != nil || u.Scheme != "" || u.Host != "" || !strings.HasPrefix(back, "/") || strings.HasPrefix(back, "//") || strings.Contains(back, `\`) {
		return "/"
	}
	return back
}
