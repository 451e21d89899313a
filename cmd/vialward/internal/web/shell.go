package web

import (
	"bytes"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"html/template"
	"io/fs"
	"net/http"
	"net/url"
	"regexp"
	"strings"

	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

//go:embed templates/*.html
var templateFiles embed.FS

//go:embed static
var staticFolder embed.FS

// templates of all pages, parsed when the program starts: one that is broken is noticed then.
var templates = parseTemplates()

func parseTemplates() map[string]*template.Template {
	base := template.Must(template.ParseFS(templateFiles, "templates/frame.html", "templates/parts.html"))
	all := map[string]*template.Template{}
	files, err := fs.Glob(templateFiles, "templates/*.html")
	if err != nil {
		panic("web: " + err.Error())
	}
	for _, f := range files {
		name := strings.TrimSuffix(strings.TrimPrefix(f, "templates/"), ".html")
		if name == "frame" || name == "parts" {
			continue
		}
		all[name] = template.Must(template.Must(base.Clone()).ParseFS(templateFiles, f))
	}
	return all
}

// shell is what surrounds every page.
type shell struct {
	Title    string
	Site     string // its name; "" = none yet
	Code     string
	AsOf     moment
	Demo     *demoFrame
	Page     content
	Caution  string
	Style    string // address of the style sheet
	Script   string // address of the page's script; "" = it has none
	Query    string // what was typed into the find field
	Who      string // name of whoever is signed in; "" = nobody, or the demonstration
	Accounts bool   // they may look at everybody's accounts
	siteLink string // value of the site parameter in links; "" = there is one site
}

func (s *Server) shell(r *http.Request, c content) *shell {
	f := &shell{Title: c.Title(), Page: c, Caution: stock.Caution, Style: styleAddress, Demo: s.demoFrame(r, c)}
	if x, ok := c.(interface{ Script() string }); ok {
		f.Script = fileAddress(x.Script())
	}
	return f
}

// about fills in what the visit knows.
func (f *shell) about(v *visit) {
	f.Site, f.Code, f.AsOf = v.site.Name, v.site.Code, v.at(v.now)
	if v.several {
		f.siteLink = v.site.Code
	}
	if p, ok := f.Page.(findPage); ok {
		f.Query = p.Asked
	}
	if f.Demo != nil {
		f.Demo.meet(v)
		return
	}
	f.Who = nameOf(v.asks.Person)
	f.Accounts = access.May(v.site, v.asks.Person.Code, access.SeeAccounts, v.now) == nil
}

// Link is the address of a page of this site; whatever follows the first part is a code and escaped.
func (f *shell) Link(path string, codes ...any) string { return address(f.siteLink, path, codes...) }

// Narrow is the address of stock narrowed to something.
func (f *shell) Narrow(name, value string) string { return with(f.Link("/stock"), name, value) }

// SiteParameter is for forms; "" = none is needed.
func (f *shell) SiteParameter() string { return f.siteLink }

// link is Link for pages' own code.
func (v *visit) link(path string, codes ...any) string {
	if v.several {
		return address(v.site.Code, path, codes...)
	}
	return address("", path, codes...)
}

func address(site, path string, codes ...any) string {
	for _, c := range codes {
		path += url.PathEscape(plainText(c))
	}
	if site != "" {
		path += "?site=" + url.QueryEscape(site)
	}
	return path
}

// with adds a query parameter to an address.
func with(address, name, value string) string {
	sign := "?"
	if strings.Contains(address, "?") {
		sign = "&"
	}
	return address + sign + name + "=" + url.QueryEscape(value)
}

// write makes the whole page before its first byte goes out: half a list looks like a list.
func write(w http.ResponseWriter, name string, status int, f *shell) {
	send(w, status, keepUnits(whole(name, f)))
}

func whole(name string, f *shell) []byte {
	var b bytes.Buffer
	if err := templates[name].ExecuteTemplate(&b, "frame", f); err != nil {
		panic("web: page " + name + ": " + err.Error()) // a fault of the program; whoever asked gets a sentence
	}
	return b.Bytes()
}

func send(w http.ResponseWriter, status int, page []byte) {
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Cache-Control", "no-store") // the record moves on: an old page looks like a new one
	w.WriteHeader(status)
	_, _ = w.Write(page) // whoever asked may have gone
}

// keepUnits joins a number to its unit with a no-break space: at a line's end "9.1" and "°C", or "40" and "mg", would
// part. A shelf keeps its count likewise.
func keepUnits(page []byte) []byte {
	page = bytes.ReplaceAll(page, []byte(" °"), []byte("\u00a0°"))
	page = numberAndUnit.ReplaceAll(page, []byte("$1\u00a0$2"))
	return shelfAndCount.ReplaceAll(page, []byte("$1\u00a0$2\u00a0$3"))
}

var (
	numberAndUnit = regexp.MustCompile(`(\d) ((?:mg|mL|h|min|vials?)\b)`)
	shelfAndCount = regexp.MustCompile(`\b(shelf) ([^\s<>:]+:) (\d)`)
)

// sorryPage says in a sentence what went wrong.
type sorryPage struct {
	Head string
	Say  string

	Again    string // address to which the form is sent again; "" = there is none
	Fields   []hiddenField
	Password bool // it has to be given again
}

func (p sorryPage) Title() string { return p.Head }

// sorry answers an error: another address, or a page with a sentence.
func (s *Server) sorry(w http.ResponseWriter, r *http.Request, err error) {
	var e elsewhere
	switch {
	case errors.Is(err, tracker.ErrSignedOut):
		e = elsewhere(signInAddress(r))
	case errors.Is(err, tracker.ErrStart):
		e = "/account/password"
	default:
		_ = errors.As(err, &e)
	}
	if e != "" {
		http.Redirect(w, r, string(e), http.StatusSeeOther) //nolint:gosec // G710: made of paths of ours; what was asked for went through ownPath
		return
	}
	p := s.problemOf(r, err)
	p.headers(w)
	f := s.shell(r, sorryPage{Head: p.Title, Say: upperFirst(p.Detail)})
	if code, several, err := s.siteAsked(r.Context(), r); err == nil && several && code != "" {
		f.siteLink = code
	}
	write(w, "sorry", p.Status, f)
}

// sitesPage is the list of sites, where there are several.
type sitesPage struct {
	Sites []siteLine
	Path  string // the page that was asked for without saying of which site
}

type siteLine struct {
	Code, Name, Link string
	Time             moment
}

func (sitesPage) Title() string { return "Sites" }

func (s *Server) sitesPage(w http.ResponseWriter, r *http.Request) {
	p := sitesPage{}
	target := "/"
	if r.URL.Path != "/sites" && r.URL.Path != "/" {
		p.Path, target = r.URL.Path, r.URL.RequestURI()
	}
	codes, err := s.Tracker.Store.Sites(r.Context())
	if err == nil {
		p.Sites, err = s.siteLines(r.Context(), codes, target)
	}
	if err != nil {
		s.sorry(w, r, err)
		return
	}
	write(w, "sites", http.StatusOK, s.shell(r, p))
}

func (s *Server) siteLines(ctx context.Context, codes []string, target string) ([]siteLine, error) {
	var lines []siteLine
	for _, c := range codes {
		set, err := s.Tracker.ShowSite(ctx, c)
		if err != nil {
			return nil, err
		}
		lines = append(lines, siteLine{c, set.Name, with(target, "site", c), shownAt(&set, walltime.Cut(s.Tracker.Now())).nowMoment()})
	}
	return lines, nil
}

// styleAddress is the style sheet's.
var styleAddress = fileAddress("style.css")

// fileAddress changes with the file, so that browsers may keep it.
func fileAddress(name string) string {
	text, err := fs.ReadFile(staticFolder, "static/"+name)
	if err != nil {
		panic("web: " + err.Error()) // a page names a file that was not built in
	}
	sum := sha256.Sum256(text)
	return "/static/" + name + "?" + hex.EncodeToString(sum[:6])
}

func staticFiles() http.Handler {
	files := http.FileServerFS(staticFolder)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.HasSuffix(r.URL.Path, "/") { // no lists of files
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Cache-Control", "max-age=31536000, immutable")
		files.ServeHTTP(w, r)
	})
}
