package web_test

import (
	"flag"
	"html"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/web"
	"vialward/db"
	"vialward/db/dbtest"
	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/sweep"
)

var update = flag.Bool("update", false, "write the golden pages anew; read the difference before committing it")

var (
	picturesOut = regexp.MustCompile(`(?s)<svg.*?</svg>`)
	blockEnds   = regexp.MustCompile(`</(p|li|h1|h2|h3|dt|dd|tr|caption|summary|title|button|article|div)>`)
	tags        = regexp.MustCompile(`<[^>]*>`)
	blanks      = regexp.MustCompile(`[ \t]+`)
)

// text is a page as it is read: its words, a block a line.
func text(page string) string {
	page = picturesOut.ReplaceAllString(page, "(a trace)")
	page = strings.ReplaceAll(page, "\u00a0", " ")
	page = strings.NewReplacer("</th>", " ", "</td>", " ").Replace(page)
	page = blockEnds.ReplaceAllString(strings.ReplaceAll(page, "\n", " "), "\n")
	page = html.UnescapeString(tags.ReplaceAllString(page, ""))
	var lines []string
	for line := range strings.SplitSeq(page, "\n") {
		if line = strings.TrimSpace(blanks.ReplaceAllString(line, " ")); line != "" {
			lines = append(lines, line)
		}
	}
	return strings.Join(lines, "\n") + "\n"
}

// heads of the record change with every event before them; that they are right is another test's matter.
var heads = regexp.MustCompile(`record \d+:( [0-9a-f]{8}){8}`)

func golden(t *testing.T, name, got string) {
	t.Helper()
	got = heads.ReplaceAllString(got, "record (its head)")
	file := filepath.Join("../../../../testdata/pages", name+".golden")
	if *update {
		require.NoError(t, os.MkdirAll(filepath.Dir(file), 0o755))
		require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, string(want), got, "%s: read the difference, then run with -update", name)
}

// The pages' words on the morning after the night, word for word.
func TestGoldenPages(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	for name, path := range map[string]string{
		"today": "/", "unit": "/units/R1", "case": "/cases/2", "case_no_temperatures": "/cases/1", "sweep": "/sweeps/5",
		"vial": "/vials/" + n.batch["HYDC"][3], "vial_gone": "/vials/" + n.batch["HYDC"][0], "vial_moved": "/vials/" + n.batch["HYDC"][1],
		"batch": "/batches/251111-2", "stock": "/stock", "cases": "/cases", "sweeps": "/sweeps",
		"waste": "/waste?from=2025-11", "waste_nothing": "/waste", "staff": "/people",
	} {
		status, page := n.page(t, path)
		require.Equal(t, http.StatusOK, status, path)
		golden(t, name, text(page))
	}
}

// What has to be true of every page, also of those that say sorry: the caution, the instant, no script and no style
// that the content security policy would refuse, under 100 kB, and the demo's banner only on a demo clock.
func TestEveryPage(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	caution := html.EscapeString("For trained staff. vialward calculates, records and warns; it does not decide. Follow the product's " +
		"labelling, local codes and your pharmacist; when in doubt, do not use.")
	pages := everyPage(n)
	check := func(path string) string {
		_, page := n.page(t, path)
		require.Contains(t, page, caution, path)
		require.Equal(t, strings.Count(page, "<script"), strings.Count(page, `<script src="/static/`), path)
		require.NotRegexp(t, `\sstyle\s*=`, page, path)
		require.NotRegexp(t, `\son[a-z]+\s*=`, page, path)
		require.NotContains(t, page, "ZgotmplZ", path)
		require.Equal(t, 1, strings.Count(page, "<h1"), path)
		require.Less(t, len(page), 100_000, path)
		require.NotRegexp(t, `(href|src|action)="https?:`, page, path)
		return page
	}
	for _, path := range pages {
		page := check(path)
		require.NotContains(t, page, "Demo:", path)
	}
	status, _ := n.page(t, "/demo/people")
	require.Equal(t, http.StatusNotFound, status, "nobody becomes anybody outside the demonstration")
	n.server.DemoClock = true
	for _, path := range pages {
		require.Contains(t, check(path), "Demo: invented site", path)
	}
}

