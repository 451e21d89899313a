package web_test

import (
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"vialward/tracker/label"
)

// A morning with a scanner in a real browser: the field has the focus after each scan, what is taken, refused and done
// sounds differently, and what is wrong with the page is seen on each kind of screen.
func TestScanInABrowser(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	n.make(t, "PANT", 2, "PA-1", "R2/A")
	code := n.batch["PANT"][4]
	server := httptest.NewServer(n.as(t, "tech-1"))
	t.Cleanup(server.Close)
	ctx := browser(t)
	require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(server.URL+"/scan")))
	var wrong []string
	scan := func(text, sounds string) {
		t.Helper()
		_, err := chromedp.Run(ctx, chromedp.Evaluate[any](`delete document.documentElement.dataset.told; null`))
		require.NoError(t, err)
		require.NoError(t, chromedp.Do(ctx, chromedp.SendKeys("#scan", text+"\r")))
		told, err := chromedp.Run(ctx, chromedp.Evaluate[string](`new Promise(done => { const end = performance.now() + 5000, look = () => {
			const told = document.documentElement.dataset.told;
			if (told === "`+sounds+`" || performance.now() > end) done(told + " " + document.activeElement.id); else requestAnimationFrame(look) }; look() })`, chromedp.EvalAwaitPromise))
		require.NoError(t, err, text)
		require.Equal(t, sounds+" scan", told, text)
	}
	scan(code, "taken")
	scan("0109506000134352", "wrong")
	wrong = append(wrong, lookedAt(t, ctx, server.URL, "scan-wrong")...)
	scan("R2/B", "done")
	require.Equal(t, "R2/B", n.vial(t, code).Place(), "a refused scan let nothing drop")
	wrong = append(wrong, lookedAt(t, ctx, server.URL, "scan-done")...)
	scan(label.Own(code, 1), "taken")
	scan(n.batch["PANT"][5]+"\rR2/C", "done") // two scans without a wait between them
	require.Equal(t, "R2/C", n.vial(t, code).Place())
	require.Equal(t, "R2/C", n.vial(t, n.batch["PANT"][5]).Place())
	require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(server.URL+"/scan?do=discard&vial="+code)))
	wrong = append(wrong, lookedAt(t, ctx, server.URL, "scan-discard")...)
	// Beside the form of a batch stands what follows from it as soon as a field is left, and it is there when one comes back.
	require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(server.URL+"/prepare?product=PANT&area=PA-1")))
	require.NoError(t, chromedp.Do(ctx, chromedp.SendKeys("#count", "12\t")))
	follows := func() string {
		t.Helper()
		told, err := chromedp.Run(ctx, chromedp.Evaluate[string](`new Promise(done => { const look = () => document.documentElement.dataset.followed
			? done(document.getElementById("live").textContent) : requestAnimationFrame(look); look() })`, chromedp.EvalAwaitPromise))
		require.NoError(t, err)
		return told
	}
	require.Contains(t, follows(), "each dissolved in 10")
	require.Contains(t, follows(), "GOVERNS")
	require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(server.URL+"/prepare")))
	count, err := chromedp.Run(ctx, chromedp.Evaluate[string](`document.getElementById("count").value`))
	require.NoError(t, err)
	require.Equal(t, "12", count)
	wrong = append(wrong, lookedAt(t, ctx, server.URL, "prepare-live")...)
	require.Empty(t, wrong, strings.Join(wrong, "\n"))
}
