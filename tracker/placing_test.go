package tracker_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// made prepares, labels, verifies and places one vial of pantoprazole in R1/A, half an hour after its start.
func (s *setup) made(t *testing.T, components ...stock.Component) string {
	t.Helper()
	ctx := t.Context()
	p, err := s.Prepare(ctx, "SMALL", technician, tracker.Prepare{Product: "PANT", Count: 1, Area: "PA", StartedAt: s.now.Add(-30 * time.Minute), Components: components})
	require.NoError(t, err)
	codes := []string{p.Vials[0].Code}
	_, err = s.Label(ctx, "SMALL", technician, codes, time.Time{})
	require.NoError(t, err)
	_, err = s.Verify(ctx, "SMALL", pharmacist, codes, time.Time{})
	require.NoError(t, err)
	_, err = s.Place(ctx, "SMALL", technician, tracker.Place{Vials: codes, To: "R1/A"})
	require.NoError(t, err)
	return codes[0]
}

func (s *setup) place(t *testing.T, code, to string) error {
	t.Helper()
	_, err := s.Place(t.Context(), "SMALL", technician, tracker.Place{Vials: []string{code}, To: to, AcceptShorter: true})
	return err
}

func (s *setup) previewed(t *testing.T, to string, codes ...string) (out []tracker.Placing) {
	t.Helper()
	require.NoError(t, s.store.Read(t.Context(), "SMALL", func(v tracker.View) (err error) {
		out, err = s.PreviewPlace(t.Context(), v, tracker.Place{Vials: codes, To: to})
		return err
	}))
	return out
}

// A warmer place follows the row of the diluent and concentration the batch has, not the shortest of all. Of stock taken
// over nobody knows the diluent, so there the shortest counts; nor its category, so there the lowest.
func TestWarmerByItsOwnDiluent(t *testing.T) {
	t.Parallel()
	s, ctx := newSiteLike(t, func(site *stock.Site) {
		inTwoDiluents(site)
		site.Products[0].Stability = append(site.Products[0].Stability, // of other concentrations: none of ours
			stock.StabilityRow{Diluent: "water", FromMgPerML: "8", Storage: stock.Room, Minutes: 1, Source: "invented"})
		for i := range site.Products[0].Stability[:2] {
			site.Products[0].Stability[i].ToMgPerML = "4"
		}
		site.Products[0].Components = append(site.Products[0].Components, stock.ComponentUse{Name: "dextrose 5 %", Diluent: true})
		site.Products[0].Stability = append(site.Products[0].Stability, // in which it is only kept frozen: what stood in a refrigerator is not in it
			stock.StabilityRow{Diluent: "dextrose 5 %", Storage: stock.Freezer, Minutes: 300 * 60, Source: "invented"})
		site.Products[1].Stability = append(site.Products[1].Stability, stock.StabilityRow{Diluent: "water", Storage: stock.Room, Minutes: 72 * 60, Source: "invented"})
	}), t.Context()
	drug, water := lots("pantoprazole")[0], lots("")[1]
	inWater, inSaline := s.made(t, drug, water), s.made(t, drug, saline())
	over := func(product string) string {
		p, err := s.TakeOver(ctx, "SMALL", pharmacist, tracker.TakeOver{Product: product, Count: 1, BUD: "2025-10-20", Made: "2025-10-12", To: "R1/A"})
		require.NoError(t, err)
		return p.Vials[0].Code
	}
	unknown, unknownMica := over("PANT"), over("MICA")
	s.now = s.now.Add(2 * time.Hour)
	for _, code := range []string{inWater, inSaline, unknown, unknownMica} {
		require.NoError(t, s.place(t, code, "C1/A"))
	}
	require.Equal(t, s.now.Add(4*time.Hour), s.vial(t, inWater).BUD)
	require.Equal(t, s.now.Add(time.Hour), s.vial(t, inSaline).BUD)
	require.Equal(t, s.now.Add(time.Hour), s.vial(t, unknown).BUD)
	require.Equal(t, s.now.Add(12*time.Hour), s.vial(t, unknownMica).BUD, "its area may have been down: Category 1 at room, 12 h (USP <797>, R)")
	s.recounted(t)
}