// A ward's slow line carries the first page with all it needs in under 100 kB.
func TestFirstPageWeighsLittle(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	n.server.DemoClock = true
	_, page := n.page(t, "/")
	weight := len(page)
	files := regexp.MustCompile(`(?:href|src)="(/static/[^"]+)"`).FindAllStringSubmatch(page, -1)
	require.Len(t, files, 2, "style sheet and icon")
	for _, f := range files {
		status, text := n.page(t, f[1])
		require.Equal(t, http.StatusOK, status, f[1])
		require.NotEmpty(t, text, f[1])
		weight += len(text)
	}
	require.Less(t, weight, 100_000)
}

// A number and its unit never part at a line's end, on any page, in words or in a picture.
func TestNumbersKeepTheirUnits(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	kept := 0
	for _, path := range everyPage(n) {
		_, page := n.page(t, path)
		require.NotContains(t, page, " °", path)
		kept += strings.Count(page, "\u00a0°C")
	}
	require.Greater(t, kept, 100)
}

// Bad input gets a sentence, on a page.
func TestBadInput(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	for path, want := range map[string]struct {
		status int
		say    string
	}{
		"/units/R9":                            {404, "There is no storage unit \"R9\" at Quillmere Infusion Pharmacy."},
		"/units/R1?period=1y":                  {400, "A trace shows 12h, 24h, 3d, 7d or 30d, not \"1y\"."},
		"/units/R1?until=yesterday":            {400, "is not the end of a time to show"},
		"/units/R1?until=9999-01-01T00:00:00Z": {400, "is not the end of a time to show"},
		"/vials/251111-2-07-00":                {400, "a digit is wrong or two are swapped"},
		"/vials/251110-2-07-93":                {404, "is not in the record of Quillmere Infusion Pharmacy. Do not use it; put it aside and ask a pharmacist."},
		"/vials/nonsense":                      {400, "is not a vial code"},
		"/batches/251110-77":                   {404, "batch \"251110-77\" is not in the record"},
		"/batches/x":                           {400, "is not a batch code"},
		"/cases/0":                             {400, "is not the number of a case"},
		"/cases/99":                            {404, "There is no case 99"},
		"/cases/two":                           {400, "is not the number of a case"},
		"/sweeps/99":                           {404, "There is no list 99"},
		"/sweeps/last":                         {400, "is not the number of a list"},
		"/outbox/99999":                        {404, "There is no mail 99999"},
		"/outbox/x":                            {400, "is not the number of a mail"},
		"/outbox?state=lost":                   {400, "Mails are waiting, failed, accepted or superseded, not \"lost\"."},
		"/outbox?before=x":                     {400, "is not the number of a mail"},
		"/waste?from=October":                  {422, "\"October\" is no start of a period; write a month as 2025-10, a day as 2025-10-31, or a time with its offset"},
		"/waste?from=2025-11&to=2025-10":       {422, "the period ends at or before its start; give an end that is later"},
		"/waste?to=2025-10":                    {422, "is no start of a period"},
		"/stock?only=good":                     {400, "Stock can be narrowed to past, unchecked, ward or hold"},
		"/stock?unit=R9":                       {404, "There is no storage unit \"R9\""},
		"/?site=ELSEWHERE":                     {403, "You are signed in at site QUILLMERE."},
		"/nowhere":                             {404, "There is no page at /nowhere."},
		"/static/":                             {404, "page not found"},
	} {
		status, page := n.page(t, path)
		require.Equal(t, want.status, status, path)
		require.Contains(t, strings.ToLower(text(page)), strings.ToLower(want.say), path)
	}
	status, page := ask(t, n.server.Handler(), httptest.NewRequest(http.MethodPost, "http://127.0.0.1:8080/cases", nil))
	require.Equal(t, http.StatusNotFound, status)
	require.Contains(t, page, "Nothing at /cases takes a POST.")
}

