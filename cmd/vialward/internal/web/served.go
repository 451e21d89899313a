package web

import (
	"net/http"

	"vialward/tracker/access"
)

// served is one line of the table of everything that is answered but the API, which has its own (api_routes.go). This file
// is the only one that registers anything: what is not in a table is not there.
type served struct {
	pattern string           // of the mux
	op      access.Operation // what asking for it is: whose roles decide who may
	early   bool             // answered before the record is open
	h       http.Handler
}

// served lists them: health, pages for people, files.
func (s *Server) served() []served {
	page := func(pattern string, op access.Operation, h http.HandlerFunc) served {
		return served{pattern: pattern, op: op, h: h}
	}
	all := []served{
		{"GET /livez", access.Watch, true, http.HandlerFunc(live)},
		{"GET /readyz", access.Watch, true, http.HandlerFunc(s.readyz)},
		{"GET /static/", access.Watch, false, staticFiles()},
		page("GET /{$}", access.Read, s.page("today", todayPageOf)),
		page("GET /units/{code}", access.Read, s.page("unit", unitPageOf)),
		page("GET /vials/{code}", access.Read, s.page("vial", vialPageOf)),
		page("GET /batches/{code}", access.Read, s.page("batch", batchPageOf)),
		page("GET /stock", access.Read, s.page("stock", stockPageOf)),
		page("GET /cases", access.Read, s.page("cases", casesPageOf)),
		page("GET /cases/{no}", access.Read, s.page("case", casePageOf)),
		page("GET /sweeps", access.Read, s.page("sweeps", sweepsPageOf)),
		page("GET /sweeps/now", access.Read, s.page("sweep", previewPageOf)),
		page("GET /sweeps/{number}", access.Read, s.page("sweep", sweepPageOf)),
		page("GET /outbox", access.ReadMail, s.page("outbox", outboxPageOf)),
		page("GET /outbox/{id}", access.ReadMail, s.page("mail", mailPageOf)),
		page("GET /find", access.Read, s.page("find", findPageOf)),
		page("GET /sites", access.Read, s.sitesPage),
	}
	if s.Metrics != nil {
		all = append(all, served{"GET /metrics", access.Watch, true, s.Metrics})
	}
	if s.DemoClock {
		all = append(all, page("GET /demo/people", access.Demo, s.page("people", peoplePageOf)), page("POST /demo/person", access.Demo, s.becomePerson))
	}
	for pattern, h := range s.Extra {
		all = append(all, served{pattern: pattern, op: access.Demo, h: h})
	}
	return all
}

// routes is the one mux. Health and metrics answer before the record is open; the rest waits for it.
func (s *Server) routes() http.Handler {
	mux, pages := http.NewServeMux(), http.NewServeMux()
	for _, x := range s.served() {
		if x.early {
			mux.Handle(x.pattern, x.h)
			continue
		}
		pages.Handle(x.pattern, x.h)
	}
	pages.HandleFunc("/", s.noPage)
	mux.Handle("/api/", s.whenOpen(s.api()))
	mux.Handle("/", s.whenOpen(pages))
	return mux
}

func (s *Server) noPage(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodGet && r.Method != http.MethodHead { // the page may be there to read
		s.sorry(w, r, wrong(http.StatusNotFound, "Nothing at %s takes a %s.", r.URL.Path, r.Method))
		return
	}
	s.sorry(w, r, wrong(http.StatusNotFound, "There is no page at %s. Start again from today's, or find a vial by its code.", r.URL.Path))
}
