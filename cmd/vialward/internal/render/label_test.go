package render_test

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/render"
	"vialward/tracker"
	"vialward/tracker/label"
	"vialward/tracker/stock"
)

func printed(t *testing.T, name, gtin string, number int) (tracker.PrintedLabel, render.Label) {
	t.Helper()
	zone, err := time.LoadLocation("America/New_York")
	require.NoError(t, err)
	p := tracker.PrintedLabel{
		Vial: label.Code("251110-2", 7), Number: number, Each: 1, GTIN: gtin,
		Facts: label.Facts{
			Name: name, Strength: "10 mg / 10 mL (1 mg/mL)", Storage: stock.Refrigerator, Light: true, Warning: "PARALYZING AGENT", Route: "intravenous",
			BUD: time.Date(2025, 11, 12, 13, 30, 0, 0, time.UTC), Zone: zone, Code: label.Code("251110-2", 7), Label: number,
		},
	}
	l, err := render.LabelFrom(p)
	require.NoError(t, err)
	return p, l
}

// readBack rasters the first page of a PDF as a thermal printer of 8 dots a millimetre would, and has libdmtx's reader find the code,
// FNC1 as ASCII 29.
func readBack(t *testing.T, pdf []byte) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "label")
	require.NoError(t, os.WriteFile(file+".pdf", pdf, 0o600))
	out, err := exec.CommandContext(t.Context(), "pdftoppm", "-r", "203.2", "-f", "1", "-l", "1", "-png", "-singlefile", file+".pdf", file).CombinedOutput()
	require.NoError(t, err, "%s", out)
	read, err := exec.CommandContext(t.Context(), "dmtxread", "-N1", "-m", "3000", "-G", "29", file+".png").Output()
	require.NoError(t, err, "%s", read)
	return string(read)
}

// Every shipped size, with a GTIN and without, a short name and one of 120 letters: another's decoder reads from the page
// what the record says, to the label's number.
func TestLabelReadBack(t *testing.T) {
	t.Parallel()
	long := "Ölsäure-" + strings.Repeat("methylPREDNISolone ", 6)
	require.Len(t, []rune(long[:len(long)-1]), 121)
	for _, size := range stock.ShippedLabels() {
		for _, x := range []struct {
			name, gtin string
			number     int
		}{
			{"vecuronium bromide", "09506000134352", 1}, {"vecuronium bromide", "", 2}, {strings.TrimSpace(long), "09506000134352", 12},
		} {
			t.Run(size.Code+" "+x.name[:3]+x.gtin, func(t *testing.T) { // one after the other: the reader has three seconds
				p, l := printed(t, x.name, x.gtin, x.number)
				var pdf bytes.Buffer
				require.NoError(t, render.LabelPDF(&pdf, size, []render.Label{l}, p.Facts.BUD))
				if dir := os.Getenv("VIALWARD_SCREENSHOTS"); dir != "" {
					svg, err := render.LabelSVG(size, l)
					require.NoError(t, err)
					name := filepath.Join(dir, "label-"+size.Code+"-"+x.gtin+x.name[:3])
					require.NoError(t, os.WriteFile(name+".pdf", pdf.Bytes(), 0o600))
					require.NoError(t, os.WriteFile(name+".svg", []byte(svg), 0o600))
				}
				read := readBack(t, pdf.Bytes())
				code, e, err := label.Read(read, 2025)
				require.NoError(t, err, "%q", read)
				require.Equal(t, p.Vial, code)
				require.Equal(t, x.number, e.Label)
				if x.gtin == "" {
					return
				}
				require.True(t, strings.HasPrefix(read, label.GS+"01"+x.gtin+"7003") || strings.HasPrefix(read, "01"+x.gtin+"7003"), "%q", read)
				at, err := label.ResolveBUD(e.BUD, p.Facts.Zone)
				require.NoError(t, err)
				require.True(t, at.Equal(p.Facts.BUD))
			})
		}
	}
}

// The page is as large as the label, to a thousandth of a millimetre, and the picture too; the same labels are the same bytes.
func TestLabelMillimetres(t *testing.T) {
	t.Parallel()
	p, l := printed(t, "vecuronium bromide", "09506000134352", 1)
	size := stock.ShippedLabels()[0]
	var a, b bytes.Buffer
	require.NoError(t, render.LabelPDF(&a, size, []render.Label{l, l}, p.Facts.BUD))
	require.NoError(t, render.LabelPDF(&b, size, []render.Label{l, l}, p.Facts.BUD))
	require.Equal(t, a.Bytes(), b.Bytes())
	require.Contains(t, a.String(), "/MediaBox [0 0 141.73 70.87]") // 50 x 25 mm, 72 points an inch
	require.Contains(t, a.String(), "/Count 2")
	svg, err := render.LabelSVG(size, l)
	require.NoError(t, err)
	require.Contains(t, svg, `width="50mm" height="25mm" viewBox="0 0 50 25"`)
	require.Contains(t, svg, "start BEFORE")
	require.Contains(t, svg, ">251110-2-07-")
	require.Error(t, render.LabelPDF(&a, size, nil, p.Facts.BUD))
	small := stock.LabelSize{Code: "TINY", Width: 20_000, Height: 10_000, Margin: 500, Symbol: 8_000, NameType: 6_000, Type: 5_000, CodeType: 6_000}
	require.ErrorContains(t, render.LabelPDF(&a, small, []render.Label{l}, p.Facts.BUD), "use a larger one")
	l.Text = "ä"
	require.Error(t, render.LabelPDF(&a, size, []render.Label{l}, p.Facts.BUD))
}
