package tracker_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/db"
	"vialward/tracker"
	"vialward/tracker/stock"
)

// newSite is a loaded site with a second technician and pharmacist, two destinations, and hazardous storage.
func newSite(t *testing.T) *setup {
	t.Helper()
	return newSiteLike(t, func(*stock.Site) {})
}

// newSiteLike is newSite with something different about it.
func newSiteLike(t *testing.T, changes ...func(*stock.Site)) *setup {
	t.Helper()
	s := newSetup(t)
	site := wardSite()
	for _, change := range changes {
		change(&site)
	}
	_, err := s.LoadSite(t.Context(), stranger, site)
	require.NoError(t, err)
	return s
}

func wardSite() stock.Site {
	site := smallSite()
	site.People = append(site.People, stock.Person{Code: "tech-2", Roles: []string{stock.Technician}}, stock.Person{Code: "rph-2", Roles: []string{stock.Pharmacist}})
	site.Destinations = []stock.Dest{{Code: "WARD", Name: "ward"}, {Code: "FAR", Name: "far ward", MarginMinutes: 120}}
	site.Reasons = append(site.Reasons, stock.WasteCause{Code: "unaccounted", Words: "cannot be found", Class: "avoidable"})
	for i := range site.Rules {
		site.Rules[i].PageWhenOpen = true
	}
	return site
}

// reload loads the site again as it would be with a change.
func (s *setup) reload(t *testing.T, changes ...func(*stock.Site)) error {
	t.Helper()
	site := wardSite()
	for _, change := range changes {
		change(&site)
	}
	_, err := s.LoadSite(t.Context(), pharmacist, site)
	return err
}

var (
	tech2 = tracker.Actor{Person: stock.Person{Code: "tech-2", Roles: []string{stock.Technician}}, Via: "token"}
)

// batch prepares, labels, verifies and places vials of pantoprazole, an hour of work.
func (s *setup) batch(t *testing.T, count int, place string) []string {
	t.Helper()
	ctx := t.Context()
	p, err := s.Prepare(ctx, "SMALL", technician, tracker.Prepare{
		Product: "PANT", Count: count, Area: "PA", StartedAt: s.now.Add(-45 * time.Minute),
		Components: lots("pantoprazole"),
	})
	require.NoError(t, err)
	codes := make([]string, count)
	for i, v := range p.Vials {
		codes[i] = v.Code
	}
	_, err = s.Label(ctx, "SMALL", technician, codes, time.Time{})
	require.NoError(t, err)
	_, err = s.Verify(ctx, "SMALL", pharmacist, codes, time.Time{})
	require.NoError(t, err)
	_, err = s.Place(ctx, "SMALL", technician, tracker.Place{Vials: codes, To: place})
	require.NoError(t, err)
	return codes
}

// lots of what a product of the small site is made of.
func lots(drug string) []stock.Component {
	return []stock.Component{{Name: drug, Lot: "P1", Expires: "2026-05"}, {Name: "water", Lot: "D7", Expires: "2025-12-31"}}
}

func refused(t *testing.T, err error, code string) {
	t.Helper()
	var r *stock.Refusal
	require.ErrorAs(t, err, &r)
	require.Equal(t, code, r.Code, r.Say)
}

func (s *setup) vial(t *testing.T, code string) stock.Vial {
	t.Helper()
	var out []stock.Vial
	require.NoError(t, s.store.Read(t.Context(), "SMALL", func(v tracker.View) (err error) {
		out, err = v.Find(t.Context(), tracker.VialQuery{Codes: []string{code}})
		return err
	}))
	require.Len(t, out, 1)
	return out[0]
}

// recounted fails when the vial rows are not the sum of their events.
func (s *setup) recounted(t *testing.T) {
	t.Helper()
	_, differs, err := s.Recount(t.Context(), "SMALL")
	require.NoError(t, err)
	require.Empty(t, differs)
}

