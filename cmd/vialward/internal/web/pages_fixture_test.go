package web_test

import (
	"crypto/rand"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/config"
	"vialward/cmd/vialward/internal/web"
	"vialward/db"
	"vialward/db/dbtest"
	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/templog"
)

const (
	quillmere = "QUILLMERE"
	siteFile  = "../demo/site.toml" // the demonstration's invented site
)

// local is a plain wall time of November 2025 at the site; no clock changes on the days used.
func local(day, hour, minute int) time.Time {
	return time.Date(2025, 11, day, hour+5, minute, 0, 0, time.UTC)
}

// night is the invented site on the morning of Wed 12 Nov 2025, 07:05, after a day and a night made through the
// operations, with every page's server.
type night struct {
	*tracker.Tracker
	server *web.Server
	dsn    string
	site   stock.Site
	now    time.Time
	batch  map[string][]string // vials of each product, in their order
}

func (n *night) actor(code string) tracker.Actor {
	roles := map[string]string{"tech": stock.Technician, "rph": stock.Pharmacist, "admin": stock.Administrator}
	kind, _, _ := strings.Cut(code, "-")
	return tracker.Actor{Person: stock.Person{Code: code, Roles: []string{roles[kind]}}, Via: "token", Proof: &tracker.Proof{Person: code, Method: tracker.ByPassword, At: n.now}}
}

func quillmereFile(t testing.TB) stock.Site {
	t.Helper()
	text, err := os.ReadFile(siteFile)
	require.NoError(t, err)
	site, problems := config.ReadSite(text)
	require.False(t, config.Blocked(problems), "%v", problems)
	return site
}

// newNight loads a site, changed as the test wants it, and lives through the day and the night.
func newNight(t testing.TB, change func(*stock.Site)) *night {
	t.Helper()
	dsn := dbtest.Fresh(t)
	store, err := db.Open(t.Context(), dsn)
	require.NoError(t, err)
	t.Cleanup(store.Close)
	n := &night{dsn: dsn, now: local(9, 7, 0), batch: map[string][]string{}}
	log := slog.New(slog.DiscardHandler)
	n.Tracker = &tracker.Tracker{Store: store, Now: func() time.Time { return n.now }, Log: log, MailDomain: "quillmere.example", URL: "http://127.0.0.1:8080"}
	n.server = &web.Server{Tracker: n.Tracker, Log: log, Now: n.Now}
	site := quillmereFile(t)
	if change != nil {
		change(&site)
	}
	n.site = site
	_, err = n.LoadSite(t.Context(), tracker.Account("root"), site)
	require.NoError(t, err)
	n.live(t)
	return n
}

// make prepares, labels, checks and places a batch; place "" leaves it labelled in its area, not checked.
func (n *night) make(t testing.TB, product string, count int, area, place string) {
	t.Helper()
	ctx := t.Context()
	p := tracker.Prepare{Product: product, Count: count, Area: area, StartedAt: n.now.Add(-40 * time.Minute)}
	for _, c := range n.site.Products[slices.IndexFunc(n.site.Products, func(x stock.Product) bool { return x.Code == product })].Components {
		part := stock.Component{Name: c.Name, Lot: "P-" + product, Expires: "2026-08", Maker: "maker (invented)"}
		if c.Diluent {
			part.Lot, part.Expires = "D-11", "2026-03-31"
		}
		if c.Container {
			part.Lot, part.Expires = "V-4", "2027-01"
		}
		p.Components = append(p.Components, part)
	}
	for i, name := range tracker.Steps() {
		p.Steps = append(p.Steps, tracker.StepDone{Name: name, By: "tech-1", At: p.StartedAt.Add(time.Duration(i+1) * 5 * time.Minute)})
	}
	if product == "BORT" {
		p.Mix = &tracker.Mix{SourceVials: count}
	}
	made, err := n.Prepare(ctx, quillmere, n.actor("tech-1"), p)
	require.NoError(t, err)
	var codes []string
	for _, v := range made.Vials {
		codes = append(codes, v.Code)
	}
	n.batch[product] = append(n.batch[product], codes...)
	_, err = n.Label(ctx, quillmere, n.actor("tech-1"), codes, time.Time{})
	require.NoError(t, err)
	if product == "BORT" {
		left := stock.Microlitres(0)
		_, err = n.CloseBatch(ctx, quillmere, n.actor("tech-1"), made.Batch.Code, tracker.CloseBatch{
			Filled: count, Left: &left, Witness: "tech-2", Disposed: []stock.Disposal{{What: stock.SourceVials, Count: count}, {What: stock.Sharps, Count: count + 3}},
		})
		require.NoError(t, err)
	}
	if place == "" {
		return
	}
	_, err = n.Verify(ctx, quillmere, n.actor("rph-1"), codes, time.Time{})
	require.NoError(t, err)
	_, err = n.Place(ctx, quillmere, n.actor("tech-1"), tracker.Place{Vials: codes, To: place})
	require.NoError(t, err)
}

