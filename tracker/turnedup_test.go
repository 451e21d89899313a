package tracker_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// withRoomAndFreezer adds a cupboard and a freezer, room stability of four hours, and a product that is kept frozen.
func withRoomAndFreezer(site *stock.Site) {
	cupboard := stock.Unit{Code: "C1", Class: stock.Room, Shelves: []stock.Shelf{{Code: "A"}}}
	freezer := stock.Unit{Code: "F1", Class: stock.Freezer, Shelves: []stock.Shelf{{Code: "A"}}}
	for _, r := range site.Rules {
		r.ForClass = ""
		switch r.Kind {
		case "warm":
			r.LimitMilliC = 25000
			cupboard.Rules = append(cupboard.Rules, r)
			r.LimitMilliC = -10000
			freezer.Rules = append(freezer.Rules, r)
		case "no_data":
			cupboard.Rules, freezer.Rules = append(cupboard.Rules, r), append(freezer.Rules, r)
		}
	}
	site.Rooms[0].Units = append(site.Rooms[0].Units, cupboard, freezer)
	row := func(class stock.Storage, minutes int) stock.StabilityRow {
		return stock.StabilityRow{Diluent: "water", Storage: class, Minutes: minutes, Source: "invented", Tag: "M", ConfirmedBy: "rph-1"}
	}
	site.Products[0].Stability = append(site.Products[0].Stability, row(stock.Room, 240))
	frozen := site.Products[0]
	frozen.Code, frozen.Name, frozen.Storage = "FROZ", "cefazolin", stock.Freezer
	frozen.Components = []stock.ComponentUse{{Name: "cefazolin", Powder: true, PerVial: 40_000}, {Name: "water", Diluent: true}}
	frozen.Stability = []stock.StabilityRow{row(stock.Freezer, 30*24*60), row(stock.Refrigerator, 48*60), row(stock.Room, 240)}
	site.Products = append(site.Products, frozen)
}

// A vial found in a cupboard may have been there since it was last seen: its date is the room's from then on, and it waits
// for a new label. Found in a freezer, it is held: it may have frozen.
func TestFoundInTheWrongClass(t *testing.T) {
	t.Parallel()
	s, ctx := newSiteLike(t, withRoomAndFreezer), t.Context()
	codes := s.batch(t, 2, "R1/A")
	seen := s.now
	s.now = s.now.Add(time.Hour)
	_, err := s.Find(ctx, "SMALL", technician, tracker.Place{Vials: codes[:1], To: "C1/A"})
	require.NoError(t, err)
	v := s.vial(t, codes[0])
	require.Equal(t, seen.Add(4*time.Hour).Truncate(time.Minute), v.BUD)
	require.Equal(t, "relabel", v.HoldsInWords())
	_, err = s.Find(ctx, "SMALL", technician, tracker.Place{Vials: codes[1:], To: "F1/A"})
	require.NoError(t, err)
	require.Equal(t, "manual", s.vial(t, codes[1]).HoldsInWords())
	s.recounted(t)
}

// Brought back from a ward into a cupboard: held as any return, and with the earlier date. Nothing is refrozen, neither
// what thawed here nor what was handed out.
func TestReturnsAndRefreezing(t *testing.T) {
	t.Parallel()
	s, ctx := newSiteLike(t, withRoomAndFreezer), t.Context()
	codes := s.batch(t, 1, "R1/A")
	_, err := s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes, To: "WARD"})
	require.NoError(t, err)
	_, err = s.Return(ctx, "SMALL", technician, tracker.Place{Vials: codes, To: "C1/A"})
	require.NoError(t, err)
	require.Equal(t, s.now.Add(4*time.Hour).Truncate(time.Minute), s.vial(t, codes[0]).BUD)
	require.Equal(t, "relabel, return", s.vial(t, codes[0]).HoldsInWords())

	p := s.prepared(t, "FROZ", 2)
	_, err = s.Place(ctx, "SMALL", technician, tracker.Place{Vials: p, To: "F1/A"})
	require.NoError(t, err)
	_, err = s.Place(ctx, "SMALL", technician, tracker.Place{Vials: p[:1], To: "R1/A", AcceptShorter: true})
	require.NoError(t, err)
	_, err = s.Place(ctx, "SMALL", technician, tracker.Place{Vials: p[:1], To: "F1/A"})
	refused(t, err, "refreeze")
	_, err = s.Relabel(ctx, "SMALL", technician, p[:1], "new date", time.Time{})
	require.NoError(t, err)
	for _, code := range p {
		_, err = s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: []string{code}, To: "WARD"})
		require.NoError(t, err)
		_, err = s.Return(ctx, "SMALL", technician, tracker.Place{Vials: []string{code}, To: "F1/A"})
		refused(t, err, "refreeze")
	}
	s.recounted(t)
}

