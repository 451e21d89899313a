package web_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"vialward/tracker/stock"
)

// axeFile is axe-core 4.14.1 (MPL-2.0), as testdata/README.md says.
const axeFile = "../../../../testdata/axe/axe.min.js"

// screenshots is where pictures of the pages go when somebody wants to look at them.
var screenshots = os.Getenv("VIALWARD_SCREENSHOTS")

// browser is one headless Chromium for a test.
func browser(t testing.TB) context.Context {
	t.Helper()
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Flag("disable-background-networking", true))
	all, end := chromedp.NewExecAllocator(t.Context(), options...)
	t.Cleanup(end)
	ctx, done := chromedp.NewContext(all)
	t.Cleanup(done)
	ctx, stop := context.WithTimeout(ctx, 4*time.Minute)
	t.Cleanup(stop)
	return ctx
}

// everyPage of the night, by a name for its picture.
func everyPage(n *night) map[string]string {
	return map[string]string{
		"today": "/", "unit": "/units/R1", "unit-two-sensors": "/units/R6?period=12h", "unit-gap": "/units/R3?period=3d", "unit-week": "/units/R1?period=7d",
		"unit-month": "/units/R5?period=30d", "vial-hold": "/vials/" + n.batch["HYDC"][3], "vial-closed": "/vials/" + n.batch["MICA"][0],
		"vial-not-checked": "/vials/" + n.batch["VECU"][len(n.batch["VECU"])-1], "vial-recalled": "/vials/" + n.batch["ALTE"][0] + "?label=1",
		"batch": "/batches/251111-2", "stock": "/stock", "stock-held": "/stock?only=hold", "cases": "/cases", "case-warm": "/cases/2", "case-freeze": "/cases/3",
		"case-no-data": "/cases/1", "sweeps": "/sweeps", "sweep": "/sweeps/5", "sweep-now": "/sweeps/now", "waste": "/waste?from=2025-11", "waste-nothing": "/waste", "staff": "/people", "outbox": "/outbox", "mail": "/outbox/20",
		"scan-shelf": "/scan?shelf=R1/A",
		"issue":      "/issue?product=HYDC&dest=WARD-5E&count=4", "prepare": "/prepare?product=PANT&count=12&area=PA-1&started=2025-11-12%2006:30&c0-lot=P7&c0-ends=2026-05&step-0=bad", "work": "/batches/251111-5/work", "labels": "/batches/251111-5/labels?vial=" + n.batch["VECU"][len(n.batch["VECU"])-1],
		"find": "/find?q=o", "find-product": "/find?q=mica", "find-mistyped": "/find?q=251111-2-07-00", "people": "/demo/people", "no-page": "/nowhere",
		"no-case": "/cases/99", "bad-period": "/units/R1?period=1y",
	}
}

// violation is what axe-core has to say about a page.
type violation struct {
	ID    string `json:"id"`
	Help  string `json:"help"`
	Nodes []struct {
		HTML    string `json:"html"`
		Summary string `json:"failureSummary"`
	} `json:"nodes"`
}

// WCAG 2.2 AA, and the practices axe-core adds to it.
const runAxe = `axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}).then(r => JSON.stringify(r.violations))`

// tooSmall lists what is touched and is smaller than 44 px in a direction; links inside a sentence are no targets of
// their own (WCAG 2.2, 2.5.8).
const tooSmall = `[...document.querySelectorAll("button, summary, select, input:not([type=hidden]), label.pick, nav a, .who a, a.go, .rows > li > a, .needs > li > a, .unit-name a, .site a")]
	.filter(e => e.getClientRects().length).map(e => [e, e.getBoundingClientRect()]).filter(([e, r]) => r.height < 43.5)
	.map(([e, r]) => e.outerHTML.slice(0, 80) + " " + Math.round(r.width) + "x" + Math.round(r.height))`

// cutInTwo lists states whose frame is broken at a line's end: half of "DO NOT USE" reads as "USE".
const cutInTwo = `[...document.querySelectorAll(".word")].filter(e => e.getClientRects().length > 1).map(e => "cut in two: " + e.textContent)`

// A reader's browser on a phone, a tablet and a large screen, light and dark: nothing runs out of the page, axe-core
// finds nothing, what is touched is large enough, and nothing is loaded but this server's own files.
func TestPagesInABrowser(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	n.server.DemoClock = true
	server := httptest.NewServer(n.server.Handler())
	t.Cleanup(server.Close)
	ctx := browser(t)
	var wrong []string
	for name, path := range everyPage(n) {
		require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(server.URL+path)), path)
		wrong = append(wrong, lookedAt(t, ctx, server.URL, name)...)
	}
	require.Empty(t, wrong, strings.Join(wrong, "\n"))
}