// What lies ahead is not shown as missing.
func TestNoDataIsNotTheFuture(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	status, page := n.page(t, "/units/R1?period=12h&until=2025-11-13T07:05:00-05:00")
	require.Equal(t, http.StatusOK, status)
	require.Contains(t, text(page), "Tue 11 Nov 2025 19:05 EST to Wed 12 Nov 2025 07:05 EST")
	require.NotContains(t, page, "NO DATA")
}

// The find field takes what people type and what a scanner sends.
func TestFind(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	code := n.batch["BORT"][0]
	for typed, leads := range map[string]string{
		code:                              "/vials/" + code,
		strings.ReplaceAll(code, "-", ""): "/vials/" + code,
		"  " + strings.ReplaceAll(code, "-", ". ") + "\r\n": "/vials/" + code,
		strings.ReplaceAll(code, "0", "O"):                  "/vials/" + code,
		"]d2010950600013435210251111-2\x1d2101":             "/vials/" + code,
		"251111-2":                                          "/batches/251111-2",
	} {
		r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1:8080/find?q="+url.QueryEscape(typed), nil)
		w := httptest.NewRecorder()
		n.as(t, "rph-1").ServeHTTP(w, r)
		require.Equal(t, http.StatusSeeOther, w.Code, "%q: %s", typed, text(w.Body.String()))
		require.Equal(t, leads, w.Header().Get("Location"), typed)
	}
	for typed, says := range map[string][]string{
		"bortezomib":             {"bortezomib 3.5 mg / 3.5 mL (1 mg/mL) Product"},
		"PANT":                   {"pantoprazole 40 mg / 10 mL (4 mg/mL) Product"},
		"p-bort":                 {"Nothing in the record"},
		"P-BORT":                 {"251111-2 Batch made from lot P-BORT", "8 vials"},
		"r6":                     {"R6 Storage unit"},
		"251111-2-07-00":         {"a digit is wrong or two are swapped"},
		"251110-2-07-93":         {"is not in the record"},
		"":                       {"Type or scan a vial's code"},
		strings.Repeat("9", 300): {"scan one code at a time"},
		"zzz":                    {"Nothing in the record of Quillmere Infusion Pharmacy is called \"zzz\""},
	} {
		status, page := n.page(t, "/find?q="+url.QueryEscape(typed))
		require.Equal(t, http.StatusOK, status, typed)
		for _, say := range says {
			require.Contains(t, text(page), say, typed)
		}
	}
}

// A label that was replaced is told from the one the vial carries.
func TestOldLabel(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	vial := n.batch["HYDC"][3]
	_, err := n.Relabel(t.Context(), quillmere, n.actor("rph-1"), []string{vial}, "shortened", time.Time{})
	require.NoError(t, err)
	_, page := n.page(t, "/vials/"+vial+"?label=1")
	require.Contains(t, text(page), "OLD LABEL label 1 was scanned, the vial's is number 2")
	_, page = n.page(t, "/vials/"+vial+"?label=2")
	require.NotContains(t, text(page), "OLD LABEL")
	require.Contains(t, text(page), "USABLE")
}

// The list as a page says what the list as text says: every phrase of the page stands on the paper.
func TestListPageAndTextAgree(t *testing.T) {
	t.Parallel()
	n := newNight(t, func(s *stock.Site) { s.Unit = "[degF]" })
	var l sweep.List
	require.NoError(t, n.Store.Read(t.Context(), quillmere, func(v tracker.View) error {
		rows, err := v.Sweeps(t.Context(), 1)
		l = rows[0].List
		return err
	}))
	squash := func(s string) string { return strings.Join(strings.Fields(s), " ") }
	paper := squash(sweep.Text(l))
	_, page := n.page(t, "/sweeps/5")
	found := 0
	for _, part := range regexp.MustCompile(`(?s)<p class="(?:first|second|why|run|run temperature)">(.*?)</p>`).FindAllStringSubmatch(page, -1) {
		for _, phrase := range regexp.MustCompile(`</?(?:span|strong|b)[^>]*>|; `).Split(part[1], -1) {
			phrase = squash(html.UnescapeString(phrase))
			if phrase = strings.TrimSuffix(phrase, ","); phrase == "" || strings.HasPrefix(phrase, "counted") {
				continue
			}
			require.Contains(t, paper, phrase)
			found++
		}
	}
	require.Greater(t, found, 100)
	require.Contains(t, text(page), " °F (4.8 °C)")
}