// The whole way of a batch, each step by whom it may be done, and the record of it.
func TestFromBenchToWard(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 4, "R1/A")
	v := s.vial(t, codes[0])
	require.Equal(t, s.now.Add(-45*time.Minute).Add(96*time.Hour), v.BUD, "stability of 96 h governs, from the start of preparation")
	require.Equal(t, "R1/A", v.Place())

	s.now = s.now.Add(time.Hour)
	done, err := s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes[:2], To: "WARD", Order: "A-17", Label: 1})
	require.NoError(t, err)
	require.Equal(t, stock.WithWard, done.Vials[0].State)
	_, err = s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes[:1], To: "WARD"})
	refused(t, err, "unverified")
	_, err = s.Give(ctx, "SMALL", technician, codes[:1], time.Time{})
	require.NoError(t, err)
	_, err = s.Return(ctx, "SMALL", technician, tracker.Place{Vials: codes[1:2], To: "R2/A", Note: "carrier record shown"})
	require.NoError(t, err)
	require.Equal(t, "return", s.vial(t, codes[1]).HoldsInWords())
	_, err = s.Lift(ctx, "SMALL", technician, tracker.Hold{Vials: codes[1:2], Kind: "return", Reason: "cold all the time"})
	refused(t, err, "role")
	_, err = s.Lift(ctx, "SMALL", pharmacist, tracker.Hold{Vials: codes[1:2], Kind: "return", Reason: "cold all the time"})
	require.NoError(t, err)

	_, err = s.Discard(ctx, "SMALL", technician, tracker.Close{Vials: codes[2:3], Reason: "dropped"})
	refused(t, err, "reason")
	_, err = s.Discard(ctx, "SMALL", technician, tracker.Close{Vials: codes[2:3], Reason: "expired"})
	require.NoError(t, err)
	_, err = s.Place(ctx, "SMALL", technician, tracker.Place{Vials: codes[2:3], To: "R1/B"})
	refused(t, err, "gone")
	_, err = s.Lose(ctx, "SMALL", pharmacist, tracker.Close{Vials: codes[3:], Reason: "unaccounted"})
	refused(t, err, "two_persons")
	_, err = s.Lose(ctx, "SMALL", pharmacist, tracker.Close{Vials: codes[3:], Reason: "unaccounted", Witness: "tech-2"})
	require.NoError(t, err)
	s.now = s.now.Add(26 * time.Hour)
	_, err = s.Find(ctx, "SMALL", tech2, tracker.Place{Vials: codes[3:], To: "R2/A"})
	require.NoError(t, err)
	require.Equal(t, "found", s.vial(t, codes[3]).HoldsInWords())
	require.NoError(t, s.store.Read(ctx, "SMALL", func(v tracker.View) error {
		stays, err := v.Stays(ctx, codes[3])
		require.Len(t, stays, 4, "in R1, perhaps in R1 or R2 until found, in R2: %v", stays)
		return err
	}))
	s.recounted(t)
}

// What may not be is refused in a sentence, and nothing of it is recorded.
func TestRefusedAtTheDoor(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 3, "R1/A")
	before := len(s.events(t, "SMALL"))
	_, err := s.Place(ctx, "SMALL", technician, tracker.Place{Vials: []string{codes[0], codes[0]}, To: "R1/B"})
	refused(t, err, "twice")
	_, err = s.Place(ctx, "SMALL", technician, tracker.Place{Vials: []string{"251013-9-01-00"}, To: "R1/B"})
	refused(t, err, "unknown")
	_, err = s.Place(ctx, "SMALL", technician, tracker.Place{Vials: codes[:1], To: "R9/B"})
	refused(t, err, "place")
	_, err = s.Place(ctx, "SMALL", technician, tracker.Place{Vials: codes[:1], To: "R1/Z"})
	refused(t, err, "place")
	_, err = s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes[:1], To: "MOON"})
	refused(t, err, "destination")
	_, err = s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes[:1], To: "WARD", At: s.now.Add(time.Hour)})
	refused(t, err, "future")
	_, err = s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes[:1], To: "WARD", At: s.now.Add(-time.Hour)})
	refused(t, err, "order")
	_, err = s.Shorten(ctx, "SMALL", pharmacist, tracker.Shorten{Vials: codes[:1], BUD: s.now.Add(1000 * time.Hour), Reason: "asked"})
	refused(t, err, "later")
	_, err = s.Void(ctx, "SMALL", pharmacist, tracker.Close{Vials: codes[:1], Reason: "wrong start", Witness: "tech-1"})
	refused(t, err, "two_persons")
	require.Len(t, s.events(t, "SMALL"), before)

	s.now = s.vial(t, codes[0]).BUD.Add(-time.Hour)
	_, err = s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes[:1], To: "FAR"})
	refused(t, err, "short_life")
	s.now = s.now.Add(time.Hour)
	_, err = s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes[:1], To: "WARD"})
	refused(t, err, "expired")
	_, err = s.Hold(ctx, "SMALL", technician, tracker.Hold{Vials: codes[1:2], Reason: "cloudy"})
	require.NoError(t, err)
	_, err = s.Lift(ctx, "SMALL", pharmacist, tracker.Hold{Vials: codes[1:2], Kind: "manual", Reason: "clear after all"})
	refused(t, err, "expired") // a release revives nothing
}

// Times the wrong way round are refused by how far, which is right in every zone.
func TestPreparationEndsAfterItBegan(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	_, err := s.Prepare(t.Context(), "SMALL", technician, tracker.Prepare{
		Product: "PANT", Count: 1, Area: "PA", StartedAt: s.now.Add(-time.Hour), CompletedAt: s.now.Add(-90 * time.Minute), Components: lots("pantoprazole"),
	})
	refused(t, err, "times")
	require.ErrorContains(t, err, "preparation started 30m0s after it was completed")
}