// lookedAt is what is wrong with the page that is open, on each kind of screen; name is for its pictures.
func lookedAt(t testing.TB, ctx context.Context, server, name string) (wrong []string) {
	t.Helper()
	axe, err := os.ReadFile(axeFile)
	require.NoError(t, err)
	// The layout changes once, between a phone and a tablet: each side of it is looked at light and dark.
	views := []struct {
		width int64
		theme string
	}{{360, "light"}, {360, "dark"}, {768, "dark"}, {1920, "light"}}
	loaded, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](`performance.getEntriesByType("resource").map(e => e.name)`))
	require.NoError(t, err, name)
	require.NotEmpty(t, loaded, name)
	for _, address := range loaded {
		require.True(t, strings.HasPrefix(address, server+"/"), "%s loads %s", name, address)
	}
	_, err = chromedp.Run(ctx, chromedp.Evaluate[any](string(axe)+"; null"))
	require.NoError(t, err, name)
	for _, v := range views {
		width, theme := v.width, v.theme
		at := fmt.Sprintf("%s at %d px, %s", name, width, theme)
		require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(width, 900), media("screen", theme)), at)
		wide, err := chromedp.Run(ctx, chromedp.Evaluate[int]("document.documentElement.scrollWidth"))
		require.NoError(t, err, at)
		if wide > int(width) {
			wrong = append(wrong, fmt.Sprintf("%s: runs out of the page, %d px", at, wide))
		}
		small, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](tooSmall))
		require.NoError(t, err, at)
		cut, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](cutInTwo))
		require.NoError(t, err, at)
		for _, what := range slices.Concat(small, cut, violations(t, ctx)) {
			wrong = append(wrong, at+": "+what)
		}
		picture(t, ctx, fmt.Sprintf("%s-%d-%s", name, width, theme))
	}
	return wrong
}

func violations(t testing.TB, ctx context.Context) []string {
	t.Helper()
	said, err := chromedp.Run(ctx, chromedp.Evaluate[string](runAxe, chromedp.EvalAwaitPromise))
	require.NoError(t, err)
	var found []violation
	require.NoError(t, json.Unmarshal([]byte(said), &found))
	var out []string
	for _, v := range found {
		for _, node := range v.Nodes {
			out = append(out, fmt.Sprintf("%s (%s): %.150s: %s", v.ID, v.Help, node.HTML, node.Summary))
		}
	}
	return out
}

// media sets what kind of paper or screen the page is shown on.
func media(kind, theme string) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Media: kind, Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: theme}},
		})
		return err
	})
}

func picture(t testing.TB, ctx context.Context, name string) {
	t.Helper()
	if screenshots == "" {
		return
	}
	png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	require.NoError(t, err)
	keep(t, name+".png", png)
}

func keep(t testing.TB, name string, bytes []byte) {
	t.Helper()
	require.NoError(t, os.MkdirAll(screenshots, 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(screenshots, name), bytes, 0o644))
}

// The list on paper, measured: rows of two lines at 16 pt or more, boxes of 8 mm or more, rows of 12 mm or more
// (common practice, no source), one refrigerator a page, no menus.
func TestListOnPaper(t *testing.T) {
	t.Parallel()
	n := newNight(t, func(s *stock.Site) { s.Name = "Quillmere Infusion Pharmacy" })
	server := httptest.NewServer(n.as(t, "rph-1"))
	t.Cleanup(server.Close)
	ctx := browser(t)
	require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(794, 1123), media("print", "dark"), chromedp.Navigate(server.URL+"/sweeps/5")))
	smallest := func(what, size string) float64 {
		px, err := chromedp.Run(ctx, chromedp.Evaluate[float64](fmt.Sprintf(`Math.min(...[...document.querySelectorAll(%q)].map(e => %s))`, what, size)))
		require.NoError(t, err)
		return px
	}
	const mm, pt = 96 / 25.4, 96.0 / 72
	require.GreaterOrEqual(t, smallest(".box", "e.getBoundingClientRect().height"), 8*mm)
	require.GreaterOrEqual(t, smallest(".box", "e.getBoundingClientRect().width"), 8*mm)
	require.GreaterOrEqual(t, smallest("tr.row", "e.getBoundingClientRect().height"), 12*mm)
	require.GreaterOrEqual(t, smallest(".row .first, .row .second", "parseFloat(getComputedStyle(e).fontSize)"), 16*pt-0.001)
	shown, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](
		`[...document.querySelectorAll("nav, .top, .find, footer, .screen-only")].filter(e => e.getClientRects().length).map(e => e.outerHTML.slice(0, 60))`))
	require.NoError(t, err)
	require.Empty(t, shown, "menus on paper")
	// A refrigerator begins a page; on a quiet day it ends there too.
	const units = 6
	for _, list := range []string{"1", "5"} {
		require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(server.URL+"/sweeps/"+list)))
		for size, paper := range map[string]chromedp.PaperSize{"a4": chromedp.PaperA4, "letter": chromedp.PaperLetter} {
			pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPaper(paper), chromedp.PDFPreferCSSPageSize(), chromedp.PDFPrintBackground()))
			require.NoError(t, err)
			if screenshots != "" {
				keep(t, "list-"+list+"-"+size+".pdf", pdf)
			}
			pages := strings.Count(string(pdf), "/Type /Page\n")
			if list == "1" {
				require.Equal(t, units, pages, "list %s on %s", list, size)
			}
			require.GreaterOrEqual(t, pages, units, "list %s on %s", list, size)
		}
	}
}
