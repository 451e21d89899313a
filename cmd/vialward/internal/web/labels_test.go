package web_test

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/db"
	"vialward/tracker"
	"vialward/tracker/label"
	"vialward/tracker/stock"
)

// Labels from the page to the vial: what another's decoder reads off the printed page is what the record says; one that
// says something new has a number of its own and makes the old one an old label; a reprint takes a reason and is counted;
// all that were printed are accounted for.
func TestLabelsOfABatch(t *testing.T) {
	t.Parallel()
	n := newNight(t, func(s *stock.Site) {
		for i := range s.Products {
			if s.Products[i].Code == "PANT" {
				s.Products[i].GTIN = "09506000134352" // of the GS1 General Specifications' own examples
			}
		}
	})
	n.make(t, "PANT", 2, "PA-1", "")
	tech, code := n.hands(t, "tech-1"), n.batch["PANT"][4]
	batch := code[:strings.LastIndex(code[:len(code)-3], "-")]
	labels := "/batches/" + batch + "/labels"
	require.Contains(t, tech.get(t, labels), "carries label 1, which was not printed here")
	s := tech.does(t, labels, labels, url.Values{"vial": {code}, "size": {"VIAL-2"}})
	require.Equal(t, http.StatusSeeOther, s.status, s.page)
	page := tech.get(t, s.to)
	pdf := "/labels/" + s.to[strings.LastIndex(s.to, "printed=")+len("printed="):]
	pdf, _, _ = strings.Cut(pdf, "&")
	require.Contains(t, page, `href="`+pdf+`.pdf"`)
	read := decoded(t, tech.get(t, pdf+".pdf"))
	was, e, err := label.Read(read, 2025)
	require.NoError(t, err)
	require.Equal(t, code, was)
	require.Equal(t, 2, e.Label)
	require.Equal(t, label.BUDWall(n.vial(t, code).BUD, n.site.Location()), e.BUD)
	scan := tech.scans(t, "/scan", read)
	require.Equal(t, http.StatusSeeOther, scan.status, scan.page)
	require.Equal(t, 2, n.vial(t, code).Label)
	require.Contains(t, tech.scans(t, "/scan", read).page, "NOT CHECKED")

	again := tech.does(t, labels, labels, url.Values{"vial": {code}, "size": {"VIAL-2"}})
	require.Contains(t, again.page, "was printed in this size before: say why")
	again = tech.does(t, labels, labels, url.Values{"vial": {code}, "size": {"VIAL-2"}, "reason": {"smudged"}})
	require.Equal(t, http.StatusSeeOther, again.status, again.page)

	second := tech.does(t, labels, labels, url.Values{"vial": {code}, "size": {"OVERWRAP"}})
	require.Equal(t, http.StatusSeeOther, second.status, "the second label, for the overwrap, repeats nothing: %s", second.page)

	bud := n.vial(t, code).BUD.Add(-time.Hour)
	_, err = n.Shorten(t.Context(), quillmere, n.actor("rph-1"), tracker.Shorten{Vials: []string{code}, BUD: bud, Reason: "decided"})
	require.NoError(t, err)
	require.Contains(t, tech.scans(t, "/scan", read).page, "OLD LABEL: it does not say what the record says")
	require.Contains(t, tech.get(t, labels), "waits for its new label, number 3")
	s = tech.does(t, labels, labels, url.Values{"vial": {code}, "size": {"VIAL-2"}})
	require.Equal(t, http.StatusSeeOther, s.status, s.page)
	newest := label.VialElements("09506000134352", mustCode(t, code), 3)
	newest.BUD = label.BUDWall(bud, n.site.Location())
	list, err := newest.List()
	require.NoError(t, err)
	text, err := label.Encode(list)
	require.NoError(t, err)
	scan = tech.scans(t, "/scan", text)
	require.Equal(t, http.StatusSeeOther, scan.status, scan.page)
	require.Empty(t, n.vial(t, code).Holds, "the relabel hold is lifted by the scan")
	require.Contains(t, tech.scans(t, "/scan", read).page, "OLD LABEL: "+code+" carries label 3")

	short := tech.does(t, labels, labels+"/count", url.Values{"spoiled": {"0"}})
	require.Equal(t, http.StatusUnprocessableEntity, short.status)
	require.Contains(t, short.page, "1 cannot be accounted for")
	whole := tech.does(t, labels, labels+"/count", url.Values{"spoiled": {"1"}})
	require.Equal(t, http.StatusSeeOther, whole.status, whole.page)
	require.Contains(t, tech.get(t, whole.to), "4 printed, 3 of them on vials")
	n.now = n.now.Add(16 * time.Minute)
	status, gone := ask(t, tech.h, httptest.NewRequest(http.MethodGet, "http://127.0.0.1:8080"+pdf+".pdf", nil))
	require.Equal(t, http.StatusGone, status, gone)
	svg := tech.get(t, labels+"/"+code+".svg?size=VIAL-2")
	require.True(t, strings.HasPrefix(svg, "<svg "), svg)
	verified, err := db.Verify(t.Context(), n.dsn, db.VerifyOptions{})
	require.NoError(t, err)
	require.Empty(t, verified[0].Faults)
	recounted, differs, err := n.Recount(t.Context(), quillmere)
	require.NoError(t, err)
	require.Empty(t, differs)
	require.Positive(t, recounted)
}

func mustCode(t *testing.T, code string) label.VialCode {
	t.Helper()
	c, err := label.ParseCode(code)
	require.NoError(t, err)
	return c
}

// decoded is the code on the first page of a PDF, as another's reader has it.
func decoded(t *testing.T, pdf string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "label")
	require.NoError(t, os.WriteFile(file+".pdf", []byte(pdf), 0o600))
	out, err := exec.CommandContext(t.Context(), "pdftoppm", "-r", "203.2", "-png", "-singlefile", file+".pdf", file).CombinedOutput()
	require.NoError(t, err, "%s", out)
	read, err := exec.CommandContext(t.Context(), "dmtxread", "-N1", "-m", "3000", "-G", "29", file+".png").Output()
	require.NoError(t, err)
	return string(read)
}
