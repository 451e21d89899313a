package web_test

import (
	"context"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/passwords"
	"vialward/tracker"
	"vialward/tracker/label"
	"vialward/tracker/stock"
)

// sent is what a form was answered with.
type sent struct {
	status int
	to     string
	page   string
}

// hands is somebody signed in who fills in forms.
type hands struct {
	h http.Handler
	n *night
}

func (n *night) hands(t testing.TB, person string) hands { return hands{n.as(t, person), n} }

func (p hands) get(t testing.TB, path string) string {
	t.Helper()
	status, page := ask(t, p.h, httptest.NewRequest(http.MethodGet, "http://127.0.0.1:8080"+path, nil))
	require.Equal(t, http.StatusOK, status, "%s: %s", path, page)
	return page
}

var onceIn = regexp.MustCompile(`name="once" value="(\w+)"`)

// post a form of a page that is open.
func (p hands) post(t testing.TB, path, once string, fields url.Values) sent {
	t.Helper()
	all := url.Values{"once": {once}}
	maps.Copy(all, fields)
	r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1:8080"+path, strings.NewReader(all.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	w := httptest.NewRecorder()
	p.h.ServeHTTP(w, r)
	return sent{w.Code, w.Header().Get("Location"), w.Body.String()}
}

// does opens a page, fills in a form of it and sends it.
func (p hands) does(t testing.TB, page, path string, fields url.Values) sent {
	t.Helper()
	return p.post(t, path, onceIn.FindStringSubmatch(p.get(t, page))[1], fields)
}

// scans sends one scan with what is in hand, and opens the page it leads to.
func (p hands) scans(t testing.TB, page, text string) sent {
	t.Helper()
	at, err := url.Parse(page)
	require.NoError(t, err)
	q := at.Query()
	q.Set("scan", text)
	s := p.does(t, page, "/scan", q)
	if s.status == http.StatusSeeOther {
		s.page = p.get(t, s.to)
	}
	return s
}

func (n *night) vial(t testing.TB, code string) (x stock.Vial) {
	t.Helper()
	require.NoError(t, n.Store.Read(t.Context(), quillmere, func(v tracker.View) error {
		found, err := v.Find(t.Context(), tracker.VialQuery{Codes: []string{code}})
		require.Len(t, found, 1)
		x = found[0]
		return err
	}))
	return x
}

func (n *night) head(t testing.TB) (seq int64) {
	t.Helper()
	require.NoError(t, n.Store.Read(t.Context(), quillmere, func(v tracker.View) error {
		h, err := v.Head(t.Context())
		seq = h.Seq
		return err
	}))
	return seq
}

