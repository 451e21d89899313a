package render_test

import (
	"encoding/xml"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/render"
)

// invented shares and causes: a rule fires once, a name would be markup, one is too long for a phone.
func charts() map[string]string {
	months := render.Shares{ID: "m", Title: "Waste rate, month by month", Centre: 2940, Points: []render.SharePoint{
		{Name: "Aug 25", Share: 3100, Lower: 2400, Upper: 3480}, {Name: "Sep 25", Share: 2600, Lower: 2170, Upper: 3710},
		{Name: "Oct 25", Share: 4150, Lower: 2400, Upper: 3480, Rules: "beyond a control limit"}, {Name: "Nov 25", Share: 0, Lower: 0, Upper: 6000},
	}}
	weeks := months
	weeks.ID, weeks.Width, weeks.Height, weeks.Points = "w", 340, 300, nil
	for range 26 {
		weeks.Points = append(weeks.Points, render.SharePoint{Name: "3 Nov", Share: 310, Lower: 0, Upper: 480})
	}
	weeks.Centre = 305
	causes := render.Ranking{ID: "c", Title: "Causes, the dearest first", Bars: []render.Bar{
		{"expired on the shelf", "30,372.45 USD", 9581, 9581}, {"<b>a cause that somebody described at very great length & with care, so that no picture on a phone has it whole", "848.00 USD", 268, 9849},
		{"broken or leaking", "0.40 USD", 0, 10_000},
	}}
	narrow := causes
	narrow.ID, narrow.Width = "n", 340
	return map[string]string{
		"shares": render.ControlChart(months), "shares_narrow": render.ControlChart(weeks), "shares_none": render.ControlChart(render.Shares{ID: "e", Title: "none"}),
		"ranking": render.Bars(causes), "ranking_narrow": render.Bars(narrow),
	}
}

func TestGoldenCharts(t *testing.T) {
	t.Parallel()
	for name, got := range charts() {
		require.NoError(t, xml.Unmarshal([]byte(got), new(struct{})), name)
		require.NotContains(t, got, "style=", name)
		require.NotContains(t, got, "<b>", name)
		file := filepath.Join("../../../../testdata/render", name+".svg")
		if *update {
			require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
		}
		want, err := os.ReadFile(file)
		require.NoError(t, err)
		require.Equal(t, string(want), got, "%s: look at the picture, then run with -update", name)
	}
}

// What stands out does so without colour, and a screen reader gets every figure.
func TestChartsInWords(t *testing.T) {
	t.Parallel()
	all := charts()
	require.Equal(t, 1, strings.Count(all["shares"], `class="fires"`))
	require.Equal(t, 3, strings.Count(all["shares"], "<circle"))
	require.Equal(t, 2, strings.Count(all["shares"], `stroke-dasharray="5 3"`), "both limits, dashed")
	require.Contains(t, all["shares"], "Centre 29.4 %. Aug 25: 31.0 %, expected 24.0 % to 34.8 %.")
	require.Contains(t, all["shares"], "Oct 25: 41.5 %, expected 24.0 % to 34.8 %, beyond a control limit.")
	require.Less(t, strings.Count(all["shares_narrow"], `class="hour"`), 8, "names that would stand on each other are left out")
	require.Contains(t, all["ranking"], ">848.00 USD, up to here 98.4 %<")
	require.Contains(t, all["ranking_narrow"], "…<")
	require.Contains(t, all["ranking_narrow"], "so that no picture on a phone has it whole: 848.00 USD", "the description has it")
}