// A shortened vial waits on the relabel hold; the old label then answers "old label".
func TestShortenedVialsWaitForTheirLabel(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 1, "R1/A")
	_, err := s.Shorten(ctx, "SMALL", pharmacist, tracker.Shorten{Vials: codes, BUD: s.now.AddDate(1, 0, 0), Reason: "longer"})
	refused(t, err, "later")
	require.NotContains(t, err.Error(), "Z now", "people read the site's time")
	require.Regexp(t, `it is \w{3} \d+ Oct 2025 \d\d:\d\d EDT now$`, err.Error())
	_, err = s.Shorten(ctx, "SMALL", pharmacist, tracker.Shorten{Vials: codes, BUD: s.now.AddDate(-1, 0, 0), Reason: "a slip"})
	require.Regexp(t, `\d\d:\d\d EDT lies before it was made, .* EDT; check the date$`, err.Error())
	_, err = s.Shorten(ctx, "SMALL", pharmacist, tracker.Shorten{Vials: codes, BUD: s.now.Add(10 * time.Hour), Reason: "warm for a while"})
	require.NoError(t, err)
	_, err = s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes, To: "WARD", Label: 1})
	refused(t, err, "on_hold")
	_, err = s.Lift(ctx, "SMALL", pharmacist, tracker.Hold{Vials: codes, Kind: stock.HoldRelabel, Reason: "no label printer"})
	refused(t, err, "relabel")
	_, err = s.Relabel(ctx, "SMALL", technician, codes, "shortened", time.Time{})
	require.NoError(t, err)
	_, err = s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes, To: "WARD", Label: 1})
	refused(t, err, "old_label")
	_, err = s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes, To: "WARD", Label: 3})
	refused(t, err, "label")
	_, err = s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes, To: "WARD", Label: 2})
	require.NoError(t, err)
	s.recounted(t)
}

// What the code should never ask, the schema refuses. (Events changed or removed: see package db.)
func TestTheSchemaKeepsTheRules(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 1, "R1/A")
	try := func(what string, f func(tx tracker.Tx, v stock.Vial) error) {
		err := s.store.In(ctx, "SMALL", func(tx tracker.Tx) error {
			vs, err := tx.Vials(ctx, codes)
			require.NoError(t, err)
			return f(tx, vs[0])
		})
		require.Error(t, err, what)
		said, broken := db.Broken(err)
		require.True(t, broken, "%s: %v", what, err)
		require.NotEmpty(t, said)
	}
	e := stock.Event{Kind: stock.Moved, At: s.now, EnteredAt: s.now, By: "x", Via: "test"}
	try("a later BUD", func(tx tracker.Tx, v stock.Vial) error {
		w := v
		w.BUD = v.BUD.Add(time.Minute)
		return tx.SaveVials(ctx, e, []stock.Vial{v}, []stock.Vial{w})
	})
	try("another verifier", func(tx tracker.Tx, v stock.Vial) error {
		w := v
		w.VerifiedBy = "rph-2"
		return tx.SaveVials(ctx, e, []stock.Vial{v}, []stock.Vial{w})
	})
	try("a BUD with seconds", func(tx tracker.Tx, v stock.Vial) error {
		w := v
		w.BUD = v.BUD.Add(-time.Second)
		return tx.SaveVials(ctx, e, []stock.Vial{v}, []stock.Vial{w})
	})
	try("available and unverified", func(tx tracker.Tx, v stock.Vial) error {
		b := stock.Batch{Code: "251013-7", Product: "PANT", Version: 1, StartedAt: s.now, CompletedAt: s.now, PreparedBy: "tech-1", BUD: s.now.Add(time.Hour).Truncate(time.Minute), Made: 1}
		prepared := stock.Event{Kind: stock.Prepared, At: s.now, EnteredAt: s.now, By: "tech-1", Via: "test"}
		require.NoError(t, tx.NewBatch(b, b.BUD, nil))
		require.NoError(t, tx.Append(ctx, &prepared))
		w := stock.Vial{Code: "251013-7-01", Batch: b.Code, Serial: 1, Product: "PANT", Version: 1, PreparedBy: "tech-1", VerifiedBy: "tech-1", Verified: true, State: stock.Available, BUD: b.BUD, LastSeen: s.now}
		return tx.SaveVials(ctx, e, []stock.Vial{{}}, []stock.Vial{w})
	})
	try("a batch that outlives a component", func(tx tracker.Tx, v stock.Vial) error {
		b := stock.Batch{Code: "251013-8", Product: "PANT", Version: 1, StartedAt: s.now, CompletedAt: s.now, PreparedBy: "tech-1", BUD: s.now.Add(time.Hour), Made: 1, Components: []stock.Component{{Name: "a"}}}
		require.NoError(t, tx.NewBatch(b, b.BUD, []time.Time{s.now.Add(time.Minute)}))
		return tx.Append(ctx, &stock.Event{Kind: stock.Prepared, At: s.now, EnteredAt: s.now, By: "tech-1", Via: "test"})
	})
}