// degrees of each logger at an instant: a quiet saw-tooth, and the night's own troubles.
func degrees(sensor string, at time.Time) (celsius float64, there bool) {
	phase := float64(len(sensor)*7) + float64(sensor[1]-'0')*11
	c := 4.6 + 0.5*math.Sin((float64(at.Unix()/60)+phase)/14)
	between := func(a, b time.Time) bool { return !at.Before(a) && at.Before(b) }
	switch sensor {
	case "T1": // a door not quite shut
		if between(local(12, 2, 15), local(12, 3, 5)) {
			c += 4.6 * math.Sin(math.Pi*float64(at.Sub(local(12, 2, 15)))/float64(50*time.Minute))
		}
	case "T3": // the back wall freezes
		if between(local(12, 4, 0), local(12, 4, 40)) {
			c -= 6.9 * math.Sin(math.Pi*float64(at.Sub(local(12, 4, 0)))/float64(40*time.Minute))
		}
	case "T4": // its battery fails in the evening
		return c, at.Before(local(11, 22, 10))
	case "T6":
		return c, at.Minute()%15 == 0
	}
	return c, true
}

// readings delivers all loggers' values of a stretch in one file.
func (n *night) readings(t testing.TB, from, to time.Time) {
	t.Helper()
	var b strings.Builder
	b.WriteString("sensor,at,celsius\n")
	for at := from; at.Before(to); at = at.Add(5 * time.Minute) {
		for i := 1; i <= 7; i++ {
			sensor := fmt.Sprintf("T%d", i)
			if c, there := degrees(sensor, at); there {
				fmt.Fprintf(&b, "%s,%s,%.1f\n", sensor, at.Format(time.RFC3339), c)
			}
		}
	}
	p, err := templog.NewParser(strings.NewReader(b.String()), nil, templog.Options{})
	require.NoError(t, err)
	_, err = n.TakeIn(t.Context(), quillmere, tracker.Rule, tracker.Delivery{Source: "folder", Name: "loggers.csv", Values: p, Live: true})
	require.NoError(t, err)
}

// until lets the loggers report and the clock tick, a step at a time.
func (n *night) until(t testing.TB, end time.Time, step time.Duration) {
	t.Helper()
	for n.now.Before(end) {
		from := n.now
		n.now = from.Add(step)
		if n.now.After(end) {
			n.now = end
		}
		n.readings(t, from, n.now)
		require.NoError(t, n.Tick(t.Context(), quillmere))
	}
}

