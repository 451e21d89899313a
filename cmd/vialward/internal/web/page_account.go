package web

import (
	"context"
	"net/http"
	"slices"
	"strings"

	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/stock"
)

// accountPage is what somebody looks after of their own: where they are signed in, their PIN, their tokens.
type accountPage struct {
	Name, Code, Roles string
	Sessions          sessionList
	PIN               moment // since when there is one
	Tokens            tokenList
	Given             *given
}

func (accountPage) Title() string { return "Your account" }

// sessionList is lines on the page they come from: whether they are everybody's, and may be ended there.
type sessionList struct {
	Lines          []sessionLine
	From           string
	Everybody, May bool
}

type tokenList struct {
	Lines          []tokenLine
	From           string
	Everybody, May bool
}

// sessionLine is somebody signed in on a device.
type sessionLine struct {
	Number              int64
	Who, Browser, Where string
	Since, Seen, EndsAt moment
	ByPIN, Here         bool
}

// tokenLine is an API token and how it stands.
type tokenLine struct {
	Number            int64
	Who, Name, Scopes string
	Made, Used, Ends  moment
	Revoked           moment
	Over              bool
}

// given is a secret that is shown once.
type given struct {
	What, Secret, Then string
	Until              moment
}

func accountPageOf(ctx context.Context, v *visit) (content, error) {
	p := accountPage{
		Name: nameOf(v.asks.Person), Code: v.asks.Person.Code, Roles: strings.Join(v.asks.Person.Roles, ", "),
	}
	own, err := v.view.Credentials(ctx, p.Code)
	if err != nil {
		return nil, err
	}
	if len(own) == 1 {
		p.PIN = v.at(own[0].PINAt)
	}
	p.Sessions, p.Tokens = sessionList{From: "account", May: true}, tokenList{From: "account", May: true}
	if p.Sessions.Lines, err = v.sessionLines(ctx, p.Code); err != nil {
		return nil, err
	}
	p.Tokens.Lines, err = v.tokenLines(ctx, p.Code)
	return p, err
}

// sessionLines of a person, or of everybody, that go on.
func (v *visit) sessionLines(ctx context.Context, person string) ([]sessionLine, error) {
	all, err := v.view.Sessions(ctx, tracker.SessionQuery{Person: person, SeenSince: v.now.Add(-access.Idle), GoingOn: true})
	var lines []sessionLine
	for _, s := range all {
		if !s.Live(v.now) {
			continue
		}
		lines = append(lines, sessionLine{
			Number: s.Number, Who: v.who(s.Person), Browser: browserName(s.Browser), Where: s.Address, Since: v.clock(s.StartedAt), Seen: v.clock(s.SeenAt),
			EndsAt: v.clock(s.FullAt.Add(access.Absolute)), ByPIN: s.Method == tracker.ByPIN, Here: s.Number == v.session.Number,
		})
	}
	return lines, err
}

// tokenLines of a person, or of everybody: those that can be used first.
func (v *visit) tokenLines(ctx context.Context, person string) ([]tokenLine, error) {
	all, err := v.view.Tokens(ctx)
	var lines []tokenLine
	for _, k := range all {
		if person != "" && k.Person != person {
			continue
		}
		over := !k.Revoked.IsZero() || !k.Ends.IsZero() && !k.Ends.After(v.now)
		lines = append(lines, tokenLine{
			k.Number, v.who(k.Person), k.Name, scopesInWords(k), v.at(k.MadeAt), v.at(k.UsedAt), v.at(k.Ends), v.at(k.Revoked), over,
		})
	}
	slices.SortStableFunc(lines, func(a, b tokenLine) int {
		switch {
		case a.Over == b.Over:
			return 0
		case b.Over:
			return -1
		}
		return 1
	})
	return lines, err
}