// own is what a page has of our own making: its script, a file by its digest, and the picture of a label, by its code.
var own = regexp.MustCompile(`<script src="/static/[a-z]+\.js\?[0-9a-f]+" defer></script>|<img class="label-picture" src="/batches/[^"]+"`)

// Names that would be markup are words: whatever a person, a site file or a log can fill in.
func TestMarkupInNamesIsInert(t *testing.T) {
	t.Parallel()
	const evil = `"><script>alert(1)</script><img src=x onerror='x'>`
	n := newNight(t, func(s *stock.Site) {
		s.Name = evil
		for i := range s.People {
			s.People[i].Name = evil
		}
		for i := range s.Rooms {
			s.Rooms[i].Name = evil
			for k := range s.Rooms[i].Units {
				s.Rooms[i].Units[k].Name = evil
			}
		}
		for i := range s.Products {
			s.Products[i].Name, s.Products[i].Disposal, s.Products[i].Warning, s.Products[i].AllowedOutSource = evil, evil, evil, evil
			for k := range s.Products[i].Stability {
				s.Products[i].Stability[k].Source = evil
			}
		}
		for i := range s.Sensors {
			for k := range s.Sensors[i].Calibrations {
				s.Sensors[i].Calibrations[k].Certificate = evil
			}
		}
		for i := range s.Rules {
			s.Rules[i].Source = evil
		}
		for i := range s.Reasons {
			s.Reasons[i].Words = evil
		}
	})
	n.server.DemoClock = true
	_, err := n.Hold(t.Context(), quillmere, n.actor("tech-1"), tracker.Hold{Vials: n.batch["MICA"][3:4], Reason: evil})
	require.NoError(t, err)
	_, err = n.Issue(t.Context(), quillmere, n.actor("tech-1"), tracker.Issue{Vials: n.batch["HYDC"][4:5], To: "WARD-5E", Order: evil})
	require.NoError(t, err)
	require.NoError(t, n.PlanWork(t.Context(), quillmere, n.actor("tech-1"), tracker.PlannedWork{Unit: "R1", From: n.now, To: n.now.Add(time.Hour), Reason: evil}))
	paths := []string{"/vials/" + n.batch["MICA"][3], "/vials/" + n.batch["HYDC"][4], "/find?q=" + url.QueryEscape(evil), "/units/" + url.PathEscape(evil), "/?site=" + url.QueryEscape(evil)}
	for _, path := range everyPage(n) {
		paths = append(paths, path)
	}
	seen := 0
	for _, path := range paths {
		_, page := n.page(t, path)
		page = own.ReplaceAllString(page, "")
		require.NotContains(t, page, "<script", path)
		require.NotContains(t, page, "<img", path)
		seen += strings.Count(page, "&lt;script&gt;")
	}
	require.Greater(t, seen, 200, "the names were shown")
}