// The law of a warmer place, on one vial: said before it is done, done only when accepted, counted from the instant, for
// good; moving back changes nothing, being placed there again changes nothing, and carrying past is not placing.
func TestWarmerIsSaidFirst(t *testing.T) {
	t.Parallel()
	s, ctx := newSiteLike(t, withRoomAndFreezer), t.Context()
	code := s.made(t, lots("pantoprazole")...)
	before := s.vial(t, code)
	s.now = s.now.Add(time.Hour)
	said := s.previewed(t, "C1/A", code)
	require.True(t, said[0].Shorter())
	require.Equal(t, s.now.Add(4*time.Hour), said[0].BeyondUse)
	require.Equal(t, []string{"stability", "invented"}, []string{said[0].GovernedBy, said[0].Source})
	require.False(t, s.previewed(t, "R2/A", code)[0].Shorter())
	require.Equal(t, before, s.vial(t, code), "looking changes nothing")

	_, err := s.Place(ctx, "SMALL", technician, tracker.Place{Vials: []string{code}, To: "C1/A"})
	refused(t, err, "shorter")
	require.ErrorContains(t, err, "Mon 13 Oct 2025 12:05 EDT instead of Fri 17 Oct 2025 06:35 EDT")
	require.ErrorContains(t, err, "stability: invented")
	require.Equal(t, before, s.vial(t, code), "nothing is recorded before it is accepted")
	require.NoError(t, s.place(t, code, "C1/A"))
	v := s.vial(t, code)
	require.Equal(t, said[0].BeyondUse, v.BUD)
	require.Equal(t, "relabel", v.HoldsInWords())

	s.now = s.now.Add(30 * time.Minute)
	require.NoError(t, s.place(t, code, "R1/A"))
	s.now = s.now.Add(30 * time.Minute)
	require.False(t, s.previewed(t, "C1/A", code)[0].Shorter(), "it was there before")
	_, err = s.Place(ctx, "SMALL", technician, tracker.Place{Vials: []string{code}, To: "C1/A"})
	require.NoError(t, err)
	require.Equal(t, said[0].BeyondUse, s.vial(t, code).BUD)
	life := s.events(t, "SMALL")
	require.Equal(t, "stability in room storage", governs(life))
	s.recounted(t)
}

// governs is what the record says of the one move that shortened.
func governs(events []stock.Event) (all string) {
	for _, e := range events {
		if e.Kind == stock.Moved && e.Body.BUD != nil {
			all += e.Body.Governs
		}
	}
	return all
}

// Thawed: the refrigerator's limits from then on, then the room's; and it never freezes again. Where the site is stricter
// the limits count from the start of preparation.
func TestThawed(t *testing.T) {
	t.Parallel()
	for _, fromStart := range []bool{false, true} {
		s := newSiteLike(t, func(site *stock.Site) {
			withRoomAndFreezer(site)
			site.WarmLimitFromStart = fromStart
		})
		code := s.prepared(t, "FROZ", 1)[0]
		start := s.now.Add(-45 * time.Minute)
		require.NoError(t, s.place(t, code, "F1/A"))
		frozen := s.vial(t, code).BUD
		require.Equal(t, start.Add(30*24*time.Hour), frozen)
		counts := func() time.Time {
			if fromStart {
				return start
			}
			return s.now
		}
		s.now = s.now.Add(24 * time.Hour)
		require.NoError(t, s.place(t, code, "R1/A"))
		require.Equal(t, counts().Add(48*time.Hour), s.vial(t, code).BUD, "from the start: %v", fromStart)
		refused(t, s.place(t, code, "F1/A"), "refreeze")
		require.Equal(t, "refreeze", s.previewed(t, "F1/A", code)[0].Refused.Code)
		s.now = s.now.Add(time.Hour)
		require.NoError(t, s.place(t, code, "C1/A"))
		require.Equal(t, counts().Add(4*time.Hour), s.vial(t, code).BUD, "from the start: %v", fromStart)
		require.NoError(t, s.place(t, code, "R1/A"))
		require.Equal(t, counts().Add(4*time.Hour), s.vial(t, code).BUD)
		s.recounted(t)
	}
}

