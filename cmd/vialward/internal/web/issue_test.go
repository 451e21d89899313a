package web_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// The page names what ends first and its shelf, and of two that end together the one with less allowed time left; what
// stays is named with its reason. Another one goes only towards a fresher vial and with a reason; a second person who had
// the same vial in hand is told that it is gone; what a ward has past its date is closed, what came back is on hold.
func TestIssueEarliestFirst(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	n.make(t, "PANT", 3, "PA-1", "R2/A")
	n.now = n.now.Add(10 * time.Minute)
	n.make(t, "PANT", 2, "PA-1", "R2/B")
	old, fresh := n.batch["PANT"][4:7], n.batch["PANT"][7:9]
	tech, second := n.hands(t, "tech-1"), n.hands(t, "tech-2")
	ask := "/issue?product=PANT&dest=WARD-5E&count=4"
	page := tech.get(t, ask)
	require.Less(t, strings.Index(page, old[2]), strings.Index(page, fresh[0]))
	require.Contains(t, page, "R2, shelf A")
	require.NotContains(t, page, `value="`+fresh[1]+`"`, "four were wanted")
	require.Contains(t, page, "EXPIRED: past its beyond-use date: 4")
	short := tech.get(t, "/issue?product=PANT&dest=WARD-5E&count=8")
	require.Contains(t, short, "3 fewer than wanted")
	s := tech.does(t, "/issue?product=PANT&dest=WARD-5E&count=8", "/issue/short", url.Values{"product": {"PANT"}, "dest": {"WARD-5E"}, "short": {"3"}})
	require.Equal(t, http.StatusSeeOther, s.status, s.page)
	require.Contains(t, tech.get(t, "/issue?product=PANT"), "Choose where it goes.")

	scan := tech.scans(t, "/scan?do=issue&dest=WARD-5E", fresh[1])
	s = tech.does(t, scan.to, "/scan/issue", url.Values{"vial": {fresh[1]}, "dest": {"WARD-5E"}})
	require.Equal(t, http.StatusUnprocessableEntity, s.status)
	require.Contains(t, s.page, "ends earlier")
	require.Contains(t, s.page, `id="reason-wrong"`)
	s = tech.does(t, scan.to, "/scan/issue", url.Values{"vial": {fresh[1]}, "dest": {"WARD-5E"}, "reason": {"the others are kept for tonight"}})
	require.Equal(t, http.StatusSeeOther, s.status, s.page)

	theirs := second.scans(t, "/scan", old[0])
	scan = tech.scans(t, "/scan?do=issue&dest=WARD-5E", old[0])
	s = tech.scans(t, scan.to, "ward-5e")
	require.Equal(t, http.StatusSeeOther, s.status, s.page)
	require.Contains(t, s.page, `data-outcome="done"`)
	late := second.scans(t, theirs.to, "R2/C")
	require.Equal(t, http.StatusConflict, late.status)
	require.Contains(t, late.page, "is issued to WARD-5E; record its return first")

	back := tech.scans(t, "/scan?do=return", old[0])
	back = tech.scans(t, back.to, "R2/C")
	require.Equal(t, http.StatusSeeOther, back.status, back.page)
	require.Equal(t, stock.HoldReturn, n.vial(t, old[0]).Holds[0].Kind)
	held := tech.does(t, "/scan", "/scan/issue", url.Values{"vial": {old[0]}, "dest": {"WARD-5E"}})
	require.Equal(t, http.StatusConflict, held.status)
	require.Contains(t, held.page, "ON HOLD: return")

	require.Contains(t, tech.get(t, "/prepare?product=PANT"), "3 on hand last 1.8 days: 2 issued in the last 3 days, 3 more wanted and not there")

	n.now = n.vial(t, fresh[1]).BUD
	tech = n.hands(t, "tech-1")
	page = tech.get(t, "/issue")
	require.Contains(t, page, `value="`+fresh[1]+`"`, "the instant itself is past")
	s = tech.does(t, "/issue", "/scan/give", url.Values{"vial": {fresh[1]}})
	require.Equal(t, http.StatusSeeOther, s.status, s.page)
	require.NotContains(t, tech.get(t, "/issue"), `value="`+fresh[1]+`"`)
}

// Of vials that end at the same instant the one that was longer out goes first, by the decisions on record.
func TestLeastAllowedTimeFirst(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	require.NoError(t, n.Store.Read(t.Context(), quillmere, func(v tracker.View) error {
		picks, err := tracker.PicksFor(t.Context(), v, "HYDC", "", stock.Dest{}, 2, n.now)
		require.NoError(t, err)
		require.Len(t, picks.Take, 2)
		for i, x := range picks.Take {
			require.Equal(t, n.batch["HYDC"][4+i], x.Vial.Code)
		}
		require.Equal(t, 458, *picks.Take[0].OutLeft, "480 allowed, 22 decided")
		return nil
	}))
}