// In the demonstration one touch makes the visitor somebody; a code nobody has, or an address elsewhere, does nothing.
func TestBecomingSomebody(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	post := func(form url.Values) *httptest.ResponseRecorder {
		r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1:8080/demo/person", strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		n.server.Handler().ServeHTTP(w, r)
		return w
	}
	require.Equal(t, http.StatusNotFound, post(url.Values{"person": {"rph-1"}}).Code, "not outside the demonstration")
	n.server.DemoClock = true
	_, page := n.page(t, "/")
	require.Contains(t, text(page), "You look around as a visitor who may look at everything")
	w := post(url.Values{"person": {"rph-1"}, "back": {"/units/R1?period=7d"}})
	require.Equal(t, http.StatusSeeOther, w.Code)
	require.Equal(t, "/units/R1?period=7d", w.Header().Get("Location"))
	cookie := w.Result().Cookies()[0] //nolint:bodyclose // a recorder's
	require.True(t, cookie.HttpOnly)
	require.Equal(t, http.SameSiteStrictMode, cookie.SameSite)
	r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1:8080/stock", nil)
	r.AddCookie(cookie)
	_, page = ask(t, n.server.Handler(), r)
	require.Contains(t, text(page), "You look around as Pharmacist 1")
	require.Equal(t, http.StatusBadRequest, post(url.Values{"person": {"nobody-9"}}).Code)
	for _, back := range []string{"https://elsewhere.example/", "//elsewhere.example", `/\elsewhere.example`, "javascript:alert(1)", ""} {
		require.Equal(t, "/", post(url.Values{"person": {"tech-1"}, "back": {back}}).Header().Get("Location"), back)
	}
	require.Negative(t, post(url.Values{"person": {""}}).Result().Cookies()[0].MaxAge) //nolint:bodyclose // a recorder's
}

// Where there are several sites, a page of the demonstration asks of which; else it is the one somebody signed in at. Links
// keep to it.
func TestSeveralSites(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	other := quillmereFile(t)
	other.Code, other.Name, other.Zone = "ASHBY", "Ashby Pharmacy", "Europe/London"
	_, err := n.LoadSite(t.Context(), tracker.Account("root"), other)
	require.NoError(t, err)
	n.server.DemoClock = true
	status, page := n.page(t, "/units/R1?period=7d")
	require.Equal(t, http.StatusOK, status)
	require.Contains(t, text(page), "Of which site?")
	require.Contains(t, page, `href="/units/R1?period=7d&amp;site=ASHBY"`)
	_, page = n.page(t, "/")
	require.Contains(t, text(page), "Ashby Pharmacy ASHBY Wed 12 Nov 2025 12:05 GMT there")
	_, page = n.page(t, "/?site=QUILLMERE")
	require.Contains(t, page, `href="/sites"`)
	n.server.DemoClock = false
	status, page = n.page(t, "/?site=ASHBY")
	require.Equal(t, http.StatusForbidden, status)
	require.Contains(t, text(page), "You are signed in at site QUILLMERE.")
	for _, path := range []string{"/", "/units/R1", "/?site=QUILLMERE", "/units/R1?period=7d&site=QUILLMERE", "/stock?site=QUILLMERE", "/cases/2?site=QUILLMERE", "/outbox?site=QUILLMERE"} {
		_, page = n.page(t, path)
		require.Contains(t, page, "Quillmere Infusion Pharmacy", path)
		for _, link := range regexp.MustCompile(`href="(/[^"]*)"`).FindAllStringSubmatch(page, -1) {
			own := strings.HasPrefix(link[1], "/static/") || link[1] == "/account" || strings.Contains(link[1], "site=QUILLMERE")
			require.True(t, own, "%s leads to %s", path, link[1])
		}
	}
}

// Before a site is loaded, the page says how to load one.
func TestNoSiteYet(t *testing.T) {
	t.Parallel()
	store, err := db.Open(t.Context(), dbtest.Fresh(t))
	require.NoError(t, err)
	t.Cleanup(store.Close)
	log := slog.New(slog.DiscardHandler)
	k := &tracker.Tracker{Store: store, Now: time.Now, Log: log}
	empty := &web.Server{Tracker: k, Log: log, Now: time.Now}
	status, page := ask(t, empty.Handler(), httptest.NewRequest(http.MethodGet, "http://127.0.0.1:8080/sign-in", nil))
	require.Equal(t, http.StatusNotFound, status)
	require.Contains(t, text(page), "No site is set up yet. Whoever runs vialward loads one")
}