// One scan of a vial and one of a shelf move it; a second touch, two at once and the page sent again by the back button
// move nothing; taken back within a minute it stands where it stood, by an event that says so.
func TestScanMovesOnce(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	tech := n.hands(t, "tech-1")
	n.make(t, "PANT", 2, "PA-1", "R2/A")
	code := n.batch["PANT"][4] // the first four were taken over
	s := tech.scans(t, "/scan", strings.ReplaceAll(code, "-", ""))
	require.Equal(t, "/scan?vial="+code, s.to)
	require.Contains(t, s.page, `data-outcome="taken"`)
	require.Contains(t, s.page, "R2, shelf A")
	once := onceIn.FindStringSubmatch(s.page)[1]
	before := n.head(t)
	var all [4]sent
	var wait sync.WaitGroup
	for i := range all {
		wait.Go(func() { all[i] = tech.post(t, "/scan", once, url.Values{"vial": {code}, "scan": {"r2-b"}}) })
	}
	wait.Wait()
	moved := 0
	for _, x := range all {
		if x.status == http.StatusSeeOther {
			require.Contains(t, x.to, "done=")
			moved++
			continue
		}
		require.Equal(t, http.StatusConflict, x.status, "the first one's answer is not known yet: %s", x.page)
	}
	require.Positive(t, moved)
	require.Equal(t, before+1, n.head(t), "moved once")
	again := tech.post(t, "/scan", once, url.Values{"vial": {code}, "scan": {"R2/C"}})
	require.Equal(t, http.StatusSeeOther, again.status, "the back button")
	require.Equal(t, "R2/B", n.vial(t, code).Place())
	done := tech.get(t, again.to)
	require.Contains(t, done, `data-outcome="done"`)
	require.Contains(t, done, "Take it back")
	seq := again.to[strings.LastIndex(again.to, "=")+1:]
	other := n.hands(t, "tech-2").does(t, "/scan", "/scan/undo", url.Values{"record": {seq}})
	require.Equal(t, http.StatusUnprocessableEntity, other.status)
	require.Contains(t, other.page, "Only whoever made the move takes it back")
	back := tech.does(t, again.to, "/scan/undo", url.Values{"record": {seq}})
	require.Equal(t, http.StatusSeeOther, back.status, back.page)
	require.Equal(t, "R2/A", n.vial(t, code).Place())
	require.Contains(t, tech.get(t, "/vials/"+code), "takes back record "+seq+": a slip")
	again = tech.scans(t, "/scan?vial="+code, "R2/B")
	n.now = n.now.Add(tracker.UndoWithin + time.Second)
	seq = again.to[strings.LastIndex(again.to, "=")+1:]
	require.NotContains(t, tech.get(t, again.to), "Take it back")
	require.Equal(t, http.StatusUnprocessableEntity, tech.does(t, "/scan", "/scan/undo", url.Values{"record": {seq}}).status)
}

// Whatever comes out of a scanner gets an answer: with and without symbology, separators as they are, replaced or lost;
// damaged, foreign, old and unknown codes a sentence, and the field is free for the next.
func TestWhatIsScanned(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	tech := n.hands(t, "tech-1")
	code, hydc := n.batch["METH"][0], n.batch["HYDC"][3] // the second was shortened and waits for its new label
	parsed, err := label.ParseCode(code)
	require.NoError(t, err)
	e := label.VialElements("09506000134352", parsed, 1)
	e.BUD = label.BUDWall(n.vial(t, code).BUD, n.site.Location())
	list, err := e.List()
	require.NoError(t, err)
	gs1, err := label.Encode(list)
	require.NoError(t, err)
	for _, text := range []string{gs1, "]d2" + gs1, label.GS + gs1, strings.ReplaceAll(gs1, label.GS, "|"), strings.ReplaceAll(gs1, label.GS, ""), label.Own(code, 1), " " + code + "\t"} {
		s := tech.scans(t, "/scan", text)
		require.Equal(t, http.StatusSeeOther, s.status, "%q: %s", text, s.page)
		require.Contains(t, s.page, "In hand: 1", text)
		require.Contains(t, s.page, code, text)
	}
	e.BUD.Hour--
	list, err = e.List()
	require.NoError(t, err)
	other, err := label.Encode(list)
	require.NoError(t, err)
	for text, say := range map[string]string{
		"0109506000134352" + "10ABC": "code of a pack (GTIN 09506000134352, lot ABC), not of a vial",
		code[:len(code)-1] + "x":     "put the vial aside",
		label.Code("251101-1", 1):    "is not in the record",
		"251101-7":                   "There is no batch 251101-7",
		other:                        "OLD LABEL: it does not say what the record says",
		label.Own(code, 3):           "has no label 3, the newest is 1",
		"WARD-5E":                    "scan the vials that go there first",
		"<script>":                   "is no vial, shelf, destination",
		"":                           "Scan a vial, a shelf",
	} {
		s := tech.scans(t, "/scan", text)
		require.Equal(t, http.StatusUnprocessableEntity, s.status, text)
		require.Contains(t, s.page, say, text)
		require.Contains(t, s.page, `data-outcome="wrong"`, text)
		require.NotContains(t, s.page, "<script>")
	}
	s := tech.scans(t, "/scan", hydc)
	require.Contains(t, s.page, "ON HOLD")
	require.Contains(t, s.page, `data-outcome="wrong"`, "it may be moved, and is not to be used")
	s = tech.scans(t, "/scan", label.Own(hydc, 2))
	require.Contains(t, s.page, "has no label 2", "not printed yet")
	_, _, err = n.Print(t.Context(), quillmere, n.actor("tech-1"), tracker.PrintLabels{Vials: []string{hydc}, Size: "VIAL-10"})
	require.NoError(t, err)
	s = tech.scans(t, "/scan", label.Own(hydc, 2))
	require.Equal(t, http.StatusSeeOther, s.status, s.page)
	require.Contains(t, s.page, "New label")
	require.Equal(t, 2, n.vial(t, hydc).Label)
	s = tech.scans(t, "/scan", label.Own(hydc, 1))
	require.Contains(t, s.page, "OLD LABEL: "+hydc+" carries label 2")
	s = tech.scans(t, "/scan", "R3/A")
	require.Contains(t, s.page, "On R3/A")
	s = tech.does(t, s.to, "/scan", url.Values{"take": n.batch["METH"][:3]})
	require.Contains(t, tech.get(t, s.to), "In hand: 3", "a handful from a shelf")
}