func scopesInWords(k tracker.Token) string {
	words := map[string]string{tracker.ScopeRead: "read the record", tracker.ScopeReadings: "write readings", tracker.ScopeAct: "everything in their name"}
	var all []string
	for _, s := range k.Scopes {
		w := words[s]
		if s == tracker.ScopeReadings && len(k.Sensors) > 0 {
			w += " of " + strings.Join(k.Sensors, ", ")
		}
		all = append(all, w)
	}
	return strings.Join(all, ", ")
}

// setPIN chooses a PIN, by the password.
func setPIN(ctx context.Context, a *acting) error {
	f := a.r.PostForm
	if f.Get("pin") != f.Get("again") {
		return wrong(http.StatusBadRequest, "The two PINs differ. Go back and type the same one twice.")
	}
	err := a.t.SetPIN(ctx, a.site, a.who.Person.Code, f.Get("password"), f.Get("pin"), from(a.r))
	if err != nil {
		return err
	}
	return elsewhere("/account")
}

// endSession ends one of one's own, or as an administrator anybody's.
func endSession(ctx context.Context, a *acting) error {
	no, err := numberIn(a.r, "number", "session")
	if err != nil {
		return err
	}
	if _, err := a.t.EndSession(ctx, a.site, a.who, no); err != nil {
		return err
	}
	return elsewhere(listed(a.r))
}

func revokeToken(ctx context.Context, a *acting) error {
	no, err := numberIn(a.r, "number", "token")
	if err != nil {
		return err
	}
	if _, err := a.t.RevokeToken(ctx, a.site, a.who, no); err != nil {
		return err
	}
	return elsewhere(listed(a.r))
}

// listed is the page on which a line was touched.
func listed(r *http.Request) string {
	if r.PostForm.Get("from") == "accounts" {
		return "/accounts"
	}
	return "/account"
}

// makeToken makes one of one's own and shows it, once.
func makeToken(ctx context.Context, a *acting) error {
	f := a.r.PostForm
	k := tracker.Token{Person: a.who.Person.Code, Scopes: f["scope"], Name: strings.TrimSpace(f.Get("name"))}
	if k.Name == "" {
		return wrong(http.StatusBadRequest, "Say what the token is for. Go back and fill it in.")
	}
	token, err := a.t.MakeToken(ctx, a.site, a.who, k)
	if err != nil {
		return err
	}
	return a.answer(ctx, "account", access.OwnAccount, func(ctx context.Context, v *visit) (content, error) {
		c, err := accountPageOf(ctx, v)
		p, _ := c.(accountPage)
		p.Given = &given{What: "The new token for " + k.Name, Secret: token, Then: "Put it where the program reads it, and nobody else."}
		return p, err
	})
}

// answer a form with a page instead of an address: what it shows is shown once.
func (a *acting) answer(ctx context.Context, template string, op access.Operation, read func(context.Context, *visit) (content, error)) error {
	return a.answerWith(ctx, http.StatusOK, template, op, read)
}

func (a *acting) answerWith(ctx context.Context, status int, template string, op access.Operation, read func(context.Context, *visit) (content, error)) error {
	asks, err := a.s.visitorOf(ctx, a.r)
	if err != nil {
		return err
	}
	return a.s.show(ctx, a.w, a.r, status, asks, template, op, read)
}

// browserName is how a browser calls itself, cut to what tells devices apart.
func browserName(s string) string {
	if s == "" {
		return "a browser that does not say its name"
	}
	return s
}

// passwordPage chooses a password of one's own.
type passwordPage struct {
	Say, Person string
	Least       int
	First       bool // the one there is was given out
}

func (passwordPage) Title() string { return "Choose a password" }

// showPassword also to somebody whose password was given out, and who may do nothing else.
func (s *Server) showPassword(w http.ResponseWriter, r *http.Request) {
	s.answerPassword(w, r, http.StatusOK, "")
}

func (s *Server) answerPassword(w http.ResponseWriter, r *http.Request, status int, say string) {
	session, err := s.Tracker.SessionNow(r.Context(), kept(r, sessionCookie))
	if err != nil {
		s.sorry(w, r, err)
		return
	}
	p := passwordPage{say, session.Person, access.PasswordLeast, session.Method == tracker.ByStart}
	write(w, "password", status, s.shell(r, p))
}

