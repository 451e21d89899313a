package tracker_test

import (
	"context"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/db"
	"vialward/db/dbtest"
	"vialward/tracker"
	"vialward/tracker/stock"
)

// setup is one tracker over a database of its own, with the clock in the test's hand.
type setup struct {
	*tracker.Tracker
	store *db.DB
	dsn   string
	now   time.Time
}

func newSetup(t *testing.T) *setup {
	t.Helper()
	dsn := dbtest.Fresh(t)
	store, err := db.Open(t.Context(), dsn)
	require.NoError(t, err)
	t.Cleanup(store.Close)
	s := &setup{store: store, dsn: dsn, now: time.Date(2025, 10, 13, 11, 5, 0, 0, time.UTC)}
	s.Tracker = &tracker.Tracker{Store: store, Now: func() time.Time { return s.now }, Log: slog.New(slog.DiscardHandler)}
	return s
}

// In these tests whoever signs has given their password a moment ago, unless a test asks the tracker itself.
func (s *setup) signing(a tracker.Actor) tracker.Actor {
	if a.Via != tracker.ViaAccount && a.Via != tracker.ViaDaemon {
		a.Proof = &tracker.Proof{Person: a.Person.Code, Method: tracker.ByPassword, At: s.now}
	}
	return a
}

func (s *setup) LoadSite(ctx context.Context, a tracker.Actor, site stock.Site) ([]string, error) {
	return s.Tracker.LoadSite(ctx, s.signing(a), site)
}

func (s *setup) Verify(ctx context.Context, site string, a tracker.Actor, vials []string, at time.Time) (tracker.Handled, error) {
	return s.Tracker.Verify(ctx, site, s.signing(a), vials, at)
}

func (s *setup) Lift(ctx context.Context, site string, a tracker.Actor, h tracker.Hold) (tracker.Handled, error) {
	return s.Tracker.Lift(ctx, site, s.signing(a), h)
}

func (s *setup) Release(ctx context.Context, site string, a tracker.Actor, r tracker.Release) (tracker.Handled, error) {
	return s.Tracker.Release(ctx, site, s.signing(a), r)
}

func (s *setup) Shorten(ctx context.Context, site string, a tracker.Actor, x tracker.Shorten) (tracker.Handled, error) {
	return s.Tracker.Shorten(ctx, site, s.signing(a), x)
}

func (s *setup) ConfirmSweep(ctx context.Context, site string, a tracker.Actor, number int, at time.Time) (tracker.SweepRow, error) {
	return s.Tracker.ConfirmSweep(ctx, site, s.signing(a), number, at)
}

func (s *setup) events(t *testing.T, code string) []stock.Event {
	t.Helper()
	var out []stock.Event
	require.NoError(t, s.store.Read(t.Context(), code, func(v tracker.View) (err error) {
		out, err = v.Events(t.Context(), tracker.EventQuery{})
		return err
	}))
	return out
}

var (
	stranger   = tracker.Account("root")
	pharmacist = tracker.Actor{Person: stock.Person{Code: "rph-1", Roles: []string{stock.Pharmacist}}, Via: "token"}
	technician = tracker.Actor{Person: stock.Person{Code: "tech-1", Roles: []string{stock.Technician}}, Via: "token"}
)

