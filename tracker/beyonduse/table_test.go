package beyonduse_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/beyonduse"
	"vialward/tracker/stock"
)

const (
	room    = stock.Room
	fridge  = stock.Refrigerator
	freezer = stock.Freezer
)

func zone(t interface {
	require.TestingT
	Helper()
}, name string,
) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	require.NoError(t, err)
	return z
}

func at(t interface {
	require.TestingT
	Helper()
}, s string,
) time.Time {
	t.Helper()
	v, err := time.Parse(time.RFC3339, s)
	require.NoError(t, err)
	return v
}

// The table cell by cell: every combination of facts and storage, so that a missing cell is checked as much as one that
// is there. Hours in elapsed time, days otherwise; "" = not allowed. Figures: USP <797> (official 1 Nov 2023) as read in
// the copies named in the last column, with their tags.
func TestChapterCellByCell(t *testing.T) {
	const either = "any"
	rows := []struct {
		category, method, tested, nonsterile string
		room, refrigerator, freezer          string
		source                               string
		confirmed                            bool
	}{
		{"immediate", either, either, either, "4h", "", "", "Phar 15.34", true},                                 // R
		{"1", either, either, either, "12h", "24h", "", "Phar 15.37", true},                                     // R
		{"2", "aseptic", "no", "yes", "1d", "4d", "45d", "Phar 15.37", true},                                    // R; a copy that says 10 for the refrigerator is wrong
		{"2", "aseptic", "no", "no", "4d", "10d", "45d", "Phar 15.37", true},                                    // R
		{"2", "aseptic", "yes", either, "30d", "45d", "60d", "two unofficial copies", false},                    // R, confirm
		{"2", "terminal", "no", either, "14d", "28d", "45d", "two unofficial copies", false},                    // R, confirm
		{"2", "terminal", "yes", either, "45d", "60d", "90d", "two unofficial copies", false},                   // R, confirm
		{"3", "aseptic", "yes", either, "60d", "90d", "120d", "secondary copy", true},                           // R
		{"3", "terminal", "yes", either, "90d", "120d", "180d", "secondary copy", true},                         // R
		{"3", either, "no", either, "", "", "", "", true},                                                       // Category 3 without its tests
		{"4", either, either, either, "", "", "", "", true}, {"", either, either, either, "", "", "", "", true}, // no such category
	}
	says := func(column string, fact bool) bool { return column == either || (column == "yes") == fact }
	start := at(t, "2026-06-01T09:00:00Z") // UTC has no clock changes: a day is 24 hours here
	combinations := 0
	for _, r := range rows {
		for _, method := range []string{"aseptic", "terminal"} {
			for _, tested := range []bool{false, true} {
				for _, nonsterile := range []bool{false, true} {
					if r.method != either && r.method != method || !says(r.tested, tested) || !says(r.nonsterile, nonsterile) {
						continue
					}
					for class, limit := range map[stock.Storage]string{room: r.room, fridge: r.refrigerator, freezer: r.freezer} {
						combinations++
						s := beyonduse.Sterility{Category: r.category, Method: method, Tested: tested, Nonsterile: nonsterile}
						got, err := beyonduse.Compute(beyonduse.Input{
							Zone: time.UTC, StartedAt: start, Storage: class, Sterility: s, Table: beyonduse.Shipped(),
							Stability: []beyonduse.Stability{{Storage: class, For: 9000 * time.Hour, Source: "longer than any cell", Confirmed: true}},
						})
						if limit == "" {
							require.ErrorContains(t, err, "no limit for", "%v in %s", s, class)
							continue
						}
						require.NoError(t, err, "%v in %s", s, class)
						length, err := time.ParseDuration(strings.Replace(limit, "d", "h", 1))
						require.NoError(t, err)
						if strings.HasSuffix(limit, "d") {
							length *= 24
						}
						require.Equal(t, start.Add(length), got.BeyondUse, "%v in %s", s, class)
						require.Equal(t, "sterility", got.GovernedBy)
						require.Contains(t, got.Candidates[0].Source, r.source)
						require.Equal(t, r.confirmed, got.Candidates[0].Confirmed)
					}
				}
			}
		}
	}
	require.Equal(t, 6*8*3, combinations, "six categories, every combination of facts and storage, none twice")
}

func TestShippedHasNoCellTwice(t *testing.T) {
	table := beyonduse.Shipped()
	require.Len(t, table, 24) // 7 rows of three, two of Category 1, one of immediate use
	for i, c := range table {
		require.NotEqual(t, c.Hours > 0, c.Days > 0, c)
		for _, o := range table[:i] {
			same := c.Category == o.Category && c.Storage == o.Storage && c.Method == o.Method &&
				(c.Tested == o.Tested || c.Tested == beyonduse.Either || o.Tested == beyonduse.Either) &&
				(c.Nonsterile == o.Nonsterile || c.Nonsterile == beyonduse.Either || o.Nonsterile == beyonduse.Either)
			require.False(t, same, "%v and %v answer the same preparation", c, o)
		}
	}
}

