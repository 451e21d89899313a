package web_test

import (
	"fmt"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/passwords"
	"vialward/tracker"
	"vialward/tracker/label"
	"vialward/tracker/stock"
)

// A technician's morning in a real browser, from the sign-in to vials on their shelf: a batch prepared, its steps signed,
// its labels printed and read back by another's decoder, put on, checked by a pharmacist who takes the tablet over, placed.
// Every page comes from the one before, by what a person touches or scans.
func TestAMorningInABrowser(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	n.Door = tracker.NewDoor(passwords.Light())
	ctx := t.Context()
	require.NoError(t, n.FirstAdministrator(ctx, quillmere, tracker.Account("root"), "admin", "kettle moss of admin"))
	for _, who := range []string{"tech-1", "rph-1"} {
		start, _, err := n.ResetPassword(ctx, quillmere, n.actor("admin"), who)
		require.NoError(t, err)
		_, err = n.SetPassword(ctx, quillmere, who, start, "kettle moss of "+strings.ToUpper(who), tracker.From{Address: "127.0.0.1"})
		require.NoError(t, err)
	}
	server := httptest.NewServer(n.server.Handler())
	t.Cleanup(server.Close)
	ctx = browser(t)
	touches := 0
	fill := func(field, text string) {
		t.Helper()
		touches++
		require.NoError(t, chromedp.Do(ctx, chromedp.SendKeys(field, text)), field)
	}
	touch := func(what string) string {
		t.Helper()
		touches++
		r, err := chromedp.RunResponse(ctx, chromedp.Click(what))
		require.NoError(t, err, what)
		require.Less(t, r.Status, int64(400), "%s leads to %s", what, r.URL)
		return strings.TrimPrefix(r.URL, server.URL)
	}
	in := func(who, back string) {
		t.Helper()
		require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(server.URL+"/sign-in?back="+back)))
		fill(`form[action="/sign-in"] [name=person]`, who)
		fill(`form[action="/sign-in"] [name=password]`, "kettle moss of "+strings.ToUpper(who))
		require.Equal(t, back, touch(`form[action="/sign-in"] button`))
	}
	scan := func(text, outcome string) {
		t.Helper()
		touches++
		_, err := chromedp.Run(ctx, chromedp.Evaluate[any](`delete document.documentElement.dataset.told; null`))
		require.NoError(t, err)
		require.NoError(t, chromedp.Do(ctx, chromedp.SendKeys("#scan", text+"\r")))
		told, err := chromedp.Run(ctx, chromedp.Evaluate[string](`new Promise(done => { const end = performance.now() + 5000, look = () => {
			const told = document.documentElement.dataset.told; if (told || performance.now() > end) done(told || "nothing"); else requestAnimationFrame(look) }; look() })`, chromedp.EvalAwaitPromise))
		require.NoError(t, err)
		require.Equal(t, outcome, told, text)
	}

	in("tech-1", "/prepare")
	require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(server.URL+"/prepare?product=PANT&area=PA-1&count=3"))) // three choices
	touches += 3
	touch(`button[value="started"]`)
	for i := range 3 {
		fill(fmt.Sprintf(`[name="c%d-lot"]`, i), fmt.Sprintf("L%d", i))
		fill(fmt.Sprintf(`[name="c%d-ends"]`, i), "2026-06")
	}
	for i := range tracker.Steps() {
		touch(fmt.Sprintf(`button[value="step-%d"]`, i))
	}
	work := touch(`#batch button.go`)
	require.Regexp(t, `^/batches/251112-1/work$`, work)
	prepared := touches
	touch(`a[href="/batches/251112-1/labels"]`)
	require.Contains(t, touch(`form[action="/batches/251112-1/labels"] button.go`), "printed=")
	pdf, err := chromedp.Run(ctx, chromedp.Evaluate[string](`document.querySelector('a[href^="/labels/"]').getAttribute("href")`))
	require.NoError(t, err)
	code, e, err := label.Read(decoded(t, n.hands(t, "tech-1").get(t, pdf)), 2025)
	require.NoError(t, err)
	require.Equal(t, label.Code("251112-1", 1), code)
	require.Equal(t, 1, e.Label)
	require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(server.URL+"/scan")))
	scan("251112-1", "taken")
	touch(`button[value="label"]`)
	require.Contains(t, touch(`form[action="/scan/label"] button.go`), "done=")
	labelled := touches - prepared

	in("rph-1", "/scan?do=verify")
	for i := 1; i <= 3; i++ {
		scan(label.Own(label.Code("251112-1", i), 1), "taken")
	}
	require.Empty(t, lookedAt(t, ctx, server.URL, "scan-verify"))
	fill(`form[action="/scan/verify"] [name=password]`, "kettle moss of RPH-1")
	require.Contains(t, touch(`form[action="/scan/verify"] button.go`), "done=")
	in("tech-1", "/scan")
	before := touches
	for i := 1; i <= 3; i++ {
		scan(label.Own(label.Code("251112-1", i), 1), "taken")
	}
	scan("R2/A", "done")
	for i := 1; i <= 3; i++ {
		x := n.vial(t, label.Code("251112-1", i))
		require.Equal(t, "R2/A", x.Place())
		require.Equal(t, stock.Available, x.State)
		require.Equal(t, "rph-1", x.VerifiedBy)
	}
	require.Equal(t, 4, touches-before, "a move is a scan of each vial and one of the shelf")
	t.Logf("touches: %d to prepare three vials with a sign-in, %d to print and label, 4 to place", prepared, labelled)
}
