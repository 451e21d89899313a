package web

import (
	"context"
	"net/http"
	"slices"

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

// served lists them: health, pages for people and the forms on them, files.
func (s *Server) served() []served {
	look := func(pattern, template string, op access.Operation, read func(context.Context, *visit) (content, error)) served {
		return served{"GET " + pattern, op, false, s.page(template, op, read)}
	}
	all := []served{
		{"GET /livez", access.Watch, true, http.HandlerFunc(live)},
		{"GET /readyz", access.Watch, true, http.HandlerFunc(s.readyz)},
		{"GET /static/", access.Watch, false, staticFiles()},
		look("/{$}", "today", access.Read, todayPageOf),
		look("/units/{code}", "unit", access.Read, unitPageOf),
		look("/vials/{code}", "vial", access.Read, vialPageOf),
		look("/batches/{code}", "batch", access.Read, batchPageOf),
		look("/stock", "stock", access.Read, stockPageOf),
		look("/cases", "cases", access.Read, casesPageOf),
		look("/cases/{no}", "case", access.Read, casePageOf),
		look("/sweeps", "sweeps", access.Read, sweepsPageOf),
		look("/sweeps/now", "sweep", access.Read, previewPageOf),
		look("/sweeps/{number}", "sweep", access.Read, sweepPageOf),
		look("/waste", "waste", access.Read, wastePageOf),
		look("/outbox", "outbox", access.ReadMail, outboxPageOf),
		look("/outbox/{id}", "mail", access.ReadMail, mailPageOf),
		look("/people", "staff", access.Read, staffPageOf),
		look("/find", "find", access.Read, findPageOf),
	}
	all = append(all, slices.Concat(s.scanning(), s.preparing(), s.working(), s.labelling(), s.issuing())...)
	if s.Metrics != nil {
		all = append(all, served{"GET /metrics", access.Watch, true, s.onlyWatchers(s.Metrics)})
	}
	if s.DemoClock {
		all = append(all, s.servedInDemo()...)
	} else {
		all = append(all, s.servedAtTheDoor()...)
	}
	for pattern, h := range s.Extra {
		all = append(all, served{pattern: pattern, op: access.Demo, h: h})
	}
	return all
}

// servedInDemo is becoming somebody invented, instead of a sign-in.
func (s *Server) servedInDemo() []served {
	return []served{
		{"GET /sites", access.Demo, false, http.HandlerFunc(s.sitesPage)},
		{"GET /demo/people", access.Demo, false, s.page("people", access.Read, peoplePageOf)},
		{"POST /demo/person", access.Demo, false, http.HandlerFunc(s.becomePerson)},
	}
}

// servedAtTheDoor is coming in, handing on, and looking after accounts.
func (s *Server) servedAtTheDoor() []served {
	door := func(pattern string, h http.HandlerFunc) served { return served{pattern, access.SignIn, false, h} }
	do := func(pattern string, op access.Operation, act func(context.Context, *acting) error) served {
		return served{"POST " + pattern, op, false, s.act(op, act)}
	}
	return []served{
		door("GET /sign-in", s.showSignIn),
		door("POST /sign-in", s.signIn),
		door("POST /change-hands", s.changeHands),
		door("POST /sign-out", s.signOut),
		door("GET /account/password", s.showPassword),
		door("POST /account/password", s.changePassword),
		{"GET /account", access.Read, false, s.page("account", access.Read, accountPageOf)},
		do("/account/pin", access.OwnAccount, setPIN),
		do("/account/tokens", access.MakeToken, makeToken),
		do("/sessions/{number}/end", access.OwnAccount, endSession),
		do("/tokens/{number}/revoke", access.OwnAccount, revokeToken),
		{"GET /accounts", access.SeeAccounts, false, s.page("accounts", access.SeeAccounts, accountsPageOf)},
		do("/accounts/{person}/password", access.ResetPassword, resetPassword),
	}
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