// smallSite is sound and small; each call gives one of its own to change.
func smallSite() stock.Site {
	year := time.Date(2025, 1, 1, 5, 0, 0, 0, time.UTC)
	everyDay := stock.Weekdays
	allowed := 60
	rule := func(kind string, limit int32, delay time.Duration) stock.AlarmRule {
		return stock.AlarmRule{Kind: kind, LimitMilliC: limit, Delay: delay, Severity: "high", Hold: true, Source: "site policy (invented)", ForClass: stock.Refrigerator}
	}
	product := func(code, name string) stock.Product {
		return stock.Product{
			Code: code, Name: name, Amount: 40_000, Volume: 10_000, Container: "vial", ContainerL: 20_000, Category: "2", Method: "aseptic",
			Storage: stock.Refrigerator, AllowedOutMinutes: &allowed, AllowedOutSource: "invented", BenchMinutes: 30, Disposal: "black box", ApprovedBy: "rph-1",
			Stability:  []stock.StabilityRow{{Diluent: "water", Storage: stock.Refrigerator, Minutes: 96 * 60, Source: "invented", Tag: "M", ConfirmedBy: "rph-1"}},
			Components: []stock.ComponentUse{{Name: name, Powder: true, PerVial: 40_000}, {Name: "water", Diluent: true}},
			Costs:      []stock.Cost{{From: year, Cents: 685}},
		}
	}
	return stock.Site{
		Code: "SMALL", Name: "Small Pharmacy", Zone: "America/New_York", Unit: "Cel", ConfirmMinutes: 60, LateEntryHours: 24,
		Staffed: []stock.Hours{{Days: everyDay, From: "06:00", To: "20:00"}},
		Sweeps:  []stock.Slot{{Days: everyDay, At: "07:00"}},
		Rooms: []stock.RoomPlace{{Code: "Q", Units: []stock.Unit{
			{Code: "R1", Class: stock.Refrigerator, Shelves: []stock.Shelf{{Code: "A"}, {Code: "B"}}, Capacity: 60},
			{Code: "R2", Class: stock.Refrigerator, Shelves: []stock.Shelf{{Code: "A"}}},
		}}},
		Areas: []stock.Area{{Code: "PA", Statuses: []stock.AreaStatus{{From: year, Category: "2"}}}},
		Rules: []stock.AlarmRule{rule("warm", 8000, 15*time.Minute), rule("cold", 2000, 15*time.Minute), rule("freeze", 0, 0), rule("no_data", 0, 15*time.Minute)},
		Sensors: []stock.Sensor{{
			Code: "T1", Interval: 5 * time.Minute, DeliversEvery: 5 * time.Minute, MaxGap: 30 * time.Minute, SilentAfterMins: 15,
			Assignments:  []stock.Assignment{{Unit: "R1", From: year}},
			Calibrations: []stock.Calibration{{Certificate: "C-1", From: year, Due: year.AddDate(1, 0, 0), UncertaintyMilliC: 300}},
		}},
		Products: []stock.Product{product("PANT", "pantoprazole"), product("MICA", "micafungin")},
		People: []stock.Person{
			{Code: "rph-1", Mail: "rph-1@small.example", Roles: []string{stock.Pharmacist}, Competencies: able(year, stock.Aseptic, stock.Verifying, stock.Releasing)},
			{Code: "tech-1", Roles: []string{stock.Technician}, Competencies: able(year, stock.Aseptic, stock.Hazardous)},
		},
		Routes:  []stock.Route{{Kinds: []string{"all"}, To: []string{"rph-1"}}},
		Reasons: []stock.WasteCause{{Code: "expired", Words: "expired on the shelf", Class: "avoidable"}},
	}
}

// able is competencies for two years.
func able(from time.Time, what ...string) []stock.Competency {
	var all []stock.Competency
	for _, w := range what {
		all = append(all, stock.Competency{What: w, AssessedBy: "the trainer", From: from, Until: from.AddDate(2, 0, 0)})
	}
	return all
}

// take puts one vial of a product on a shelf, as stock taken over.
func (s *setup) take(t *testing.T, code, product, place string) {
	t.Helper()
	bud := s.now.Add(48 * time.Hour).Truncate(time.Minute)
	require.NoError(t, s.store.In(t.Context(), "SMALL", func(tx tracker.Tx) error {
		ctx := t.Context()
		b := stock.Batch{Code: code, Product: product, Version: 1, StartedAt: s.now, CompletedAt: s.now, PreparedBy: "(before)", TakenOver: true, BUD: bud}
		e := stock.Event{Kind: stock.TakenOver, At: s.now, EnteredAt: s.now, By: "rph-1", Via: "token", Vials: []string{code + "-01"}, Body: stock.Body{Batch: code, Product: product, Version: 1, BUD: &bud, To: place}}
		if err := tx.NewBatch(b, bud, nil); err != nil {
			return err
		}
		if err := tx.Append(ctx, &e); err != nil {
			return err
		}
		before := stock.Vial{Site: e.Site, Code: code + "-01", Serial: 1}
		after, err := before.Apply(e)
		if err != nil {
			return err
		}
		return tx.SaveVials(ctx, e, []stock.Vial{before}, []stock.Vial{after})
	}))
}

func TestFirstLoadThenTheSameChangesNothing(t *testing.T) {
	t.Parallel()
	s := newSetup(t)
	changes, err := s.LoadSite(t.Context(), stranger, smallSite())
	require.NoError(t, err)
	require.Equal(t, []string{"site SMALL set up: 2 storage units, 1 sensors, 2 products, 2 people"}, changes)

	shown, err := s.ShowSite(t.Context(), "SMALL")
	require.NoError(t, err)
	want := smallSite()
	want.ID, want.Version = shown.ID, 1
	for i := range want.Products {
		want.Products[i].Version = 1
	}
	require.Equal(t, want, shown)

	changes, err = s.LoadSite(t.Context(), pharmacist, smallSite())
	require.NoError(t, err)
	require.Empty(t, changes)
	events := s.events(t, "SMALL")
	require.Len(t, events, 1)
	require.Equal(t, stock.SiteLoaded, events[0].Kind)
	require.Equal(t, "root", events[0].By)
	require.Equal(t, "account", events[0].Via)
	require.Equal(t, s.now, events[0].At)
}

