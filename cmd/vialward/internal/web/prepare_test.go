package web_test

import (
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/label"
	"vialward/tracker/stock"
)

// A batch from the wish to its end by forms alone: what it takes, the limit that governs before it is recorded, a start by
// one touch, lots off their packs, a session that ends in the middle; steps, labels, the check by another person, its end.
func TestPrepareABatch(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	tech := n.hands(t, "tech-1")
	require.Contains(t, tech.get(t, "/prepare"), "hydrocortisone sodium succinate")
	page := tech.get(t, "/prepare?product=PANT&count=12&area=PA-1")
	require.Contains(t, page, "Source vials")
	require.Contains(t, page, "on hand")
	fields := url.Values{"product": {"PANT"}, "count": {"12"}, "area": {"PA-1"}, "now": {"started"}}
	pack, err := label.Encode([]label.Element{{AI: "01", Value: "09506000134352"}, {AI: "17", Value: "260500"}, {AI: "10", Value: "P77"}})
	require.NoError(t, err)
	for i, c := range n.site.Products[2].Components {
		require.Equal(t, "PANT", n.site.Products[2].Code)
		fields.Set(fmt.Sprintf("c%d-lot", i), pack)
		if c.Diluent {
			fields.Set(fmt.Sprintf("c%d-lot", i), "D12")
			fields.Set(fmt.Sprintf("c%d-ends", i), "2026-02-28")
		}
	}
	began := n.now.Truncate(time.Minute)
	s := tech.does(t, "/prepare", "/prepare/look", fields)
	require.Equal(t, http.StatusSeeOther, s.status, s.page)
	n.now = n.now.Add(31 * time.Minute) // the session ends over the hood
	tech = n.hands(t, "tech-1")
	page = tech.get(t, "/prepare")
	require.Contains(t, page, `value="P77"`)
	require.Contains(t, page, `value="2026-05-31"`)
	require.Contains(t, page, "GOVERNS")
	require.Contains(t, page, "Typed until")
	said := regexp.MustCompile(`<p class="big"><time datetime="([^"]+)">`).FindStringSubmatch(page)[1]
	require.NotContains(t, n.hands(t, "tech-2").get(t, "/prepare"), "P77")

	fields = typedIn(page)
	require.Equal(t, began.In(n.site.Location()).Format("2006-01-02 15:04"), fields.Get("started"))
	for i := range tracker.Steps()[:2] {
		fields.Set(fmt.Sprintf("step-%d", i), began.Add(time.Duration(i+1)*5*time.Minute).In(n.site.Location()).Format("2006-01-02 15:04"))
	}
	fields.Del("once")
	wrong := maps.Clone(fields)
	wrong.Set("count", "twelve")
	s = tech.does(t, "/prepare", "/prepare", wrong)
	require.Equal(t, http.StatusUnprocessableEntity, s.status)
	require.Contains(t, s.page, `id="count-wrong">&#34;twelve&#34; is not a whole number`)
	require.Contains(t, s.page, `value="P77"`)
	s = tech.does(t, "/prepare", "/prepare", fields)
	require.Equal(t, http.StatusSeeOther, s.status, s.page)
	work := s.to
	code := strings.Split(work, "/")[2]
	require.NotContains(t, tech.get(t, "/prepare"), "P77", "recorded, and forgotten here")
	var vials []stock.Vial
	require.NoError(t, n.Store.Read(t.Context(), quillmere, func(v tracker.View) error {
		var err error
		vials, err = v.Find(t.Context(), tracker.VialQuery{Batch: code})
		return err
	}))
	require.Len(t, vials, 12)
	at, err := time.Parse(time.RFC3339, said)
	require.NoError(t, err)
	require.True(t, at.Equal(vials[0].BUD), "as it was said before: %s, %s", at, vials[0].BUD)

	for _, name := range tracker.Steps()[2:] {
		require.Contains(t, tech.get(t, work), "Next: "+strings.ReplaceAll(name, "'", "&#39;"))
		s = tech.does(t, work, "/batches/"+code+"/steps", url.Values{"step": {name}, "by": {"tech-1"}})
		require.Equal(t, http.StatusSeeOther, s.status, s.page)
	}
	require.Contains(t, tech.get(t, "/vials/"+vials[0].Code), "NOT CHECKED")
	s = tech.scans(t, "/scan?do=label", code)
	s = tech.does(t, s.to, "/scan/label", url.Values{"vial": codesOf(vials)})
	require.Equal(t, http.StatusSeeOther, s.status, s.page)
	s = tech.does(t, work, "/batches/"+code+"/close", url.Values{"filled": {"12"}, "spent": {"11"}, "sharps": {"15"}})
	require.Equal(t, http.StatusSeeOther, s.status, s.page)
	require.Contains(t, tech.get(t, work), "12 filled = 12 labelled")
	s = tech.does(t, "/scan", "/batches/"+code+"/close", url.Values{"filled": {"12"}, "spent": {"11"}, "sharps": {"15"}})
	require.Equal(t, http.StatusConflict, s.status, "closed once")
}

func codesOf(vials []stock.Vial) (codes []string) {
	for _, v := range vials {
		codes = append(codes, v.Code)
	}
	return codes
}

var (
	inputs  = regexp.MustCompile(`<input [^>]*name="([^"]+)" value="([^"]*)"`)
	selects = regexp.MustCompile(`(?s)<select [^>]*name="([^"]+)".*?</select>`)
	chosen  = regexp.MustCompile(`<option value="([^"]*)" selected>`)
)

// typedIn is what a browser would send of the page as it stands.
func typedIn(page string) url.Values {
	out := url.Values{}
	for _, m := range inputs.FindAllStringSubmatch(page, -1) {
		out.Set(m[1], m[2])
	}
	for _, m := range selects.FindAllStringSubmatch(page, -1) {
		if c := chosen.FindStringSubmatch(m[0]); c != nil {
			out.Set(m[1], c[1])
		}
	}
	return out
}
