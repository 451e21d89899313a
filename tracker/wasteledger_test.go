package tracker_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/waste"
)

// wasted is the report of a period as people write it, as of now.
func (s *setup) wasted(t *testing.T, from, to string) (r waste.Report) {
	t.Helper()
	require.NoError(t, s.store.Read(t.Context(), "SMALL", func(v tracker.View) error {
		begin, end, err := tracker.PeriodOf(v.Site().Location(), from, to, s.now)
		require.NoError(t, err)
		r, err = tracker.WasteReport(t.Context(), v, begin, end, s.now)
		return err
	}))
	return r
}

func (s *setup) discard(t *testing.T, reason string, codes ...string) {
	t.Helper()
	_, err := s.Discard(t.Context(), "SMALL", technician, tracker.Close{Vials: codes, Reason: reason})
	require.NoError(t, err)
}

// correct gives vials another cause, as their pharmacist.
func (s *setup) correct(t *testing.T, reason string, codes ...string) {
	t.Helper()
	_, err := s.CorrectCause(t.Context(), "SMALL", pharmacist, tracker.Correction{Vials: codes, Reason: reason, Note: "looked again"})
	require.NoError(t, err)
}

// causes is how many vials each cause wasted.
func causes(r waste.Report) map[string]int {
	out := map[string]int{}
	for _, g := range r.ByCause {
		out[g.Key] = g.Wasted
	}
	return out
}

// A period before the record, one that is not over, and ten years at once: figures, no division by nothing.
func TestWasteOfPeriodsWithLittleInThem(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	code := s.batch(t, 1, "R1/A")[0]
	s.discard(t, "expired", code)
	s.now = s.now.Add(time.Hour)
	nothing := s.wasted(t, "2024-02", "")
	require.Equal(t, waste.Tally{}, nothing.All)
	_, known := nothing.All.Rate()
	require.False(t, known)
	require.Empty(t, nothing.Months.Points)
	require.Zero(t, nothing.Quality.HoursWatched+nothing.Quality.HoursUnwatched, "no record, so nothing went unwatched")

	one := s.wasted(t, "2025-10", "")
	require.Equal(t, waste.Tally{Ended: 1, Wasted: 1, Cents: 685}, one.All)
	require.Nil(t, one.MonthEnd, "a day says nothing of a month")
	require.InDelta(t, 2, one.Quality.HoursUnwatched, 1e-9, "two refrigerators, one hour, no temperature")
	require.Zero(t, one.Open)

	years := s.wasted(t, "2016-01", "2025-12")
	require.Equal(t, one.All, years.All)
	require.Equal(t, one.Quality, years.Quality)
	require.InDelta(t, 3653*24, years.Period.Hours(), 0, "ten years with 29 February three times, clocks back as often as forward (C)")
}

// A vial has what it had cost on the day it was thrown away.
func TestWasteAcrossAPriceChange(t *testing.T) {
	t.Parallel()
	change := time.Date(2025, 10, 14, 4, 0, 0, 0, time.UTC) // midnight there
	s := newSiteLike(t, func(site *stock.Site) {
		site.Products[0].Costs = append(site.Products[0].Costs, stock.Cost{From: change, Cents: 920})
	})
	codes := s.batch(t, 3, "R1/A")
	s.now = change.Add(-time.Microsecond)
	s.discard(t, "expired", codes[0])
	s.now = change
	s.discard(t, "expired", codes[1:]...)
	s.now = s.now.Add(time.Hour)
	require.Equal(t, waste.Tally{Ended: 3, Wasted: 3, Cents: 685 + 2*920}, s.wasted(t, "2025-10", "").All)
	require.Equal(t, waste.Tally{Ended: 1, Wasted: 1, Cents: 685}, s.wasted(t, "2025-10-13", "").All)
}

// The day on which clocks go back has 25 hours, its repeated hour is in it twice, and a site thirteen hours ahead has its
// own midnights (IANA tz database, R).
func TestWasteByTheSitesMidnight(t *testing.T) {
	t.Parallel()
	for _, x := range []struct {
		zone, day, month   string
		from               time.Time // of the day
		hours, monthsHours float64
	}{
		{"America/New_York", "2025-11-02", "2025-11", time.Date(2025, 11, 2, 4, 0, 0, 0, time.UTC), 25, 721},
		{"Pacific/Tongatapu", "2025-10-31", "2025-10", time.Date(2025, 10, 30, 11, 0, 0, 0, time.UTC), 24, 744},
	} {
		s := newSiteLike(t, func(site *stock.Site) { site.Zone = x.zone })
		s.now = x.from.Add(-30 * time.Minute)
		codes := s.batch(t, 4, "R1/A")
		over := x.from.Add(time.Duration(x.hours) * time.Hour)
		for i, at := range []time.Time{x.from.Add(-time.Microsecond), x.from, over.Add(-time.Microsecond), over} {
			s.now = at
			s.discard(t, "expired", codes[i])
		}
		day := s.wasted(t, x.day, "")
		require.Equal(t, 2, day.All.Wasted, x.zone)
		require.InDelta(t, x.hours, day.Period.Hours(), 0, x.zone)
		require.InDelta(t, x.monthsHours, s.wasted(t, x.month, "").Period.Hours(), 0, x.zone)
	}
}