func TestChangedProductIsANewVersionAndADraftUntilApproved(t *testing.T) {
	t.Parallel()
	s := newSetup(t)
	who := stranger
	load := func(change func(*stock.Site)) ([]string, stock.Product) {
		t.Helper()
		site := smallSite()
		change(&site)
		changes, err := s.LoadSite(t.Context(), who, site)
		require.NoError(t, err)
		shown, err := s.ShowSite(t.Context(), "SMALL")
		require.NoError(t, err)
		return changes, shown.Products[0]
	}
	_, p := load(func(*stock.Site) {})
	require.Equal(t, 1, p.Version)
	who = pharmacist

	changes, p := load(func(s *stock.Site) {
		s.Products[0].Stability[0].Minutes = 72 * 60
		s.Products[0].Stability[0].ConfirmedBy, s.Products[0].ApprovedBy = "", ""
	})
	require.Equal(t, 2, p.Version)
	require.Contains(t, p.DraftBecause, "approval")
	require.Contains(t, p.DraftBecause, "confirmation of the stability in refrigerator storage")
	require.Contains(t, changes, "product PANT: stability 1: minutes 5760 -> 4320")
	require.Contains(t, changes, "product PANT: version 1 -> 2")
	require.Contains(t, changes, "product PANT: version 2 is a draft, "+p.DraftBecause)
	require.NotContains(t, changes, "product MICA: version 1 -> 2")

	_, p = load(func(s *stock.Site) { s.Products[0].Stability[0].Minutes = 72 * 60 })
	require.Equal(t, 3, p.Version)
	require.Empty(t, p.DraftBecause)

	// Taken out and put back, it goes on counting: version 1 belongs to the batches made from it.
	_, p = load(func(s *stock.Site) { s.Products = s.Products[1:] })
	require.Equal(t, "MICA", p.Code)
	_, p = load(func(*stock.Site) {})
	require.Equal(t, 4, p.Version)
	require.NoError(t, s.store.Read(t.Context(), "SMALL", func(v tracker.View) error {
		old, err := v.Product(t.Context(), "PANT", 1)
		require.NoError(t, err)
		require.Equal(t, 96*60, old.Stability[0].Minutes)
		return nil
	}))
}

// A product that waited for nothing but the confirmation of a limit becomes a version that can be made from, although
// nothing of the product itself changed. The chapter's limit for a sterility test passed was read in unofficial copies
// only (USP <797>, R, confirm): it counts for nothing before a pharmacist of the site has confirmed it.
func TestConfirmingALimitEndsADraft(t *testing.T) {
	t.Parallel()
	s := newSetup(t)
	site := smallSite()
	site.Products[0].Tested = true
	limit := stock.LimitCell{Category: "2", Method: "aseptic", Tested: true, Storage: stock.Refrigerator, Days: 45, Source: "the chapter", Tag: "confirm"}
	who := stranger
	for i, step := range []struct {
		limits []stock.LimitCell
		draft  bool
	}{{nil, true}, {[]stock.LimitCell{limit}, true}, {[]stock.LimitCell{confirmed(limit)}, false}} {
		site.Limits = step.limits
		_, err := s.LoadSite(t.Context(), who, site)
		require.NoError(t, err)
		who = pharmacist
		shown, err := s.ShowSite(t.Context(), "SMALL")
		require.NoError(t, err)
		require.Equal(t, step.draft, shown.Products[0].DraftBecause != "", "step %d: %s", i, shown.Products[0].DraftBecause)
		require.Empty(t, shown.Products[1].DraftBecause, "the other product is judged by another cell")
	}
}

func confirmed(l stock.LimitCell) stock.LimitCell {
	l.ConfirmedBy = "rph-1"
	return l
}

