package beyonduse_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/beyonduse"
	"vialward/tracker/stock"
)

// prepared is a hydrocortisone vial in a New York refrigerator, Category 2, aseptic, only sterile components: four days
// of stability against the chapter's ten. Stability figures here are invented.
func prepared(t interface {
	require.TestingT
	Helper()
},
) beyonduse.Input {
	t.Helper()
	return beyonduse.Input{
		Zone: zone(t, "America/New_York"), StartedAt: at(t, "2026-06-01T08:30:00-04:00"), Storage: fridge,
		Sterility: beyonduse.Sterility{Category: "2", Method: "aseptic"}, Table: beyonduse.Shipped(),
		Stability: []beyonduse.Stability{
			{Storage: fridge, For: 96 * time.Hour, Source: "invented, refrigerator", Confirmed: true},
			{Storage: room, For: 24 * time.Hour, Source: "invented, room", Confirmed: true},
		},
		Components: []stock.Component{{Name: "hydrocortisone sodium succinate", Lot: "H1", Expires: "2027-01"}},
	}
}

func hours(n int) *time.Duration { d := time.Duration(n) * time.Hour; return &d }

// Which limit governs, and that all of them are kept in their order.
func TestTheEarliestGoverns(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*beyonduse.Input)
		bud    string
		by     string
		limits []string
	}{
		"stability": {func(*beyonduse.Input) {}, "2026-06-05T08:30:00-04:00", "stability", []string{"sterility", "stability", "component"}},
		"sterility": {
			func(in *beyonduse.Input) { in.Stability[0].For = 500 * time.Hour },
			"2026-06-11T08:30:00-04:00", "sterility", []string{"sterility", "stability", "component"},
		},
		"component": {
			func(in *beyonduse.Input) { in.Components[0].Expires = "2026-06-02" },
			"2026-06-03T00:00:00-04:00", "component", []string{"sterility", "stability", "component"},
		},
		"component's own BUD, a date": { // compounded or repackaged: ends with the day's start
			func(in *beyonduse.Input) {
				in.Components = append(in.Components, stock.Component{Name: "diluent syringe", Lot: "S", BeyondUse: "2026-06-02"})
			},
			"2026-06-02T00:00:00-04:00", "component", []string{"sterility", "stability", "component", "component"},
		},
		"cap": {
			func(in *beyonduse.Input) { in.Cap = hours(12) },
			"2026-06-01T20:30:00-04:00", "cap", []string{"sterility", "stability", "component", "cap"},
		},
		"equal: sterility before stability": {
			func(in *beyonduse.Input) { in.Stability[0].For = 240 * time.Hour },
			"2026-06-11T08:30:00-04:00", "sterility", []string{"sterility", "stability", "component"},
		},
		"equal: stability before component before cap": {
			func(in *beyonduse.Input) {
				in.Cap, in.Components[0].Expires = hours(96), "2026-06-05T08:30:00-04:00"
			},
			"2026-06-05T08:30:00-04:00", "stability", []string{"sterility", "stability", "component", "cap"},
		},
		"equal: component before cap": {
			func(in *beyonduse.Input) { in.Cap, in.Components[0].Expires = hours(12), "2026-06-01T20:30:00-04:00" },
			"2026-06-01T20:30:00-04:00", "component", []string{"sterility", "stability", "component", "cap"},
		},
		"two rows for one class: both count": {
			func(in *beyonduse.Input) {
				in.Stability = append(in.Stability, beyonduse.Stability{Storage: fridge, For: 95 * time.Hour, Source: "a second study"})
			},
			"2026-06-05T07:30:00-04:00", "stability", []string{"sterility", "stability", "stability", "component"},
		},
		"seconds are cut, never rounded up": {
			func(in *beyonduse.Input) { in.StartedAt = in.StartedAt.Add(59*time.Second + 999*time.Millisecond) },
			"2026-06-05T08:30:00-04:00", "stability", []string{"sterility", "stability", "component"},
		},
		"no components": {
			func(in *beyonduse.Input) { in.Components = nil },
			"2026-06-05T08:30:00-04:00", "stability", []string{"sterility", "stability"},
		},
	} {
		t.Run(name, func(t *testing.T) {
			in := prepared(t)
			c.change(&in)
			got, err := beyonduse.Compute(in)
			require.NoError(t, err)
			require.Equal(t, c.bud, got.BeyondUse.In(in.Zone).Format(time.RFC3339))
			require.Equal(t, c.by, got.GovernedBy)
			var limits []string
			for _, k := range got.Candidates {
				limits = append(limits, k.Limit)
				require.NotEmpty(t, k.Source)
				require.Equal(t, time.UTC, k.BeyondUse.Location())
			}
			require.Equal(t, c.limits, limits)
		})
	}
}

// Common practice, no source (T): reconstituted, made up to volume and refrigerated, five days, where the site holds
// stability data for it. Shorter than the chapter's ten days, so stability governs.
func TestFiveDaysByStability(t *testing.T) {
	in := prepared(t)
	in.Stability[0] = beyonduse.Stability{Storage: fridge, For: 5 * 24 * time.Hour, Source: "site's own stability data (invented)"}
	got, err := beyonduse.Compute(in)
	require.NoError(t, err)
	require.Equal(t, "stability", got.GovernedBy)
	require.Equal(t, "Sat 6 Jun 2026 08:30 EDT", got.BeyondUse.In(in.Zone).Format("Mon 2 Jan 2006 15:04 MST"))
}