// prepared makes, labels and verifies vials that still stand in the area.
func (s *setup) prepared(t *testing.T, product string, count int) (codes []string) {
	t.Helper()
	ctx := t.Context()
	p, err := s.Prepare(ctx, "SMALL", technician, tracker.Prepare{
		Product: product, Count: count, Area: "PA", StartedAt: s.now.Add(-45 * time.Minute),
		Components: lots(map[string]string{"PANT": "pantoprazole", "MICA": "micafungin", "FROZ": "cefazolin"}[product]),
	})
	require.NoError(t, err)
	for _, v := range p.Vials {
		codes = append(codes, v.Code)
	}
	_, err = s.Label(ctx, "SMALL", technician, codes, time.Time{})
	require.NoError(t, err)
	_, err = s.Verify(ctx, "SMALL", pharmacist, codes, time.Time{})
	require.NoError(t, err)
	return codes
}

// What was recalled while it was lost is held as recalled when it turns up; nothing more is made from a recalled lot.
func TestRecallReachesLostAndComing(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 2, "R1/A")
	_, err := s.Lose(ctx, "SMALL", pharmacist, tracker.Close{Vials: codes[:1], Reason: "unaccounted", Witness: "tech-2"})
	require.NoError(t, err)
	r, err := s.Recall(ctx, "SMALL", pharmacist, tracker.Recall{Lot: "P1", Reason: "maker's notice (invented)"})
	require.NoError(t, err)
	require.Len(t, r.Held, 1)
	require.Len(t, r.Closed, 1)
	s.now = s.now.Add(time.Hour)
	_, err = s.Find(ctx, "SMALL", technician, tracker.Place{Vials: codes[:1], To: "R1/B"})
	require.NoError(t, err)
	require.Equal(t, "found, recall", s.vial(t, codes[0]).HoldsInWords())
	_, err = s.Prepare(ctx, "SMALL", technician, tracker.Prepare{
		Product: "PANT", Count: 1, Area: "PA", StartedAt: s.now, Components: lots("pantoprazole"),
	})
	refused(t, err, "recalled")
	s.recounted(t)
}

// On hold and in date, or recalled: a pharmacist's to discard. A hold that only waits for its label, and one that has
// outlived the vial, keep nobody.
func TestDiscardOnHold(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 3, "R1/A")
	_, err := s.Hold(ctx, "SMALL", technician, tracker.Hold{Vials: codes[:1], Reason: "cap loose"})
	require.NoError(t, err)
	bin := func(a tracker.Actor, code string) error {
		_, err := s.Discard(ctx, "SMALL", a, tracker.Close{Vials: []string{code}, Reason: "expired"})
		return err
	}
	refused(t, bin(technician, codes[0]), "on_hold")
	require.NoError(t, bin(pharmacist, codes[0]))
	_, err = s.Shorten(ctx, "SMALL", pharmacist, tracker.Shorten{Vials: codes[1:2], BUD: s.now.Add(time.Hour), Reason: "asked for"})
	require.NoError(t, err)
	require.NoError(t, bin(technician, codes[1]))
	_, err = s.Hold(ctx, "SMALL", technician, tracker.Hold{Vials: codes[2:], Reason: "cap loose"})
	require.NoError(t, err)
	s.now = s.now.Add(30 * 24 * time.Hour)
	require.NoError(t, bin(technician, codes[2]))
	s.recounted(t)
}