func TestLowerCategory(t *testing.T) {
	for _, c := range []struct{ product, area, want string }{
		{"2", "3", "2"}, {"3", "2", "2"}, {"2", "1", "1"}, {"1", "1", "1"}, {"immediate", "3", "immediate"},
		{"2", "", ""}, {"", "", ""}, {"2", "4", ""}, {"two", "2", ""},
	} {
		require.Equal(t, c.want, beyonduse.Lower(c.product, c.area), c)
		require.Equal(t, c.want, beyonduse.Lower(c.area, c.product), c)
	}
}

// What a site may do to the shipped table.
func TestSiteCells(t *testing.T) {
	cell := func(change func(*stock.LimitCell)) stock.LimitCell {
		l := stock.LimitCell{Category: "2", Method: "aseptic", Storage: fridge, Days: 9, Source: "site's procedure"}
		change(&l)
		return l
	}
	for name, c := range map[string]struct {
		own   stock.LimitCell
		wrong string
	}{
		"shorter":               {cell(func(*stock.LimitCell) {}), ""},
		"the same, in hours":    {cell(func(l *stock.LimitCell) { l.Days, l.Hours = 0, 240 }), ""},
		"longer":                {cell(func(l *stock.LimitCell) { l.Days = 11 }), "11 days, longer than the chapter's 10 days"},
		"longer, not confirmed": {cell(func(l *stock.LimitCell) { l.Tested, l.Days = true, 46 }), ""},
		"no such cell":          {cell(func(l *stock.LimitCell) { l.Category, l.Storage = "1", freezer }), "no limit for Category 1, in the freezer"},
		"hours and days":        {cell(func(l *stock.LimitCell) { l.Hours = 9 }), "hours or days, not both"},
		"neither":               {cell(func(l *stock.LimitCell) { l.Days = 0 }), "hours or days, not both"},
		"negative":              {cell(func(l *stock.LimitCell) { l.Days = -1 }), "above 0"},
		"absurd":                {cell(func(l *stock.LimitCell) { l.Days = 4000 }), "up to a year"},
		"no source":             {cell(func(l *stock.LimitCell) { l.Source = "" }), "no source"},
	} {
		t.Run(name, func(t *testing.T) {
			table, err := beyonduse.Shipped().With([]stock.LimitCell{c.own})
			if c.wrong != "" {
				require.ErrorContains(t, err, c.wrong)
				require.Equal(t, beyonduse.Shipped(), table)
				return
			}
			require.NoError(t, err)
			got, err := beyonduse.Compute(beyonduse.Input{
				Zone: time.UTC, StartedAt: at(t, "2026-06-01T09:00:00Z"), Storage: fridge, Table: table,
				Sterility: beyonduse.Sterility{Category: c.own.Category, Method: c.own.Method, Tested: c.own.Tested},
				Stability: []beyonduse.Stability{{Storage: fridge, For: 9000 * time.Hour}},
			})
			require.NoError(t, err)
			length := time.Duration(c.own.Hours+24*c.own.Days) * time.Hour
			require.Equal(t, at(t, "2026-06-01T09:00:00Z").Add(length).UTC(), got.BeyondUse)
			require.Contains(t, got.Candidates[0].Source, "site's procedure")
		})
	}
}

// A figure that waits for confirmation becomes sure by a pharmacist's name, and by nothing else.
func TestSiteConfirms(t *testing.T) {
	for _, c := range []struct {
		tag, by string
		sure    bool
	}{{"confirm", "rph-1", true}, {"confirm", "", false}, {"M", "", false}, {"M", "rph-2", true}, {"R", "", true}, {"", "", true}} {
		table, err := beyonduse.Shipped().With([]stock.LimitCell{{
			Category: "2", Method: "terminal", Storage: fridge, Days: 28, Source: "official text", Tag: c.tag, ConfirmedBy: c.by,
		}})
		require.NoError(t, err)
		got, err := beyonduse.Compute(beyonduse.Input{
			Zone: time.UTC, StartedAt: at(t, "2026-06-01T09:00:00Z"), Storage: fridge, Table: table,
			Sterility: beyonduse.Sterility{Category: "2", Method: "terminal"},
			Stability: []beyonduse.Stability{{Storage: fridge, For: time.Hour}},
		})
		require.NoError(t, err)
		require.Equal(t, c.sure, got.Candidates[0].Confirmed, c)
	}
}
