package beyonduse_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/beyonduse"
	"vialward/tracker/stock"
)

// In-use limits of opened components: USP <797> as quoted in secondary copies (R), the bulk package's 4 h from two
// generic labels (R). At the end itself a component has ended.
func TestInUse(t *testing.T) {
	const start = "2026-06-01T08:30:00-04:00"
	for name, c := range map[string]struct {
		kind         string
		iso5         bool
		opened, used string
		expires, bud string
		wrong        string
	}{
		"not open before":                   {"", false, start, start, "2027-01", "", ""},
		"single dose, ISO 5, 11:59":         {"single dose", true, "2026-06-01T08:00:00-04:00", "2026-06-01T19:59:00-04:00", "2027-01", "", ""},
		"single dose, ISO 5, 12 h":          {"single dose", true, "2026-06-01T08:00:00-04:00", "2026-06-01T20:00:00-04:00", "2027-01", "", "ended Mon 1 Jun 2026 20:00 EDT"},
		"single dose outside, this time":    {"single dose", false, "2026-06-01T08:31:00-04:00", "2026-06-01T08:40:00-04:00", "2027-01", "", ""},
		"single dose outside, kept":         {"single dose", false, "2026-06-01T08:29:00-04:00", "2026-06-01T08:40:00-04:00", "2027-01", "", "may not be kept once open"},
		"ampoule, this time":                {"ampoule", true, start, "2026-06-01T08:40:00-04:00", "2027-01", "", ""},
		"ampoule, kept, even in ISO 5":      {"ampoule", true, "2026-06-01T08:00:00-04:00", "2026-06-01T08:40:00-04:00", "2027-01", "", "USP <797>: opened ampoule"},
		"compounded, entered, 12 h":         {"compounded", true, "2026-06-01T00:00:00-04:00", "2026-06-01T12:00:00-04:00", "", "2026-06-09", "12 h or its beyond-use date"},
		"compounded, its BUD is earlier":    {"compounded", true, "2026-06-01T07:00:00-04:00", "2026-06-01T09:00:00-04:00", "", "2026-06-01T09:00:00-04:00", "beyond use 2026-06-01T09:00:00-04:00"},
		"compounded, without a BUD":         {"compounded", true, "2026-06-01T07:00:00-04:00", "2026-06-01T09:00:00-04:00", "", "", "neither an expiry nor a beyond-use date"},
		"multi-dose, 28 days less 1 min":    {"multi dose", false, "2026-05-04T09:00:00-04:00", "2026-06-01T08:59:00-04:00", "2027-01", "", ""},
		"multi-dose, 28 days":               {"multi dose", false, "2026-05-04T09:00:00-04:00", "2026-06-01T09:00:00-04:00", "2027-01", "", "28 days"},
		"multi-dose over the spring change": {"multi dose", false, "2026-02-10T09:00:00-05:00", "2026-03-10T09:00:00-04:00", "2027-01", "", "ended Tue 10 Mar 2026 09:00 EDT"},
		"multi-dose, expired":               {"multi dose", false, "2026-05-31T09:00:00-04:00", "2026-06-01T09:00:00-04:00", "2026-05", "", "expires 2026-05"},
		"bulk, 3:59":                        {"bulk", true, start, "2026-06-01T12:29:00-04:00", "2027-01", "", ""},
		"bulk, 4 h":                         {"bulk", true, start, "2026-06-01T12:30:00-04:00", "2027-01", "", "4 h from first entry"},
		"used before it was opened":         {"bulk", true, start, "2026-06-01T08:29:00-04:00", "2027-01", "", "in this order"},
		"a kind without a limit":            {"bag", true, start, start, "2027-01", "", `no in-use limit for an opened "bag"`},
	} {
		t.Run(name, func(t *testing.T) {
			x := stock.Component{
				Name: "sodium chloride 0.9 %", Lot: "N7", Expires: c.expires, BeyondUse: c.bud,
				Opened: c.kind, InISO5: c.iso5, OpenedAt: at(t, c.opened), UsedAt: at(t, c.used),
			}
			err := beyonduse.InUse(x, at(t, start), zone(t, "America/New_York"), beyonduse.ShippedInUse())
			if c.wrong == "" {
				require.NoError(t, err)
				return
			}
			require.ErrorContains(t, err, c.wrong)
			require.ErrorContains(t, err, "lot N7")
		})
	}
	err := beyonduse.InUse(stock.Component{Name: "x", Opened: "bulk"}, at(t, start), time.UTC, beyonduse.ShippedInUse())
	require.ErrorContains(t, err, "record when it was opened")
}

// A site's stricter in-use limit (one state: 6 h for a single-dose vial) takes the shipped one's place.
func TestInUseOfASite(t *testing.T) {
	limits := []beyonduse.InUseLimit{{Container: "single dose", Hours: 6, Source: "state code (R)"}}
	x := stock.Component{Name: "x", Lot: "1", Expires: "2027-01", Opened: "single dose", InISO5: true, OpenedAt: at(t, "2026-06-01T08:00:00Z")}
	x.UsedAt = at(t, "2026-06-01T13:59:00Z")
	require.NoError(t, beyonduse.InUse(x, x.OpenedAt, time.UTC, limits))
	x.UsedAt = at(t, "2026-06-01T14:00:00Z")
	require.ErrorContains(t, beyonduse.InUse(x, x.OpenedAt, time.UTC, limits), "state code (R)")
}