// Each reason against a date is a sentence that says which cell, row or component it is; all are listed.
func TestNoDate(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*beyonduse.Input)
		why    []string
	}{
		"no cell":      {func(in *beyonduse.Input) { in.Sterility.Category = "3" }, []string{"no limit for Category 3, aseptic, not sterility tested, only sterile components, in the refrigerator"}},
		"never stored": {func(in *beyonduse.Input) { in.Sterility.Category = "immediate" }, []string{"immediate use in the refrigerator: such a preparation is never stored"}},
		"no row":       {func(in *beyonduse.Input) { in.Storage = freezer }, []string{"no stability row for the freezer"}},
		"no cell and no row": {
			func(in *beyonduse.Input) { in.Sterility.Category, in.Storage = "1", freezer },
			[]string{"no limit for Category 1, in the freezer", "no stability row for the freezer"},
		},
		"unknown storage":   {func(in *beyonduse.Input) { in.Storage = "shelf" }, []string{`no limit for`, `no stability row for storage "shelf"`}},
		"unknown method":    {func(in *beyonduse.Input) { in.Sterility.Method = "boiled" }, []string{`method "boiled"`}},
		"cap of nothing":    {func(in *beyonduse.Input) { in.Cap = hours(0) }, []string{"The site's cap is 0 h"}},
		"cap below nothing": {func(in *beyonduse.Input) { in.Cap = hours(-2) }, []string{"The site's cap is -2 h"}},
		"expired component": {func(in *beyonduse.Input) { in.Components[0].Expires = "2026-05" }, []string{"lot H1, expires 2026-05) ends Mon 1 Jun 2026 00:00 EDT, not after the start"}},
		"ends at the start": {func(in *beyonduse.Input) { in.Components[0].Expires = "2026-06-01T08:30:00-04:00" }, []string{"not after the start"}},
		"within its minute": {func(in *beyonduse.Input) { in.Stability[0].For = 59 * time.Second }, []string{"not after the start"}},
		"stability of 0 h":  {func(in *beyonduse.Input) { in.Stability[0].For = 0 }, []string{"invented, refrigerator) ends"}},
		"no printed end":    {func(in *beyonduse.Input) { in.Components[0].Expires = "" }, []string{"lot H1 has neither an expiry nor a beyond-use date"}},
		"no such date":      {func(in *beyonduse.Input) { in.Components[0].Expires = "2026-02-30" }, []string{`"2026-02-30" is no expiry`}},
		"month as a BUD":    {func(in *beyonduse.Input) { in.Components[0].BeyondUse = "2026-08" }, []string{`"2026-08" is no beyond-use date`}},
		"no zone":           {func(in *beyonduse.Input) { in.Zone = nil }, []string{"No zone"}},
		"two dead components": {func(in *beyonduse.Input) {
			in.Components = []stock.Component{{Name: "a", Expires: "2025-01"}, {Name: "b", Expires: "2024-01"}}
		}, []string{"(a, expires 2025-01)", "(b, expires 2024-01)"}},
	} {
		t.Run(name, func(t *testing.T) {
			in := prepared(t)
			c.change(&in)
			got, err := beyonduse.Compute(in)
			require.Equal(t, beyonduse.Answer{}, got)
			var no *beyonduse.NoDate
			require.ErrorAs(t, err, &no)
			require.Len(t, no.Why, len(c.why))
			for i, w := range c.why {
				require.Contains(t, no.Why[i], w)
			}
		})
	}
}

// Limits over a clock change, in the zone of the site. Computed with two independent tz readers (C).
func TestClockChanges(t *testing.T) {
	for name, c := range map[string]struct {
		start, bud string
		sterility  beyonduse.Sterility
		storage    stock.Storage
	}{
		"24 h in autumn":    {"2025-11-01T20:00:00-04:00", "2025-11-02T19:00:00-05:00", beyonduse.Sterility{Category: "1"}, fridge},
		"24 h in spring":    {"2026-03-07T20:00:00-05:00", "2026-03-08T21:00:00-04:00", beyonduse.Sterility{Category: "1"}, fridge},
		"1 day in spring":   {"2026-03-07T20:00:00-05:00", "2026-03-08T20:00:00-04:00", beyonduse.Sterility{Category: "2", Method: "aseptic", Nonsterile: true}, room},
		"1 day in autumn":   {"2025-11-01T20:00:00-04:00", "2025-11-02T19:00:00-05:00", beyonduse.Sterility{Category: "2", Method: "aseptic", Nonsterile: true}, room},
		"10 days in autumn": {"2025-10-28T09:00:00-04:00", "2025-11-07T08:00:00-05:00", beyonduse.Sterility{Category: "2", Method: "aseptic"}, fridge},
	} {
		t.Run(name, func(t *testing.T) {
			in := prepared(t)
			in.StartedAt, in.Sterility, in.Storage = at(t, c.start), c.sterility, c.storage
			in.Stability = []beyonduse.Stability{{Storage: c.storage, For: 9000 * time.Hour}}
			got, err := beyonduse.Compute(in)
			require.NoError(t, err)
			require.Equal(t, c.bud, got.BeyondUse.In(in.Zone).Format(time.RFC3339))
		})
	}
}