// Things left out or mistyped are said before they are done for good.
func TestSlips(t *testing.T) {
	t.Parallel()
	s, ctx := newSiteLike(t, func(site *stock.Site) {
		site.Areas[0].Statuses = append(site.Areas[0].Statuses, stock.AreaStatus{From: time.Date(2025, 10, 13, 11, 0, 0, 0, time.UTC), Category: "1", Reason: "overdue"})
	}), t.Context()
	one := func(name string) stock.Component { return stock.Component{Name: name, Lot: "L", Expires: "2026-05"} }
	_, err := s.Prepare(ctx, "SMALL", technician, tracker.Prepare{
		Product: "MICA", Count: 1, Area: "PA", StartedAt: s.now.Add(-time.Minute), Components: []stock.Component{one("micafungin")},
	})
	refused(t, err, "component")
	// Begun in Category 2, ended in Category 1: the lower one counts.
	p, err := s.Prepare(ctx, "SMALL", technician, tracker.Prepare{
		Product: "MICA", Count: 2, Area: "PA", StartedAt: s.now.Add(-10 * time.Minute), Components: []stock.Component{one("micafungin"), one("water")},
	})
	require.NoError(t, err)
	require.Equal(t, "1", p.Batch.Category)
	codes := []string{p.Vials[0].Code, p.Vials[1].Code}
	_, err = s.Label(ctx, "SMALL", technician, codes, time.Time{})
	require.NoError(t, err)
	_, err = s.Verify(ctx, "SMALL", pharmacist, codes, time.Time{})
	require.NoError(t, err)

	_, err = s.Shorten(ctx, "SMALL", pharmacist, tracker.Shorten{Vials: codes, Reason: "the date was left out"})
	refused(t, err, "bud")
	_, err = s.Release(ctx, "SMALL", pharmacist, tracker.Release{Case: 1, Basis: "x"})
	refused(t, err, "empty")
	_, err = s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: []string{"no\x00such"}, To: "WARD"})
	refused(t, err, "unknown")
	s.now = s.now.Add(31 * time.Minute) // on the bench; 30 are allowed
	_, err = s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes[:1], To: "WARD"})
	refused(t, err, "bench_time")
	_, err = s.Place(ctx, "SMALL", technician, tracker.Place{Vials: codes[:1], To: "R1/A"})
	require.NoError(t, err)
	require.Equal(t, "bench time", s.vial(t, codes[0]).HoldsInWords())
	_, err = s.Count(ctx, "SMALL", technician, tracker.Count{Place: "R1/Z", Product: "MICA", Counted: 1})
	refused(t, err, "place")
	_, err = s.Count(ctx, "SMALL", technician, tracker.Count{Place: "R1/A", Product: "MICE", Counted: 1})
	require.ErrorIs(t, err, tracker.ErrNotFound)
	other := s.prepared(t, "PANT", 1)
	_, err = s.Lose(ctx, "SMALL", pharmacist, tracker.Close{Vials: []string{codes[0], other[0]}, Reason: "unaccounted", Witness: "tech-2"})
	refused(t, err, "products")
	s.recounted(t)
}

// A batch bears the local day its preparation started, over midnight and over the hour that comes twice.
func TestBatchDay(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	for _, c := range []struct{ now, code string }{
		{"2025-11-02T04:05:00Z", "251101"}, // started 23:20 EDT on the 1st, ended after midnight
		{"2025-11-02T06:30:00Z", "251102"}, // started 01:45 EDT, ended 01:30 EST
		{"2025-11-02T07:00:00Z", "251102"}, // started 01:15 EST, the hour's second time
		{"2025-11-03T05:10:00Z", "251102"}, // started 23:25 EST
	} {
		at, err := time.Parse(time.RFC3339, c.now)
		require.NoError(t, err)
		s.now = at
		require.Contains(t, s.prepared(t, "PANT", 1)[0], c.code, c.now)
	}
}