// A lost vial that is found again has not ended; what then becomes of it is its end. Every report says what is known when
// it is made.
func TestWasteOfALostVialThatTurnsUp(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 2, "R1/A")
	_, err := s.Lose(ctx, "SMALL", pharmacist, tracker.Close{Vials: codes, Reason: "unaccounted", Witness: "tech-2"})
	require.NoError(t, err)
	s.correct(t, "expired", codes...)
	s.now = s.now.Add(time.Hour)
	require.Equal(t, map[waste.How]int{waste.Lost: 2}, s.wasted(t, "2025-10", "").How)
	_, err = s.Find(ctx, "SMALL", tech2, tracker.Place{Vials: codes[:1], To: "R2/A"})
	require.NoError(t, err)
	r := s.wasted(t, "2025-10", "")
	require.Equal(t, waste.Tally{Ended: 1, Wasted: 1, Cents: 685}, r.All)
	require.Equal(t, 1, r.Open)
	_, err = s.Discard(ctx, "SMALL", pharmacist, tracker.Close{Vials: codes[:1], Reason: "unaccounted"})
	require.NoError(t, err)
	r = s.wasted(t, "2025-10", "")
	require.Equal(t, map[waste.How]int{waste.Lost: 1, waste.Discarded: 1}, r.How)
	require.Equal(t, map[string]int{"expired": 1, "unaccounted": 1}, causes(r), "the first loss was corrected, the discard was not")
	require.Equal(t, 1, r.Corrected)
	s.recounted(t)
}

// A corrected cause restates the report and says so; when the vial ended does not move, and the first cause stays in the
// record. The newest correction counts, also one in the same instant.
func TestWasteWithACorrectedCause(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 3, "R1/A")
	s.discard(t, "expired", codes[:2]...)
	ended := s.now
	s.correct(t, "unaccounted", codes[0])
	require.Equal(t, 1, s.wasted(t, ended.Format(time.RFC3339), ended.Add(time.Minute).Format(time.RFC3339)).Corrected, "in the same instant")
	s.now = s.now.Add(5 * time.Hour)
	s.correct(t, "expired", codes[0])
	s.correct(t, "unaccounted", codes[:2]...)
	s.now = s.now.Add(time.Hour)
	r := s.wasted(t, ended.Format(time.RFC3339), ended.Add(time.Hour).Format(time.RFC3339))
	require.Equal(t, map[string]int{"unaccounted": 2}, causes(r))
	require.Equal(t, 2, r.Corrected)
	require.Equal(t, 1, r.Open, "two had ended by then, and a correction five hours later changes nothing of that")
	require.Equal(t, waste.Tally{}, s.wasted(t, ended.Add(time.Hour).Format(time.RFC3339), s.now.Format(time.RFC3339)).All)
	var said []string
	for _, e := range s.events(t, "SMALL") {
		if e.Kind == stock.Discarded {
			said = append(said, e.Body.Reason)
		}
	}
	require.Equal(t, []string{"expired"}, said)

	before := len(s.events(t, "SMALL"))
	_, err := s.CorrectCause(ctx, "SMALL", pharmacist, tracker.Correction{Vials: codes[:1], Reason: "expired"})
	refused(t, err, "note")
	_, err = s.CorrectCause(ctx, "SMALL", pharmacist, tracker.Correction{Vials: codes[:1], Reason: "spilled", Note: "x"})
	refused(t, err, "reason")
	_, err = s.CorrectCause(ctx, "SMALL", pharmacist, tracker.Correction{Vials: codes[2:], Reason: "expired", Note: "x"})
	refused(t, err, "wrong_state")
	_, err = s.CorrectCause(ctx, "SMALL", technician, tracker.Correction{Vials: codes[:1], Reason: "expired", Note: "x"})
	refused(t, err, "role")
	require.Len(t, s.events(t, "SMALL"), before)
	s.recounted(t)
}

// Whoever takes the later one says why, and is counted; what stands in another room, on hold, or ends at the same time is
// no earlier one.
func TestIssuedBeforeItsTurn(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	early := s.batch(t, 2, "R1/A")
	s.now = s.now.Add(time.Hour)
	late := s.batch(t, 3, "R2/A")
	issue := func(reason string, codes ...string) error {
		_, err := s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes, To: "WARD", Reason: reason})
		return err
	}
	err := issue("", late[0])
	refused(t, err, "not_earliest")
	require.ErrorContains(t, err, early[0]+" at R1/A ends earlier")
	refused(t, issue(" ", late[0]), "not_earliest")
	require.NoError(t, issue("R1 is being cleaned", late[0]))
	require.NoError(t, issue("", early[0]))
	_, err = s.Hold(ctx, "SMALL", technician, tracker.Hold{Vials: early[1:], Reason: "cloudy"})
	require.NoError(t, err)
	require.NoError(t, issue("", late[1]))
	s.now = s.now.Add(time.Hour)
	r := s.wasted(t, "2025-10", "")
	require.Equal(t, 3, r.EarliestFirst.Vials)
	require.Equal(t, 1, r.EarliestFirst.PassedOver)
	require.Equal(t, "R1 is being cleaned", r.EarliestFirst.Which[0].Reason)
}