// What is printed on a component, and when it ends. Month = its last day: USP notice on <7> (R); the rest is this
// program's reading, the earlier where a label leaves a choice.
func TestEnds(t *testing.T) {
	for _, c := range []struct{ zone, expires, beyondUse, ends string }{
		{"America/New_York", "2026-12", "", "2027-01-01T05:00:00Z"},
		{"America/New_York", "2026-02", "", "2026-03-01T05:00:00Z"},
		{"America/New_York", "2028-02", "", "2028-03-01T05:00:00Z"}, // leap year
		{"America/New_York", "2026-12-31", "", "2027-01-01T05:00:00Z"},
		{"America/New_York", "2026-10-31", "", "2026-11-01T04:00:00Z"},
		{"America/New_York", "2026-11-01", "", "2026-11-02T05:00:00Z"}, // 25 hours
		{"America/New_York", "2026-12-31T08:30:00-05:00", "", "2026-12-31T13:30:00Z"},
		{"America/New_York", "2026-12-31T08:30:00.9Z", "", "2026-12-31T08:30:00.9Z"},
		{"America/Santiago", "2026-09-05", "", "2026-09-06T04:00:00Z"}, // the day after has no midnight
		{"America/Santiago", "", "2026-09-06", "2026-09-06T04:00:00Z"},
		{"America/New_York", "", "2026-12-31", "2026-12-31T05:00:00Z"},
		{"Pacific/Apia", "", "2026-12-31", "2026-12-30T11:00:00Z"},
		{"America/New_York", "", "2026-12-31T08:30:00+01:00", "2026-12-31T07:30:00Z"},
	} {
		end, err := beyonduse.EndOfExpiry(c.expires, zone(t, c.zone))
		if c.expires == "" {
			end, err = beyonduse.EndOfBeyondUse(c.beyondUse, zone(t, c.zone))
		}
		require.NoError(t, err)
		require.Equal(t, c.ends, end.Format(time.RFC3339Nano), c)
	}
	for _, bad := range []string{
		"", "2026", "2026-13", "2026-00", "2026-1", "26-12", "12/2026", "2026-02-29", "2026-12-32", "2026-12-31 ", "31.12.2026",
		"2026-12-31T08:30", "2026-12-31T08:30:00", "2026-12-31 08:30:00Z", "2026-12-31T24:00:00Z", "9999-12", "9999-12-31", "0001-01-01", "1972-12", "never",
	} {
		_, err := beyonduse.EndOfExpiry(bad, time.UTC)
		require.ErrorContains(t, err, "is no expiry", bad)
		_, err = beyonduse.EndOfBeyondUse(bad, time.UTC)
		require.ErrorContains(t, err, "is no beyond-use date", bad)
	}
	_, err := beyonduse.EndOfBeyondUse("2026-12", time.UTC)
	require.Error(t, err, "a month is no beyond-use date")
}

// A product's rows for a diluent at its concentration; a figure that waits for confirmation stays so.
func TestStabilityOf(t *testing.T) {
	p := stock.Product{
		Amount: 40_000, Volume: 10_000, // 4 mg/mL
		Stability: []stock.StabilityRow{
			{Diluent: "sodium chloride 0.9 %", FromMgPerML: "1", ToMgPerML: "4", Storage: fridge, Minutes: 90, Source: "a", Tag: "R"},
			{Diluent: "sodium chloride 0.9 %", FromMgPerML: "4.001", ToMgPerML: "8", Storage: fridge, Minutes: 60, Source: "b"},
			{Diluent: "dextrose 5 %", Storage: fridge, Minutes: 30, Source: "c", Tag: "M"},
			{Diluent: "dextrose 5 %", Storage: room, Minutes: 20, Source: "d", Tag: "confirm", ConfirmedBy: "rph-1"},
		},
	}
	require.Equal(t, []beyonduse.Stability{{fridge, 90 * time.Minute, "a", true}}, beyonduse.StabilityOf(p, "Sodium chloride 0.9%", p.Concentration()))
	require.Equal(t, []beyonduse.Stability{{fridge, 30 * time.Minute, "c", false}, {room, 20 * time.Minute, "d", true}}, beyonduse.StabilityOf(p, "dextrose 5 %", p.Concentration()))
	require.Empty(t, beyonduse.StabilityOf(p, "water", p.Concentration()))
	eight := stock.Concentration{Amount: 80_000, Volume: 10_000}
	require.Equal(t, []beyonduse.Stability{{fridge, 60 * time.Minute, "b", true}}, beyonduse.StabilityOf(p, "sodium chloride 0.9 %", eight))
}

func BenchmarkCompute(b *testing.B) {
	in := prepared(b)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := beyonduse.Compute(in); err != nil {
			b.Fatal(err)
		}
	}
}
