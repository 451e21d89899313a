package web_test

import (
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/templog"
)

// A vial's own life says where it was, also where vials of several places were moved at once, and when it was begun.
func TestLifeSaysWhereItWas(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	n.now = n.now.Add(time.Minute)
	together := []string{n.batch["HYDC"][1], n.batch["HYDC"][7]} // in R2 and in R1
	_, err := n.Place(t.Context(), quillmere, n.actor("tech-1"), tracker.Place{Vials: together, To: "R3/Q"})
	require.NoError(t, err)
	_, page := n.page(t, "/vials/"+together[0])
	require.Contains(t, text(page), "moved from R2, shelf A to R3, shelf Q")
	_, page = n.page(t, "/vials/"+together[1])
	require.Contains(t, text(page), "moved from R1, shelf A to R3, shelf Q")
	_, err = n.Find(t.Context(), quillmere, n.actor("tech-1"), tracker.Place{Vials: together[:1], To: "R2/B"})
	require.NoError(t, err)
	_, page = n.page(t, "/vials/"+together[0])
	require.Contains(t, text(page), "found in R2, shelf B, recorded in R3, shelf Q")
	_, page = n.page(t, "/vials/"+n.batch["BORT"][0])
	require.Contains(t, text(page), "placed in R6, shelf B by")
	require.Contains(t, text(page), "; started Tue 11 Nov 2025 08:40 EST;")
}

// The limit itself is in range: the first reading beyond it is the next one, and the line crosses at the good one.
func TestFirstReadingBeyondTheLimit(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	log := "sensor,at,celsius\n"
	for i, celsius := range []string{"5.0", "8.0", "9.0", "9.0", "9.0", "9.0", "9.0"} {
		log += fmt.Sprintf("T7,%s,%s\n", n.now.Add(time.Duration(i)*5*time.Minute).Format(time.RFC3339), celsius)
	}
	n.now = n.now.Add(30 * time.Minute)
	p, err := templog.NewParser(strings.NewReader(log), nil, templog.Options{})
	require.NoError(t, err)
	_, err = n.TakeIn(t.Context(), quillmere, tracker.Rule, tracker.Delivery{Source: "http", Name: "post", Values: p, Live: true})
	require.NoError(t, err)
	_, page := n.page(t, "/cases/4")
	require.Contains(t, text(page), "Last good reading Wed 12 Nov 2025 07:10 EST\nFirst reading beyond Wed 12 Nov 2025 07:15 EST")
	require.Contains(t, text(page), "Readings beyond 5")
}

// "40" at the end of a line and "mg" on the next is read wrong; so is a shelf that is parted from its count.
func TestDosesStayOnOneLine(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	doses, shelves := 0, 0
	for _, path := range everyPage(n) {
		_, page := n.page(t, path)
		require.NotRegexp(t, `\d (mg|mL|vials)\b`, page, path)
		require.NotRegexp(t, `shelf [A-D]: \d`, page, path)
		doses += strings.Count(page, "\u00a0mg / ")
		shelves += strings.Count(page, "shelf\u00a0A:\u00a0")
	}
	require.Greater(t, doses, 100)
	require.Greater(t, shelves, 2)
}

// What the list asks for when it is done is known where it is typed.
func TestCodeOnAListIsFound(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	_, page := n.page(t, "/sweeps/5")
	require.Contains(t, text(page), "When every page is done, type SWEEP-QUILLMERE-005")
	for _, typed := range []string{"SWEEP-QUILLMERE-005", " sweep-quillmere-5 "} {
		w := httptest.NewRecorder()
		n.as(t, "rph-1").ServeHTTP(w, httptest.NewRequest(http.MethodGet, "http://127.0.0.1:8080/find?q="+url.QueryEscape(typed), nil))
		require.Equal(t, "/sweeps/5", w.Header().Get("Location"), typed)
	}
}

// The outbox comes by pages, every mail on exactly one of them, and a case's mails stand together.
func TestOutboxByPages(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	link := regexp.MustCompile(`href="/outbox/(\d+)`)
	older := regexp.MustCompile(`href="(/outbox[^"]*before=\d+)"`)
	walk := func(path string) (all []string, pages int) {
		for path != "" {
			_, page := n.page(t, path)
			pages++
			found := link.FindAllStringSubmatch(page, -1)
			require.LessOrEqual(t, len(found), 25, path)
			for _, m := range found {
				all = append(all, m[1])
			}
			path = ""
			if m := older.FindStringSubmatch(page); m != nil {
				path = html.UnescapeString(m[1])
			}
		}
		return all, pages
	}
	all, pages := walk("/outbox")
	var want []string
	require.NoError(t, n.Store.Read(t.Context(), quillmere, func(v tracker.View) error {
		rows, err := v.Outbox(t.Context(), 1000)
		for _, m := range rows {
			want = append(want, strconv.FormatInt(m.ID, 10))
		}
		return err
	}))
	require.ElementsMatch(t, want, all)
	require.Equal(t, (len(want)+24)/25, pages)
	parts := 0
	for _, s := range []string{"waiting", "failed", "accepted", "superseded"} {
		some, _ := walk("/outbox?state=" + s)
		parts += len(some)
	}
	require.Equal(t, len(want), parts)
	_, page := n.page(t, "/outbox")
	require.Contains(t, text(page), "mails of one incident")
}