// What a session's end cuts off is not lost: signed in again, its person finds it in the page, and nobody else does.
func TestSessionEndsInMidForm(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	tech := n.hands(t, "tech-1")
	code := n.batch["METH"][0]
	open := "/scan?do=hold&vial=" + code
	once := onceIn.FindStringSubmatch(tech.get(t, open))[1]
	n.now = n.now.Add(31 * time.Minute)
	s := tech.post(t, "/scan/hold", once, url.Values{"vial": {code}, "do": {"hold"}, "reason": {"cap looks odd"}, "password": {"kettle moss"}})
	require.Equal(t, http.StatusSeeOther, s.status)
	back := "/scan?do=hold&vial=" + code + "&kept=1"
	require.Equal(t, "/sign-in?kept=1&back="+url.QueryEscape(back), s.to)
	require.Empty(t, n.vial(t, code).Holds, "nothing was done")
	tech = n.hands(t, "tech-1")
	require.Contains(t, tech.get(t, back), `value="cap looks odd"`)
	require.NotContains(t, n.hands(t, "tech-2").get(t, back), "cap looks odd")
	require.NotContains(t, tech.get(t, "/scan"), code, "with empty hands one begins anew")
	require.NoError(t, n.Store.Read(t.Context(), quillmere, func(v tracker.View) error {
		d, there, err := v.Draft(t.Context(), "tech-1", "/scan")
		require.True(t, there)
		require.NotContains(t, d.Fields, "password")
		return err
	}))
	s = tech.does(t, open, "/scan/hold", url.Values{"vial": {code}, "reason": {"cap looks odd"}})
	require.Equal(t, http.StatusSeeOther, s.status, s.page)
	require.Len(t, n.vial(t, code).Holds, 1)
	require.NotContains(t, tech.get(t, back), "cap looks odd", "done, and forgotten")
}

