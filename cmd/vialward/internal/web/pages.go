package web

import (
	"context"
	"net/http"

	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// visit is one request for a page, on one unchanging view of one site.
type visit struct {
	shown
	r       *http.Request
	tracker *tracker.Tracker
	view    tracker.View
	site    *stock.Site
	several bool // there are other sites: links name this one
	asks    tracker.Actor
	session tracker.Session // the zero one in the demonstration

	products map[productKey]stock.Product
}

type productKey struct {
	code    string
	version int
}

// content is a page without what surrounds it.
type content interface{ Title() string }

// elsewhere answers a request with another page's address.
type elsewhere string

func (e elsewhere) Error() string { return "see " + string(e) }

// page is the way of every page: who asks and of which site, may they, one view of its record, the page's own reads, then
// its template.
func (s *Server) page(name string, op access.Operation, read func(context.Context, *visit) (content, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		asks, err := s.visitorOf(r.Context(), r)
		switch {
		case err != nil:
		case asks.site == "": // of the demonstration
			s.sitesPage(w, r)
			return
		default:
			err = s.show(r.Context(), w, r, http.StatusOK, asks, name, op, read)
		}
		if err != nil {
			s.sorry(w, r, err)
		}
	}
}

// show answers with a page, or with an error before anything was sent.
func (s *Server) show(ctx context.Context, w http.ResponseWriter, r *http.Request, status int, asks visitor, name string, op access.Operation, read func(context.Context, *visit) (content, error)) error {
	var c content
	var v *visit
	err := s.Tracker.Store.Read(ctx, asks.site, func(view tracker.View) (err error) {
		if v, err = s.visit(r, view, asks, op); err != nil {
			return err
		}
		c, err = read(ctx, v)
		return err
	})
	if err != nil {
		return err
	}
	f := s.shell(r, c)
	f.about(v)
	write(w, name, status, f)
	return nil
}

// visit of somebody who may, on one view.
func (s *Server) visit(r *http.Request, view tracker.View, asks visitor, op access.Operation) (*visit, error) {
	now := walltime.Cut(s.Tracker.Now())
	who, err := asks.actor(view.Site(), op, now)
	if err != nil {
		return nil, err
	}
	return &visit{
		shown: shownAt(view.Site(), now), r: r, tracker: s.Tracker, view: view, site: view.Site(), several: asks.several,
		asks: who, session: asks.session, products: map[productKey]stock.Product{},
	}, nil
}

// siteAsked is the site a request names, or the only one there is; "" = there are several and none was named.
func (s *Server) siteAsked(ctx context.Context, r *http.Request) (code string, several bool, err error) {
	codes, err := s.Tracker.Store.Sites(ctx)
	if err != nil {
		return "", false, err
	}
	asked := r.URL.Query().Get("site")
	for _, c := range codes {
		if c == asked || asked == "" && len(codes) == 1 {
			return c, len(codes) > 1, nil
		}
	}
	switch {
	case len(codes) == 0:
		return "", false, noSite()
	case asked != "":
		return "", false, wrong(http.StatusNotFound, "There is no site %q here.", asked)
	}
	return "", true, nil
}

// product is read once a page.
func (v *visit) product(ctx context.Context, code string, version int) (stock.Product, error) {
	k := productKey{code, version}
	if p, ok := v.products[k]; ok {
		return p, nil
	}
	p, err := v.view.Product(ctx, code, version)
	if err == nil {
		v.products[k] = p
	}
	return p, err
}
