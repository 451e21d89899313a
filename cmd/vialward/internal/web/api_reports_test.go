package web

import (
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker/waste"
)

// What is asked for over HTTP is the record's: a discard, its corrected cause, a demand that was not met.
func TestWasteReportByAPI(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	s.placed(t)
	require.Equal(t, http.StatusOK, s.post("tech-1", "/vials/discard", `{"vials":[`+vials(7, 8)+`],"reason":"expired"}`).status)
	s.pass(time.Hour)
	done := read[present.Handled](t, s.post("mgr-1", "/vials/correct-cause", `{"vials":[`+vial(7)+`],"reason":"unaccounted","note":"it was never on the shelf"}`))
	require.Equal(t, "discarded", string(done.Vials[0].State), "a correction ends no life and opens none")
	short := read[shortageRecorded](t, s.post("tech-1", "/shortages", `{"product":"PANT","vials":3,"to":"WARD"}`))
	require.Equal(t, shortageRecorded{done.Event + 1, "PANT", 3}, short)

	r := read[present.WasteReport](t, s.get("/reports/waste?from=2025-10-13"))
	require.Equal(t, []int{2, 2}, []int{r.Wasted, r.Ended})
	require.Equal(t, int64(2*685), r.CostCents)
	require.Equal(t, 1, r.CorrectedCauses)
	require.Equal(t, []present.WasteCause{
		{Cause: "expired", Words: "expired on the shelf", Class: "avoidable", Wasted: 1, CostCents: 685, Share: 0.5},
		{Cause: "unaccounted", Words: "cannot be found", Class: "avoidable", Wasted: 1, CostCents: 685, Share: 1},
	}, r.CausesByCost)
	require.Equal(t, map[waste.How]int{waste.Discarded: 2}, r.EndedBy)
	require.Equal(t, []present.FellShort{{Product: "PANT", Times: 1, Vials: 3}}, r.FellShort)

	at := read[present.WasteReport](t, s.get("/reports/waste?from=2025-10-13T07:00:00-04:00&to=2025-10-13T12:05:00+01:00"))
	require.Equal(t, present.Instant("2025-10-13T07:05:00-04:00"), at.To, "a plus sign that was not escaped")
	require.Zero(t, at.Ended, "a period ends before its end's instant")
}