// changePassword of whoever is signed in, by the one there is.
func (s *Server) changePassword(w http.ResponseWriter, r *http.Request) {
	ctx := r.Context()
	if err := readForm(w, r); err != nil {
		s.sorry(w, r, err)
		return
	}
	session, err := s.Tracker.SessionNow(ctx, kept(r, sessionCookie))
	if err != nil {
		s.sorry(w, r, err)
		return
	}
	f := r.PostForm
	if f.Get("new") != f.Get("again") {
		s.answerPassword(w, r, http.StatusBadRequest, "The two new passwords differ. Type the same one twice.")
		return
	}
	in, err := s.Tracker.SetPassword(ctx, session.Site, session.Person, f.Get("password"), f.Get("new"), from(r))
	if err != nil {
		p := s.problemOf(r, err)
		p.headers(w)
		s.answerPassword(w, r, p.Status, upperFirst(p.Detail)+".")
		return
	}
	let(w, r, in)
	http.Redirect(w, r, "/account", http.StatusSeeOther)
}

// accountsPage is everybody's account, for those who look after them.
type accountsPage struct {
	People   []accountLine
	Sessions sessionList
	Tokens   tokenList
	May      bool // give out passwords
	Given    *given
}

func (accountsPage) Title() string { return "Accounts" }

// accountLine is a person and what they prove themselves with.
type accountLine struct {
	Code, Name, Roles string
	Since             moment // their own password
	StartUntil        moment // one that was given out
	RanOut, PIN, Left bool
	SignsIn, Own      bool
}

func accountsPageOf(ctx context.Context, v *visit) (content, error) {
	p := accountsPage{May: access.May(v.site, v.asks.Person.Code, access.ResetPassword, v.now) == nil}
	credentials, err := v.view.Credentials(ctx)
	if err != nil {
		return nil, err
	}
	has := map[string]tracker.Credential{}
	for _, c := range credentials {
		has[c.Person] = c
	}
	for _, x := range v.site.People {
		p.People = append(p.People, v.accountLine(x, has[x.Code]))
	}
	may := func(op access.Operation) bool { return access.May(v.site, v.asks.Person.Code, op, v.now) == nil }
	p.Sessions, p.Tokens = sessionList{From: "accounts", Everybody: true, May: may(access.EndSessions)}, tokenList{From: "accounts", Everybody: true, May: may(access.MakeOthers)}
	if p.Sessions.Lines, err = v.sessionLines(ctx, ""); err != nil {
		return nil, err
	}
	p.Tokens.Lines, err = v.tokenLines(ctx, "")
	return p, err
}

func (v *visit) accountLine(x stock.Person, c tracker.Credential) accountLine {
	l := accountLine{
		Code: x.Code, Name: nameOf(x), Roles: strings.Join(x.Roles, ", "), PIN: c.PINHash != "", Left: x.Gone(v.now), Own: x.Code == v.asks.Person.Code,
		SignsIn: access.May(v.site, x.Code, access.OwnAccount, v.now) == nil,
	}
	switch {
	case c.StartUntil.IsZero():
		l.Since = v.at(c.PasswordAt)
	default:
		l.StartUntil, l.RanOut = v.at(c.StartUntil), !v.now.Before(c.StartUntil)
	}
	return l
}

// resetPassword gives one out and shows it, once.
func resetPassword(ctx context.Context, a *acting) error {
	person := a.r.PathValue("person")
	start, until, err := a.t.ResetPassword(ctx, a.site, a.who, person)
	if err != nil {
		return err
	}
	return a.answer(ctx, "accounts", access.SeeAccounts, func(ctx context.Context, v *visit) (content, error) {
		c, err := accountsPageOf(ctx, v)
		p, _ := c.(accountsPage)
		p.Given = &given{What: "The password for " + v.who(person), Secret: start, Until: v.at(until), Then: "Hand it over in person, or by a way that nobody else reads."}
		return p, err
	})
}