// live is the story: a day's work, a warm and a freezing hour, a silent logger, a recall, what people then did.
func (n *night) live(t testing.TB) {
	t.Helper()
	ctx := t.Context()
	for _, o := range []tracker.TakeOver{
		{Product: "PANT", Count: 4, BUD: "2025-11-12T06:00:00-05:00", Made: "2025-11-08", To: "R1/B"},
		{Product: "HYDC", Count: 9, BUD: "2025-11-15T08:30:00-05:00", Made: "2025-11-08", To: "R1/A"},
		{Product: "METH", Count: 5, BUD: "2025-11-13T09:00:00-05:00", Made: "2025-11-08", To: "R3/A"},
		{Product: "VECU", Count: 6, BUD: "2025-11-12T18:30:00-05:00", Made: "2025-11-07", To: "R1/C"},
	} {
		p, err := n.TakeOver(ctx, quillmere, n.actor("rph-1"), o)
		require.NoError(t, err)
		for _, v := range p.Vials {
			n.batch[o.Product] = append(n.batch[o.Product], v.Code)
		}
	}
	n.until(t, local(11, 8, 0), 8*time.Hour)
	n.now = local(11, 9, 20)
	n.make(t, "MICA", 6, "PA-1", "R1/C")
	n.make(t, "BORT", 8, "PA-2", "R6/B")
	n.make(t, "GANC", 4, "PA-2", "R6/D")
	n.now = local(11, 10, 30)
	n.make(t, "ALTE", 6, "PA-1", "R2/B")
	n.make(t, "VECU", 3, "PA-1", "")
	n.now = local(11, 11, 0)
	n.readings(t, local(11, 8, 0), n.now)
	_, err := n.Issue(ctx, quillmere, n.actor("tech-2"), tracker.Issue{Vials: n.batch["MICA"][:3], To: "WARD-5E", Order: "W-2217", Label: 1})
	require.NoError(t, err)
	n.until(t, local(11, 15, 0), 2*time.Hour)
	_, err = n.Give(ctx, quillmere, n.actor("tech-2"), n.batch["MICA"][:1], time.Time{})
	require.NoError(t, err)
	_, err = n.Return(ctx, quillmere, n.actor("tech-2"), tracker.Place{Vials: n.batch["MICA"][1:2], To: "R3/Q", Note: "order stopped"})
	require.NoError(t, err)
	_, err = n.Discard(ctx, quillmere, n.actor("tech-1"), tracker.Close{
		Vials: n.batch["HYDC"][:1], Reason: "broken", Container: "pharmaceutical waste", At: local(11, 2, 0),
	})
	require.NoError(t, err, "entered late: more than 12 hours after it happened")
	n.until(t, local(11, 20, 0), time.Hour)
	_, err = n.ConfirmSweep(ctx, quillmere, n.actor("tech-2"), 1, time.Time{})
	require.NoError(t, err)
	n.until(t, local(12, 2, 0), 2*time.Hour)
	n.until(t, local(12, 2, 40), 10*time.Minute)
	_, err = n.Place(ctx, quillmere, n.actor("rph-2"), tracker.Place{Vials: n.batch["HYDC"][1:3], To: "R2/A", Note: "moved while R1 was warm"})
	require.NoError(t, err)
	n.until(t, local(12, 5, 0), 10*time.Minute)
	n.until(t, local(12, 6, 55), 55*time.Minute)
	_, err = n.Recall(ctx, quillmere, n.actor("rph-1"), tracker.Recall{Lot: "P-ALTE", Reason: "maker's notice (invented)"})
	require.NoError(t, err)
	minutes := 22
	_, err = n.Release(ctx, quillmere, n.actor("rph-1"), tracker.Release{Case: n.warmCase(t), Vials: n.batch["HYDC"][3:6], Basis: "22 min above 8 °C of 480 allowed", Minutes: &minutes})
	require.NoError(t, err)
	earlier := local(13, 9, 0)
	_, err = n.Shorten(ctx, quillmere, n.actor("rph-1"), tracker.Shorten{Vials: n.batch["HYDC"][3:4], BUD: earlier, Reason: "warm for a while"})
	require.NoError(t, err)
	require.NoError(t, n.PlanWork(ctx, quillmere, n.actor("tech-1"), tracker.PlannedWork{Unit: "R5", From: local(12, 9, 0), To: local(12, 10, 0), Reason: "cleaning, stock goes to R3"}))
	n.until(t, local(12, 7, 5), 5*time.Minute)
}

// warmCase is the number of R1's case.
func (n *night) warmCase(t testing.TB) (no int64) {
	t.Helper()
	require.NoError(t, n.Store.Read(t.Context(), quillmere, func(v tracker.View) error {
		cases, err := v.Cases(t.Context(), tracker.CaseQuery{Unit: "R1"})
		for _, c := range cases {
			no = c.No
		}
		return err
	}))
	require.NotZero(t, no, "R1 had a warm hour")
	return no
}

// page asks for one as the browser of a pharmacist who is signed in on this machine does.
func (n *night) page(t testing.TB, path string) (status int, body string) {
	t.Helper()
	return ask(t, n.as(t, "rph-1"), httptest.NewRequest(http.MethodGet, "http://127.0.0.1:8080"+path, nil))
}

// as is the pages as somebody sees whose browser is signed in.
func (n *night) as(t testing.TB, person string) http.Handler {
	t.Helper()
	h := n.server.Handler()
	if n.server.DemoClock {
		return h
	}
	token := n.signedIn(t, person)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		r.AddCookie(&http.Cookie{Name: "vialward", Value: token})
		h.ServeHTTP(w, r)
	})
}

// signedIn begins a session without a password, which would be an event, and answers its token.
func (n *night) signedIn(t testing.TB, person string) string {
	t.Helper()
	token := rand.Text() + rand.Text()
	s := tracker.Session{Person: person, Device: make([]byte, 32), Method: tracker.ByPassword, FullAt: n.now, StartedAt: n.now, SeenAt: n.now}
	require.NoError(t, n.Store.In(t.Context(), quillmere, func(tx tracker.Tx) error { return tx.NewSession(t.Context(), tracker.HashToken(token), &s) }))
	return token
}

func ask(t testing.TB, h http.Handler, r *http.Request) (status int, body string) {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	text, err := io.ReadAll(w.Result().Body) //nolint:bodyclose // a recorder's
	require.NoError(t, err)
	return w.Code, string(text)
}