// Refusals stand beside their field, with what was typed; what would shorten asks first.
func TestRefusalsBesideTheirField(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	n.Door = tracker.NewDoor(passwords.Light())
	tech := n.hands(t, "tech-1")
	meth := n.batch["METH"][0]
	s := tech.does(t, "/scan", "/scan/hold", url.Values{"vial": {meth}})
	require.Equal(t, http.StatusUnprocessableEntity, s.status)
	require.Contains(t, s.page, `id="reason-wrong">Say why it is held.`)
	s = tech.does(t, "/scan", "/scan/issue", url.Values{"vial": {n.batch["HYDC"][4]}, "dest": {"WARD-5E"}, "order": {"W-1"}, "at": {"2025-11-12T09:99"}})
	require.Contains(t, s.page, "is no day with a time")
	require.Contains(t, s.page, `value="W-1"`)
	s = tech.does(t, "/scan", "/scan/place", url.Values{"vial": {meth}, "place": {"X9/Q"}})
	require.Contains(t, s.page, `id="place-wrong">There is no storage unit`)
	s = n.hands(t, "rph-1").does(t, "/scan", "/scan/verify", url.Values{"vial": {n.batch["VECU"][len(n.batch["VECU"])-1]}})
	require.Contains(t, s.page, "This is signed: give your password.")
	s = n.hands(t, "rph-1").does(t, "/scan", "/scan/lift", url.Values{"vial": {n.batch["MICA"][1]}, "kind": {"return"}, "reason": {"seen"}, "password": {"not it"}})
	require.Equal(t, http.StatusForbidden, s.status)
	require.Contains(t, s.page, `value="seen"`)
	require.NotContains(t, s.page, "not it", "a password is never shown again")
	s = n.hands(t, "rph-1").does(t, "/scan", "/scan/lose", url.Values{"vial": {meth}, "cause": {"unaccounted"}})
	require.Contains(t, s.page, "Name the second person who looked.")
	s = n.hands(t, "admin").does(t, "/scan", "/scan", url.Values{"scan": {meth}})
	require.Equal(t, http.StatusForbidden, s.status)
	require.Equal(t, http.StatusBadRequest, tech.post(t, "/scan", "", url.Values{"scan": {meth}}).status)
}

// away is a database that cannot be reached for a while.
type away struct {
	tracker.Store
	now *bool
}

func (a away) In(ctx context.Context, site string, f func(tracker.Tx) error) error {
	if *a.now {
		return tracker.ErrAway
	}
	return a.Store.In(ctx, site, f)
}

func (a away) Read(ctx context.Context, site string, f func(tracker.View) error) error {
	if *a.now {
		return tracker.ErrAway
	}
	return a.Store.Read(ctx, site, f)
}

// While the record does not answer, what was typed goes along with the page that says so, and is sent again from there:
// done once, whether the first time had been recorded or not.
func TestRecordAwayInMidForm(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	down := false
	n.Store = away{n.Store, &down}
	tech, code := n.hands(t, "tech-1"), n.batch["METH"][0]
	once := onceIn.FindStringSubmatch(tech.get(t, "/scan?do=hold&vial="+code))[1]
	typed := url.Values{"vial": {code}, "do": {"hold"}, "reason": {"cap looks odd"}, "password": {"kettle"}}
	down = true
	s := tech.post(t, "/scan/hold", once, typed)
	require.Equal(t, http.StatusServiceUnavailable, s.status)
	require.Contains(t, s.page, "Send it again")
	require.NotContains(t, s.page, "kettle")
	down = false
	again := typedIn(s.page)
	require.Equal(t, once, again.Get("once"))
	require.Equal(t, "cap looks odd", again.Get("reason"))
	for range 2 {
		s = tech.post(t, "/scan/hold", once, again)
		require.Equal(t, http.StatusSeeOther, s.status, s.page)
	}
	require.Len(t, n.vial(t, code).Holds, 1)
}

// In the demonstration whoever somebody chose to be does things too, by their role; nobody real signs there, and the
// record says so. Who chose nobody does nothing.
func TestDoingInTheDemonstration(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	n.server.DemoClock = true
	h := n.server.Handler()
	as := func(person string) hands {
		return hands{http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if person != "" {
				r.AddCookie(&http.Cookie{Name: "vialward_person", Value: person})
			}
			h.ServeHTTP(w, r)
		}), n}
	}
	vecu := n.batch["VECU"][len(n.batch["VECU"])-1]
	s := as("rph-1").does(t, "/scan?do=verify&vial="+vecu, "/scan/verify", url.Values{"vial": {vecu}})
	require.Equal(t, http.StatusSeeOther, s.status, s.page)
	require.True(t, n.vial(t, vecu).Verified)
	s = as("").does(t, "/scan", "/scan/hold", url.Values{"vial": {vecu}, "reason": {"looks odd"}})
	require.Equal(t, http.StatusForbidden, s.status)
	require.Empty(t, n.vial(t, vecu).Holds)
}