func TestLimitsAreHeldAgainstTheChapters(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		change   func(*stock.Site)
		key, say string
	}{
		"longer than the chapter": {func(s *stock.Site) {
			s.Limits = []stock.LimitCell{{Category: "2", Method: "aseptic", Storage: stock.Refrigerator, Days: 11, Source: "x", ConfirmedBy: "rph-1"}}
		}, "limits[1]", "may only shorten"},
		"a cell the chapter does not have": {func(s *stock.Site) {
			s.Limits = []stock.LimitCell{{Category: "1", Storage: stock.Freezer, Days: 1, Source: "x", ConfirmedBy: "rph-1"}}
		}, "limits[1]", "no limit for Category 1"},
		"a product without a cell": {func(s *stock.Site) { s.Products[1].Category, s.Products[1].Tested = "3", false }, "products[2].category", "no limit for Category 3"},
		"signed off by nobody": {func(s *stock.Site) {
			s.Limits = []stock.LimitCell{{Category: "2", Method: "aseptic", Storage: stock.Refrigerator, Days: 9, Source: "x"}}
		}, "limits[1].confirmed_by", "signed this limit off"},
	} {
		site := smallSite()
		c.change(&site)
		found := tracker.CheckSite(&site)
		require.True(t, slices.ContainsFunc(found, func(m stock.Mistake) bool {
			return m.Key == c.key && !m.Warning && strings.Contains(m.Say, c.say)
		}), "%s: %v", name, found)
	}
}

func TestAMistakeLoadsNothingAndListsEverything(t *testing.T) {
	t.Parallel()
	s := newSetup(t)
	site := smallSite()
	site.Zone = "America/Nowhere"
	site.Products[1].ApprovedBy = "tech-1"
	site.Routes[0].To = []string{"rph-9"}
	_, err := s.LoadSite(t.Context(), stranger, site)
	var wrong *tracker.SiteMistakes
	require.ErrorAs(t, err, &wrong)
	var keys []string
	for _, m := range wrong.List {
		keys = append(keys, m.Key)
	}
	require.Equal(t, []string{"zone", "products[2].approved_by", "routes[1].to[1]"}, keys)
	sites, err := s.store.Sites(t.Context())
	require.NoError(t, err)
	require.Empty(t, sites)
}

func TestMailThatReachesNobodyIsAMistake(t *testing.T) {
	t.Parallel()
	site := smallSite()
	site.Routes[0].Kinds = []string{"warm", "sweep_list"}
	found := tracker.CheckSite(&site)
	require.True(t, slices.ContainsFunc(found, func(m stock.Mistake) bool { return m.Key == "routes" && !m.Warning }))
	site.Routes[0].Kinds = []string{"all", "smoke"}
	require.Equal(t, "routes[1].kinds[2]", tracker.CheckSite(&site)[1].Key, "after the warning that nothing watches R2")
}

func TestNothingIsTakenFromUnderStock(t *testing.T) {
	t.Parallel()
	s := newSetup(t)
	_, err := s.LoadSite(t.Context(), stranger, smallSite())
	require.NoError(t, err)
	s.take(t, "PANT-1", "PANT", "R1/B")
	s.take(t, "PANT-2", "PANT", "R2/A")

	for name, c := range map[string]struct {
		change func(*stock.Site)
		say    []string
	}{
		"product": {func(s *stock.Site) { s.Products = s.Products[1:] }, []string{"PANT is gone from the file, but 2 of its vials are not closed"}},
		"unit":    {func(s *stock.Site) { s.Rooms[0].Units = s.Rooms[0].Units[:1] }, []string{"R2 is gone from the file, but 1 vials are in it"}},
		"shelf":   {func(s *stock.Site) { s.Rooms[0].Units[0].Shelves = s.Rooms[0].Units[0].Shelves[:1] }, []string{"shelf B of R1 is gone from the file, but 1 vials are on it"}},
		"class": {func(s *stock.Site) {
			s.Rooms[0].Units[1].Class = stock.Room
			for _, r := range s.Rules {
				r.ForClass = stock.Room
				s.Rules = append(s.Rules, r)
			}
		}, []string{"R2 was a refrigerator and would be a room, with 1 vials in it"}},
		"hazardous": {func(s *stock.Site) { s.Rooms[0].Units[1].HazardousOnly = true }, []string{"R2 would be for hazardous products only, with 1 other vials in it"}},
		"all at once": {func(s *stock.Site) {
			s.Products = s.Products[1:]
			s.Rooms[0].Units = s.Rooms[0].Units[:1]
		}, []string{"PANT is gone", "R2 is gone"}},
	} {
		site := smallSite()
		c.change(&site)
		_, err := s.LoadSite(t.Context(), pharmacist, site)
		var wrong *tracker.SiteMistakes
		require.ErrorAs(t, err, &wrong, name)
		require.Len(t, wrong.List, len(c.say), name)
		for _, say := range c.say {
			require.ErrorContains(t, err, say, name)
		}
	}
	shown, err := s.ShowSite(t.Context(), "SMALL")
	require.NoError(t, err)
	require.Equal(t, 1, shown.Version)

	// The empty shelf may go, and the product nobody has.
	site := smallSite()
	site.Rooms[0].Units[0].Shelves = site.Rooms[0].Units[0].Shelves[1:]
	site.Products = site.Products[:1]
	changes, err := s.LoadSite(t.Context(), pharmacist, site)
	require.NoError(t, err)
	require.Equal(t, []string{"product MICA taken out", "unit R1: shelf A taken out"}, changes)
}

