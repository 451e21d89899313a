package web

import (
	"context"
	"errors"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/walltime"
)

// doing is a page on which something is done. It is shown with what was typed before, if any of it waits; what is sent is
// read into the operation's own arguments, done once, and answered with another page's address. Where it cannot be done
// the page comes back as it was, with what is wrong beside each field, and nothing that was typed is lost: not when the
// session had ended meanwhile either.
type doing struct {
	path     string // of the form, and of the page that shows it unless page is another
	page     string // "" = path
	template string
	op       access.Operation
	beside   map[string]string // code of a refusal -> the field it stands beside
	waits    bool              // what is typed waits on every visit; else only for whoever comes back from signing in
	keeps    bool              // what is typed waits on, as do left it: nothing was recorded

	show func(ctx context.Context, v *visit, f *form) (content, error)
	// do what was sent; to is where to look afterwards. It leaves faults in f, or an error; then nothing was done.
	do func(ctx context.Context, a *acting, f *form) (to string, err error)
	// back is the address of the page with the form that was sent; nil = page without anything.
	back func(f *form) string
}

func (d doing) shown() string {
	if d.page != "" {
		return d.page
	}
	return d.path
}

// doings of a page: how it is shown, and what is sent from it.
func (s *Server) doings(d doing) []served {
	return []served{s.shows(d), s.does(d)}
}

func (s *Server) shows(d doing) served {
	return served{"GET " + d.shown(), access.Read, false, s.page(d.template, access.Read, func(ctx context.Context, v *visit) (content, error) {
		f := newForm(maps.Clone(v.r.URL.Query()))
		if d.waits || f.values.Has(keptMark) {
			if err := v.broughtBack(ctx, f); err != nil {
				return nil, err
			}
		}
		f.zone, f.now = v.zone, v.now
		return d.show(ctx, v, f)
	})}
}

// keptMark in an address asks for what was kept when a session ended.
const keptMark = "kept"

// broughtBack fills in what its person had typed into this page before, unless the address itself says what stands in it.
func (v *visit) broughtBack(ctx context.Context, f *form) error {
	if v.asks.Person.Code == "" {
		return nil
	}
	d, there, err := v.view.Draft(ctx, v.asks.Person.Code, v.r.URL.Path)
	if err != nil || !there || v.now.Sub(d.SavedAt) > tracker.DraftKept {
		return err
	}
	for name, all := range d.Fields {
		if !f.values.Has(name) {
			f.values[name] = all
		}
	}
	f.Kept = v.at(d.SavedAt)
	return nil
}

func (s *Server) does(d doing) served {
	return served{"POST " + d.path, d.op, false, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		a := &acting{s: s, w: w, r: r, t: s.Tracker}
		if err := s.sent(r.Context(), a, d); err != nil {
			s.sorryAgain(w, r, err)
		}
	})}
}

// sent takes a form: an error is for whoever may not send it, or where the page itself cannot be shown.
func (s *Server) sent(ctx context.Context, a *acting, d doing) error {
	err := a.meet(ctx, d.op)
	if errors.Is(err, tracker.ErrSignedOut) {
		return s.keepForLater(ctx, a.r, d)
	}
	if err != nil {
		return err
	}
	f, err := sentForm(a.r.PostForm)
	if err != nil {
		return err
	}
	f.zone, f.now = a.zone, walltime.Cut(a.t.Now())
	f.bounded()
	a.who.Once = f.Once
	to := ""
	if f.ok() {
		to, err = d.do(ctx, a, f)
	}
	if errors.Is(err, tracker.ErrDone) {
		return a.wasDone(ctx, f, d)
	}
	if err == nil && f.ok() {
		return a.leave(ctx, d, f, to)
	}
	status := http.StatusUnprocessableEntity
	if err != nil {
		p := s.problemOf(a.r, err)
		p.headers(a.w)
		status = p.Status
		f.refused(err, p, d.beside)
	}
	return a.answerWith(ctx, status, d.template, access.Read, func(ctx context.Context, v *visit) (content, error) { return d.show(ctx, v, f) })
}

// leave for the page that says what was done. That it is noted where the form led to is for a second touch only.
func (a *acting) leave(ctx context.Context, d doing, f *form, to string) error {
	if site := a.r.URL.Query().Get("site"); site != "" {
		to = with(to, "site", site)
	}
	if d.keeps {
		return elsewhere(to)
	}
	if err := a.t.AnsweredForm(ctx, a.site, a.who.Person.Code, d.pageOf(a.r), f.Once, to); err != nil {
		a.s.Log.WarnContext(ctx, "note where a form led to", "path", a.r.URL.Path, "error", err)
	}
	return elsewhere(to)
}

// wasDone answers a form that comes a second time like the first: with the page that says what was done.
func (a *acting) wasDone(ctx context.Context, f *form, d doing) error {
	to := ""
	err := a.t.Store.Read(ctx, a.site, func(v tracker.View) (err error) {
		to, err = v.SentForm(ctx, f.Once, a.who.Person.Code)
		return err
	})
	if err != nil {
		return err
	}
	if to == "" {
		return wrong(http.StatusConflict, "This was done already when it was sent the first time, and was not done again. Look at the record before you do more.")
	}
	return elsewhere(to)
}

// pageOf is the address of the page a form stands on.
func (d doing) pageOf(r *http.Request) string {
	if d.page == "" {
		return r.URL.Path
	}
	page := d.page
	for _, m := range inBraces.FindAllStringSubmatch(page, -1) {
		page = strings.ReplaceAll(page, m[0], url.PathEscape(r.PathValue(m[1])))
	}
	return page
}

// keepForLater is for a form of somebody whose session ended while they filled it in: they sign in, and find it filled in.
func (s *Server) keepForLater(ctx context.Context, r *http.Request, d doing) error {
	f := newForm(r.PostForm)
	session, known := s.Tracker.EndedSession(ctx, kept(r, sessionCookie))
	// Of one that somebody ended nothing is kept: whoever holds its token may be anybody.
	if !known || !session.EndedAt.IsZero() || len(r.PostForm) == 0 {
		return tracker.ErrSignedOut
	}
	page := d.pageOf(r)
	if err := s.Tracker.SaveDraft(ctx, session.Site, tracker.Draft{Person: session.Person, Form: page, Fields: f.kept()}); err != nil {
		return err
	}
	if d.back != nil {
		page = d.back(f)
	}
	return elsewhere("/sign-in?kept=1&back=" + url.QueryEscape(with(page, keptMark, "1")))
}

// sorryAgain is sorry where what was typed would be lost with it: while the record does not answer, the page that says so
// carries the form along, under the same mark, to be sent again.
func (s *Server) sorryAgain(w http.ResponseWriter, r *http.Request, err error) {
	p := s.problemOf(r, err)
	var e elsewhere
	if p.Status != http.StatusServiceUnavailable || errors.As(err, &e) || r.PostForm.Get("once") == "" {
		s.sorry(w, r, err)
		return
	}
	c := sorryPage{Head: p.Title, Say: "The record does not answer, and it is not known whether this was done. What you typed is in this page: send it again in a moment; it is done once.", Again: r.URL.RequestURI()}
	for _, name := range slices.Sorted(maps.Keys(r.PostForm)) {
		for _, value := range r.PostForm[name] {
			if name == "password" {
				c.Password = true
				continue
			}
			c.Fields = append(c.Fields, hiddenField{name, value})
		}
	}
	p.headers(w)
	write(w, "sorry", p.Status, s.shell(r, c))
}

type hiddenField struct{ Name, Value string }
