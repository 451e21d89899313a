package web_test

import (
	"net/http/httptest"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// The waste page on paper: no menus and no forms, and nothing is wider than the sheet between its margins of 10 mm
// (ISO 216 A4 is 210 mm wide, Letter 8.5 in).
func TestWasteOnPaper(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	n.server.DemoClock = true
	server := httptest.NewServer(n.server.Handler())
	t.Cleanup(server.Close)
	ctx := browser(t)
	for size, width := range map[string]int64{"a4": 718, "letter": 740} { // CSS pixels, 96 an inch, less the margins
		paper := map[string]chromedp.PaperSize{"a4": chromedp.PaperA4, "letter": chromedp.PaperLetter}[size]
		require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(width, 1000), media("print", "dark"), chromedp.Navigate(server.URL+"/waste?from=2025-11")))
		shown, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](
			`[...document.querySelectorAll("nav, .top, form, .screen-only")].filter(e => e.getClientRects().length).map(e => e.outerHTML.slice(0, 60))`))
		require.NoError(t, err)
		require.Empty(t, shown, "menus on paper")
		wide, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](
			`[...document.querySelectorAll("table, svg")].filter(e => e.getBoundingClientRect().right > innerWidth + 0.5).map(e => e.textContent.trim().slice(0, 60) + " " + e.getBoundingClientRect().right)`))
		require.NoError(t, err)
		require.Empty(t, wide, "cut off on %s", size)
		pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPaper(paper), chromedp.PDFPreferCSSPageSize(), chromedp.PDFPrintBackground()))
		require.NoError(t, err)
		require.NotEmpty(t, pdf)
		if screenshots != "" {
			keep(t, "waste-"+size+".pdf", pdf)
		}
	}
}