// What would not go there says why, beside what would; a place that is none is refused as one.
func TestPreviewSaysWhatIsWrong(t *testing.T) {
	t.Parallel()
	s, ctx := newSiteLike(t, func(site *stock.Site) {
		withRoomAndFreezer(site)
		site.Rooms[0].Units = append(site.Rooms[0].Units, stock.Unit{Code: "H1", Class: stock.Refrigerator, HazardousOnly: true, Shelves: []stock.Shelf{{Code: "A"}}, Rules: site.Rooms[0].Units[2].Rules})
	}), t.Context()
	code := s.made(t, lots("pantoprazole")...)
	p, err := s.Prepare(ctx, "SMALL", technician, tracker.Prepare{Product: "PANT", Count: 2, Area: "PA", StartedAt: s.now.Add(-time.Hour), Components: lots("pantoprazole")})
	require.NoError(t, err)
	unlabelled, labelled := p.Vials[0].Code, p.Vials[1].Code
	_, err = s.Label(ctx, "SMALL", technician, []string{labelled}, time.Time{})
	require.NoError(t, err)
	s.now = s.now.Add(31 * time.Minute)
	for _, c := range []struct{ code, to, refusal string }{
		{code, "R1/A", "there"}, {code, "F1/A", "refreeze"}, {code, "H1/A", "hazard"}, {unlabelled, "R1/A", "wrong_state"}, {code, "R2/A", ""},
	} {
		got := s.previewed(t, c.to, c.code)[0]
		if c.refusal == "" {
			require.Nil(t, got.Refused)
			continue
		}
		require.Equal(t, c.refusal, got.Refused.Code)
		refused(t, s.place(t, c.code, c.to), c.refusal)
	}
	require.Contains(t, s.previewed(t, "R1/A", labelled)[0].Bench, "stood 31 minutes")
	require.NoError(t, s.store.Read(ctx, "SMALL", func(v tracker.View) error {
		_, err := s.PreviewPlace(ctx, v, tracker.Place{Vials: []string{code}, To: "R9/A"})
		refused(t, err, "place")
		_, err = s.PreviewPlace(ctx, v, tracker.Place{Vials: []string{"251013-9-01-00"}, To: "R1/A"})
		require.ErrorIs(t, err, tracker.ErrNotFound)
		return nil
	}))
}

// A class the product has no data for gives no date, so nothing is placed there.
func TestWarmerWithoutData(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, func(site *stock.Site) {
		withRoomAndFreezer(site)
		site.Products[0].Stability = site.Products[0].Stability[:1]
	})
	code := s.made(t, lots("pantoprazole")...)
	before := s.vial(t, code)
	err := s.place(t, code, "C1/A")
	refused(t, err, "no_date")
	require.ErrorContains(t, err, "in room storage: no beyond-use date: There is no stability row for room storage")
	require.Equal(t, before, s.vial(t, code))
}

// Hazardous drugs that turn up in an ordinary unit are held where they are: it is recorded, and wrong.
func TestFoundAmongOthers(t *testing.T) {
	t.Parallel()
	s, ctx := newSiteLike(t, func(site *stock.Site) {
		site.Products[0].Hazardous = true
		site.Rooms[0].Units[0].HazardousOnly = true
	}), t.Context()
	code := s.made(t, lots("pantoprazole")...)
	s.now = s.now.Add(time.Hour)
	_, err := s.Find(ctx, "SMALL", technician, tracker.Place{Vials: []string{code}, To: "R2/A"})
	require.NoError(t, err)
	v := s.vial(t, code)
	require.Equal(t, "manual", v.HoldsInWords())
	require.Contains(t, v.Holds[0].Reason, "is hazardous; R2 is an ordinary unit")
	s.recounted(t)
}
