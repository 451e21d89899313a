package access_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/access"
	"vialward/tracker/stock"
)

// competent is a site with one person who may everything by role, competent in one thing for a time.
func competent(what string, from, until time.Time) *stock.Site {
	return &stock.Site{Code: "SMALL", Zone: "America/New_York", People: []stock.Person{{
		Code: "rph-1", Roles: []string{stock.Pharmacist}, Competencies: []stock.Competency{{What: what, AssessedBy: "rph-2", From: from, Until: until}},
	}}}
}

// At the instant of lapse it counts no more, a microsecond before it still does; it does not count before it begins.
func TestInstantOfLapse(t *testing.T) {
	t.Parallel()
	begins, lapses := midday.AddDate(0, -6, 0), midday
	for op, what := range map[access.Operation]string{
		access.Prepare: stock.Aseptic, access.Verify: stock.Verifying, access.Release: stock.Releasing, access.Lift: stock.Releasing,
	} {
		s := competent(what, begins, lapses)
		tick := time.Microsecond
		require.NoError(t, access.May(s, "rph-1", op, lapses.Add(-tick)), op)
		require.NoError(t, access.May(s, "rph-1", op, begins), op)
		for _, at := range []time.Time{lapses, lapses.Add(tick), begins.Add(-tick)} {
			var no *stock.Refusal
			require.ErrorAs(t, access.May(s, "rph-1", op, at), &no, "%s at %s", op, at)
			require.Equal(t, "competency", no.Code)
		}
		require.ErrorContains(t, access.May(s, "rph-1", op, lapses), "lapsed Wed 12 Nov 2025 12:00 EST")
		require.ErrorContains(t, access.May(s, "rph-1", op, begins.Add(-tick)), "not on record")
		require.NoError(t, access.May(s, "rph-1", access.Label, lapses), "what needs none goes on")
		s.Competencies = stock.Shown
		require.NoError(t, access.May(s, "rph-1", op, lapses))
		s.Competencies = stock.Enforced
		require.Error(t, access.May(s, "rph-1", op, lapses))
	}
}

// A batch begun by somebody qualified and ended by somebody who is no more was not prepared by somebody qualified; one
// prepared in time and entered late was. A decision is signed now, so it needs its competency now too.
func TestLapseBetweenDoingAndEntering(t *testing.T) {
	t.Parallel()
	began := midday.AddDate(0, -6, 0)
	before, after := midday.Add(-time.Hour), midday.Add(time.Hour)
	s := competent(stock.Aseptic, began, midday)
	require.NoError(t, access.May(s, "rph-1", access.Prepare, after, before.Add(-time.Hour), before))
	require.ErrorContains(t, access.May(s, "rph-1", access.Prepare, after, before, after), "lapsed")
	require.ErrorContains(t, access.May(s, "rph-1", access.Prepare, after, began.Add(-time.Hour), before), "aseptic")
	s = competent(stock.Verifying, began, midday)
	require.NoError(t, access.May(s, "rph-1", access.Verify, before, before))
	require.ErrorContains(t, access.May(s, "rph-1", access.Verify, after, before), "lapsed")
	s = competent(stock.Hazardous, began, midday)
	require.NoError(t, access.MayHazardous(s, "rph-1", access.Prepare, before, before))
	require.ErrorContains(t, access.MayHazardous(s, "rph-1", access.Prepare, after, before, after), "hazardous")
	require.NoError(t, access.MayHazardous(s, "rph-1", access.Label, after))
}

// Renewed early, a competency has no hole; and whatever its periods are, it stands exactly within one of them.
func TestPeriodsOfACompetency(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		day := rapid.IntRange(0, 40)
		var p stock.Person
		var within [41]bool
		last := -1
		at := day.Draw(t, "at")
		for range rapid.IntRange(0, 4).Draw(t, "periods") {
			from := day.Draw(t, "from")
			until := rapid.IntRange(from+1, 41).Draw(t, "until")
			p.Competencies = append(p.Competencies, stock.Competency{What: stock.Aseptic, From: midday.AddDate(0, 0, from), Until: midday.AddDate(0, 0, until)})
			for d := from; d < until; d++ {
				within[d] = true
			}
			if from <= at {
				last = max(last, until)
			}
		}
		p.Competencies = append(p.Competencies, stock.Competency{What: stock.Sweeping, From: midday, Until: midday.AddDate(1, 0, 0)})
		stands, until := p.Competent(stock.Aseptic, midday.AddDate(0, 0, at))
		require.Equal(t, within[at], stands)
		require.Equal(t, last >= 0, !until.IsZero())
		if last >= 0 {
			require.Equal(t, midday.AddDate(0, 0, last), until)
		}
	})
}

func TestWarningKeepsNobody(t *testing.T) {
	t.Parallel()
	s := competent(stock.Sweeping, midday.AddDate(-1, 0, 0), midday)
	require.Empty(t, access.Warning(s, "rph-1", access.Confirm, midday.Add(-1)))
	require.Contains(t, access.Warning(s, "rph-1", access.Confirm, midday), "lapsed")
	require.NoError(t, access.May(s, "rph-1", access.Confirm, midday))
	require.Empty(t, access.Warning(s, "rph-1", access.Label, midday))
	require.Empty(t, access.Warning(s, "nobody", access.Confirm, midday))
}