// A draft, an area that is down, a component at its end, one opened too long: no batch, and the sentence says which.
func TestNoBatch(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	p := tracker.Prepare{Product: "PANT", Count: 3, Area: "PA", StartedAt: s.now, Components: lots("pantoprazole")}
	ended := p
	ended.Components = lots("pantoprazole")
	ended.Components[0].Expires = "2025-10-12"
	_, err := s.Prepare(ctx, "SMALL", technician, ended)
	refused(t, err, "no_date")
	opened := p
	opened.Components = lots("pantoprazole")
	opened.Components[1].Opened, opened.Components[1].OpenedAt, opened.Components[1].UsedAt = "bulk", s.now.Add(-5*time.Hour), s.now
	_, err = s.Prepare(ctx, "SMALL", technician, opened)
	refused(t, err, "component")
	soon := p
	soon.Components = lots("pantoprazole")
	soon.Components[0].Expires, soon.Components[0].BeyondUse = "", "2025-10-14"
	got, err := s.Prepare(ctx, "SMALL", technician, soon)
	require.NoError(t, err)
	require.Equal(t, "component", got.Batch.Governs)
	require.Equal(t, time.Date(2025, 10, 14, 4, 0, 0, 0, time.UTC), got.Batch.BUD, "a date alone means the start of that day")

	require.NoError(t, s.SetArea(ctx, "SMALL", pharmacist, "PA", stock.AreaStatus{Category: "1", Reason: "certification overdue"}))
	s.now = s.now.Add(time.Minute)
	p.StartedAt = s.now
	got, err = s.Prepare(ctx, "SMALL", technician, p)
	require.NoError(t, err)
	require.Equal(t, "1", got.Batch.Category)
	require.Equal(t, s.now.Add(24*time.Hour), got.Batch.BUD, "Category 1 in the refrigerator: 24 h (USP <797>, R)")
	require.NoError(t, s.SetArea(ctx, "SMALL", pharmacist, "PA", stock.AreaStatus{Category: "", Reason: "air handler failed"}))
	_, err = s.Prepare(ctx, "SMALL", technician, p)
	refused(t, err, "area")
	down := len(s.mails(t))
	require.Positive(t, down)
	require.NoError(t, s.SetArea(ctx, "SMALL", pharmacist, "PA", stock.AreaStatus{Category: "2", Reason: "repaired and certified"}))
	require.Len(t, s.mails(t), down, "an area that is back is no area down")
	p.Product = "NONE"
	_, err = s.Prepare(ctx, "SMALL", technician, p)
	require.ErrorIs(t, err, tracker.ErrNotFound)
}

// A recall of a lot holds all of it, issued vials too, and traces what is gone.
func TestRecallOfALot(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 4, "R1/A")
	_, err := s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes[:2], To: "WARD"})
	require.NoError(t, err)
	_, err = s.Give(ctx, "SMALL", technician, codes[:1], time.Time{})
	require.NoError(t, err)
	_, err = s.Recall(ctx, "SMALL", pharmacist, tracker.Recall{Lot: "D8", Reason: "maker's notice"})
	refused(t, err, "unknown")
	got, err := s.Recall(ctx, "SMALL", pharmacist, tracker.Recall{Lot: "D7", Reason: "maker's notice"})
	require.NoError(t, err)
	require.Len(t, got.Held, 2)
	require.Len(t, got.Issued, 1)
	require.Len(t, got.Closed, 1)
	require.NoError(t, s.store.Read(ctx, "SMALL", func(v tracker.View) error {
		_, err := tracker.TraceLot(ctx, v, "D8")
		require.ErrorIs(t, err, tracker.ErrNotFound)
		trace, err := tracker.TraceLot(ctx, v, "D7")
		require.NoError(t, err)
		require.Equal(t, []int{4, 1, 1, 4, 2}, []int{len(trace.Vials), len(trace.Batches), len(trace.Recalls), len(trace.Stays), len(trace.Issues)})
		require.Equal(t, "R1/A", trace.Stays[0].Place())
		require.Equal(t, []string{codes[0], "WARD"}, []string{trace.Issues[0].Vial, trace.Issues[0].To})
		require.True(t, slices.ContainsFunc(trace.Batches[0].Components, func(c stock.Component) bool { return c.Lot == "D7" }), "and back")
		return nil
	}))
	_, err = s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes[2:3], To: "WARD"})
	refused(t, err, "on_hold")
	s.recounted(t)
}
