package config

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/beyonduse"
	"vialward/tracker/stock"
)

// The invented site's figures, as its story tells them (C): what a rule or a page later makes of them depends on these.
func TestDemoSiteIsTheStorys(t *testing.T) {
	s, problems := ReadSite([]byte(readFile(t, demoSite)))
	require.Empty(t, problems)

	hours := map[string]int{"HYDC": 168, "METH": 96, "PANT": 96, "MICA": 48, "GANC": 216, "BORT": 144, "ALTE": 24, "VECU": 132}
	allowed := map[string]int{"HYDC": 480, "METH": 240, "PANT": 60, "MICA": 120, "GANC": 720, "BORT": 90, "ALTE": 60, "VECU": 360}
	cents := map[string]int64{"HYDC": 940, "METH": 1410, "PANT": 685, "MICA": 5800, "GANC": 4150, "BORT": 21200, "ALTE": 70500, "VECU": 1120}
	names := map[string]string{
		"HYDC": "hydrocortisone sodium succinate 100 mg / 10 mL (10 mg/mL)",
		"METH": "methylPREDNISolone sodium succinate 80 mg / 2 mL (40 mg/mL)",
		"PANT": "pantoprazole 40 mg / 10 mL (4 mg/mL)",
		"MICA": "micafungin 100 mg / 10 mL (10 mg/mL)",
		"GANC": "ganciclovir 100 mg / 20 mL (5 mg/mL)",
		"BORT": "bortezomib 3.5 mg / 3.5 mL (1 mg/mL)",
		"ALTE": "alteplase 2 mg / 2 mL (1 mg/mL)",
		"VECU": "vecuronium 10 mg / 10 mL (1 mg/mL)",
	}
	require.Len(t, s.Products, len(hours))
	table, err := beyonduse.Shipped().With(s.Limits)
	require.NoError(t, err)
	for _, p := range s.Products {
		i := slices.IndexFunc(p.Stability, func(r stock.StabilityRow) bool { return r.Storage == stock.Refrigerator && r.Covers(p.Concentration()) })
		row := p.Stability[i]
		a, err := beyonduse.Compute(beyonduse.Input{
			Zone: s.Location(), StartedAt: time.Date(2025, 10, 13, 12, 30, 0, 0, time.UTC), Storage: p.Storage, Table: table,
			Sterility: beyonduse.Sterility{Category: p.Category, Method: p.Method, Tested: p.Tested, Nonsterile: p.Nonsterile},
			Stability: beyonduse.StabilityOf(p, row.Diluent, p.Concentration()),
		})
		require.NoError(t, err)
		require.Equal(t, beyonduse.LimitStability, a.GovernedBy, p.Code)
		require.Equal(t, hours[p.Code], int(a.BeyondUse.Sub(time.Date(2025, 10, 13, 12, 30, 0, 0, time.UTC)).Hours()), p.Code)
		require.Equal(t, hours[p.Code]*60, row.Minutes, p.Code)
		require.Contains(t, row.Source, "invented")
		require.Equal(t, allowed[p.Code], *p.AllowedOutMinutes, p.Code)
		require.Contains(t, p.AllowedOutSource, "invented")
		require.Equal(t, cents[p.Code], p.CostAt(time.Date(2025, 11, 12, 12, 5, 0, 0, time.UTC)), p.Code)
		require.Equal(t, names[p.Code], p.FullName())
		require.Equal(t, p.Code == "GANC" || p.Code == "BORT", p.Hazardous, p.Code)
		require.Equal(t, p.Code == "BORT", p.TwoPersons, p.Code)
		require.Empty(t, p.Unconfirmed(), p.Code)
	}
	for _, p := range s.People {
		require.True(t, strings.HasSuffix(p.Mail, ".example"), p.Mail)
	}
}

func TestDemoSitesDefrostIsShorterThanItsRule(t *testing.T) {
	s, _ := ReadSite([]byte(readFile(t, demoSite)))
	u, room, ok := s.UnitAt("R3")
	require.True(t, ok)
	require.Equal(t, "Q-124", room.Code)
	for _, r := range s.RulesOf(u) {
		if r.Kind == "warm" {
			// 12 min of 8.6 °C, read each 5 min: with the crossings on the way up and down at most two intervals more.
			require.GreaterOrEqual(t, r.Delay, 12*time.Minute+5*time.Minute)
		}
	}
}

func TestDemoSitesProbesAreWhereTheStoryPutsThem(t *testing.T) {
	s, _ := ReadSite([]byte(readFile(t, demoSite)))
	at := time.Date(2025, 10, 13, 12, 0, 0, 0, time.UTC)
	want := map[string]struct {
		unit    string
		shelves []string
		every   time.Duration
	}{
		"T1": {"R1", nil, 5 * time.Minute}, "T2": {"R6", []string{"A", "B", "C"}, 5 * time.Minute}, "T3": {"R6", []string{"D"}, 5 * time.Minute},
		"T4": {"R3", nil, 5 * time.Minute}, "T5": {"R4", nil, 10 * time.Minute}, "T6": {"R5", nil, 15 * time.Minute}, "T7": {"R2", nil, 5 * time.Minute},
	}
	require.Len(t, s.Sensors, len(want))
	for code, w := range want {
		x, ok := s.Sensor(code)
		require.True(t, ok, code)
		a, ok := x.At(at)
		require.True(t, ok, code)
		require.Equal(t, w.unit, a.Unit, code)
		require.Equal(t, w.shelves, a.Shelves, code)
		require.Equal(t, w.every, x.Interval, code)
		require.Equal(t, w.every, x.DeliversEvery, code)
	}
	u, _, _ := s.UnitAt("R6")
	require.True(t, u.HazardousOnly)
	shelf, _ := u.Shelf("D")
	require.True(t, shelf.ColdSpot)
}