func TestASensorThatMeasuredStays(t *testing.T) {
	t.Parallel()
	s := newSetup(t)
	site := smallSite()
	_, err := s.LoadSite(t.Context(), stranger, site)
	require.NoError(t, err)
	require.NoError(t, s.store.In(t.Context(), "SMALL", func(tx tracker.Tx) error {
		now, err := tx.LockSensor(t.Context(), "T1")
		require.NoError(t, err)
		now.Sensor, now.LastAt, now.LastReceipt, now.LastMilliC = "T1", s.now, s.now, 4700
		return tx.SaveSensor(t.Context(), now)
	}))
	site.Sensors = nil
	_, err = s.LoadSite(t.Context(), pharmacist, site)
	require.ErrorContains(t, err, "T1 is gone from the file, but its readings are in the record")
}

func TestWhoMayLoadASite(t *testing.T) {
	t.Parallel()
	s := newSetup(t)
	_, err := s.LoadSite(t.Context(), pharmacist, smallSite())
	require.ErrorContains(t, err, "the first load is done on the machine itself")
	_, err = s.ShowSite(t.Context(), "SMALL")
	require.ErrorIs(t, err, tracker.ErrNotFound)

	_, err = s.LoadSite(t.Context(), stranger, smallSite())
	require.NoError(t, err)
	changed := smallSite()
	changed.Name = "Other Pharmacy"
	_, err = s.LoadSite(t.Context(), technician, changed)
	require.ErrorContains(t, err, "tech-1 may not change what is set up about the site")
	_, err = s.LoadSite(t.Context(), stranger, changed)
	require.Error(t, err, "after the first load people are known, and root is none of them")
}

func TestChangesAreToldInWords(t *testing.T) {
	t.Parallel()
	s := newSetup(t)
	_, err := s.LoadSite(t.Context(), stranger, smallSite())
	require.NoError(t, err)
	for _, c := range []struct {
		change func(*stock.Site)
		want   []string
	}{
		{func(s *stock.Site) { s.Rooms[0].Units[0].Capacity = 80 }, []string{"unit R1: capacity 60 -> 80"}},
		{func(s *stock.Site) { s.Sensors[0].MaxGap = time.Hour }, []string{"sensor T1: max gap 30m0s -> 1h0m0s"}},
		{func(s *stock.Site) { s.Rules[0].LimitMilliC = 7500 }, []string{"site: rules 1: limit 8 °C -> 7.5 °C"}},
		{func(s *stock.Site) { slices.Reverse(s.Rooms[0].Units) }, []string{"room Q: order of units is now R2, R1"}},
		{func(s *stock.Site) { s.Currency = "USD" }, []string{`site: currency nothing -> "USD"`}},
		{func(s *stock.Site) { s.Destinations = []stock.Dest{{Code: "WARD", MarginMinutes: 30}} }, []string{"destination WARD added"}},
		{func(s *stock.Site) { s.People[1].Roles = []string{stock.Technician, stock.OnCall} },
			[]string{`person tech-1: roles ["technician"] -> ["technician","on call"]`}},
		{func(s *stock.Site) {
			s.Sensors[0].Assignments[0].To = time.Date(2025, 10, 13, 4, 0, 0, 0, time.UTC)
			s.Sensors[0].Assignments = append(s.Sensors[0].Assignments, stock.Assignment{Unit: "R2", From: time.Date(2025, 10, 13, 4, 0, 0, 0, time.UTC)})
		}, []string{
			`sensor T1: assignments 1: to nothing -> "2025-10-13T04:00:00Z"`, `sensor T1: assignments 2 added, {"from":"2025-10-13T04:00:00Z","unit":"R2"}`,
		}},
	} {
		site := smallSite()
		c.change(&site)
		changes, err := s.LoadSite(t.Context(), pharmacist, site)
		require.NoError(t, err)
		require.Equal(t, c.want, changes)
		events := s.events(t, "SMALL")
		last := events[len(events)-1]
		require.Contains(t, last.Body.Details, c.want[0][:10])
		require.Equal(t, "rph-1", last.By)
		_, err = s.LoadSite(t.Context(), pharmacist, smallSite()) // back to the start for the next one
		require.NoError(t, err)
	}
}
