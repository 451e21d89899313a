package sweep_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/stock"
	"vialward/tracker/sweep"
)

func slotsAt(zone string, walls ...string) *stock.Site {
	s := &stock.Site{Code: "QUILL", Zone: zone}
	for _, w := range walls {
		s.Sweeps = append(s.Sweeps, stock.Slot{Days: everyDay, At: w})
	}
	return s
}

func instant(t require.TestingT, s string) time.Time {
	at, err := time.Parse(time.RFC3339, s)
	require.NoError(t, err)
	return at.UTC()
}

// Slots on the nights clocks change. Source of the changes: IANA tz database (C).
func TestSlotsOfClockChanges(t *testing.T) {
	for _, c := range []struct{ zone, key, at string }{
		{"America/New_York", "2025-11-12 07:00", "2025-11-12T07:00:00-05:00"},
		{"America/New_York", "2026-03-08 02:30", "2026-03-08T03:00:00-04:00"}, // does not exist
		{"America/New_York", "2026-03-08 01:59", "2026-03-08T01:59:00-05:00"},
		{"America/New_York", "2026-03-08 03:00", "2026-03-08T03:00:00-04:00"},
		{"America/New_York", "2026-11-01 01:30", "2026-11-01T01:30:00-04:00"}, // comes twice
		{"America/New_York", "2026-11-01 02:00", "2026-11-01T02:00:00-05:00"},
		{"Europe/Berlin", "2026-03-29 02:30", "2026-03-29T03:00:00+02:00"},
		{"Europe/Berlin", "2026-10-25 02:30", "2026-10-25T02:30:00+02:00"},
		{"America/Santiago", "2026-09-06 00:30", "2026-09-06T01:00:00-03:00"},
		{"America/Santiago", "2026-04-04 23:30", "2026-04-04T23:30:00-03:00"},
		{"Australia/Lord_Howe", "2026-10-04 02:15", "2026-10-04T02:30:00+11:00"},
		{"Australia/Lord_Howe", "2026-04-05 01:45", "2026-04-05T01:45:00+11:00"},
		{"America/Havana", "2025-11-02 00:30", "2025-11-02T00:30:00-04:00"},
		{"Pacific/Apia", "2011-12-30 07:00", "2011-12-31T00:00:00+14:00"}, // a day that zone left out
	} {
		want := instant(t, c.at)
		got := sweep.Due(slotsAt(c.zone, c.key[11:]), want.Add(-time.Nanosecond), want)
		require.Contains(t, got, sweep.SlotAt{Key: c.key, At: want}, "%s %s", c.zone, c.key)
	}
	require.Equal(t, []sweep.SlotAt{
		{"2026-03-08 02:00", instant(t, "2026-03-08T07:00:00Z")},
		{"2026-03-08 02:30", instant(t, "2026-03-08T07:00:00Z")},
		{"2026-03-08 03:00", instant(t, "2026-03-08T07:00:00Z")},
	}, sweep.Due(slotsAt("America/New_York", "03:00", "02:30", "02:00"), instant(t, "2026-03-08T06:00:00Z"), instant(t, "2026-03-08T12:00:00Z")),
		"three lists at one instant stay three")
}

// A window takes in its end and leaves out its beginning, knows its weekdays, and a slot written twice comes once.
func TestWindowOfSlots(t *testing.T) {
	s := site()
	require.Empty(t, sweep.Due(s, at(12, 7, 0), at(12, 18, 59)))
	require.Equal(t, []sweep.SlotAt{{"2025-11-12 19:00", at(12, 19, 0)}}, sweep.Due(s, at(12, 7, 0), at(12, 19, 0)))
	require.Equal(t, []sweep.SlotAt{
		{"2025-11-14 19:00", at(14, 19, 0)}, {"2025-11-15 08:00", at(15, 8, 0)}, {"2025-11-15 19:00", at(15, 19, 0)},
		{"2025-11-16 08:00", at(16, 8, 0)}, {"2025-11-16 19:00", at(16, 19, 0)}, {"2025-11-17 07:00", at(17, 7, 0)},
	}, sweep.Due(s, at(14, 7, 0), at(17, 7, 0)))
	require.Empty(t, sweep.Due(s, at(17, 7, 0), at(14, 7, 0)), "a window that ends before it begins")
	require.Empty(t, sweep.Due(slotsAt("UTC", "7 o'clock", "24:30"), at(1, 0, 0), at(3, 0, 0)), "no time of day")
	require.Len(t, sweep.Due(slotsAt("UTC", "07:00", "07:00"), at(12, 0, 0), at(13, 0, 0)), 1)
}

var changing = []string{"America/New_York", "Europe/Berlin", "America/Santiago", "Australia/Lord_Howe", "America/Havana", "Antarctica/Troll", "Asia/Kathmandu"}

// Over a year every date and slot comes exactly once, at the first minute whose clock shows it or, where none does, the
// first that shows a later one, as a walk over the minutes of the year finds it.
func TestEverySlotOnceAYear(t *testing.T) {
	walls := []string{"00:00", "00:30", "01:30", "01:45", "02:00", "02:15", "02:30", "07:00", "23:30"}
	from, to := instant(t, "2025-12-30T00:00:00Z"), instant(t, "2027-01-03T00:00:00Z")
	const day = 24 * 60
	for _, name := range changing {
		zone, err := time.LoadLocation(name)
		require.NoError(t, err)
		var shown []int64 // by minute: what the clock shows, as seconds of a UTC that shows the same
		for m := from; m.Before(to); m = m.Add(time.Minute) {
			_, offset := m.In(zone).Zone()
			shown = append(shown, m.Unix()+int64(offset))
		}
		got := map[string]time.Time{}
		for _, s := range sweep.Due(slotsAt(name, walls...), from, to) {
			require.True(t, got[s.Key].IsZero(), "%s %s twice", name, s.Key)
			got[s.Key] = s.At
		}
		for d := instant(t, "2026-01-01T00:00:00Z"); d.Year() == 2026; d = d.AddDate(0, 0, 1) {
			for _, w := range walls {
				key := d.Format("2006-01-02 ") + w
				wall, err := time.Parse("2006-01-02 15:04", key)
				require.NoError(t, err)
				start := int(wall.Sub(from).Minutes()) - day
				near := shown[start : start+2*day]
				i := slices.Index(near, wall.Unix())
				if i < 0 {
					i = slices.IndexFunc(near, func(s int64) bool { return s > wall.Unix() })
				}
				require.Equal(t, from.Add(time.Duration(start+i)*time.Minute), got[key], "%s %s", name, key)
			}
		}
	}
}

// Asking in whatever windows finds what asking once does.
func TestWindowsDoNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := slotsAt(rapid.SampledFrom(changing).Draw(t, "zone"), "00:00", "02:30", "01:30", "23:59")
		from := instant(t, "2026-01-01T00:00:00Z").Add(time.Duration(rapid.IntRange(0, 340*24*60).Draw(t, "from")) * time.Minute)
		var pieces []sweep.SlotAt
		next := from
		for _, minutes := range rapid.SliceOfN(rapid.IntRange(0, 5*24*60), 1, 12).Draw(t, "minutes") {
			pieces = append(pieces, sweep.Due(s, next, next.Add(time.Duration(minutes)*time.Minute))...)
			next = next.Add(time.Duration(minutes) * time.Minute)
		}
		require.Equal(t, sweep.Due(s, from, next), pieces)
	})
}

// A clock that goes back over midnight, and a zone that left a day out, asked minute by minute.
func TestWindowsOverMidnight(t *testing.T) {
	for zone, around := range map[string]string{"America/St_Johns": "2010-11-07T02:31:00Z", "Pacific/Apia": "2011-12-30T10:00:00Z", "America/Havana": "2025-11-02T05:00:00Z"} {
		s := slotsAt(zone, "00:00", "00:30", "23:00", "23:30", "12:00")
		from, to := instant(t, around).Add(-40*time.Hour), instant(t, around).Add(40*time.Hour)
		var pieces []sweep.SlotAt
		for m := from; m.Before(to); m = m.Add(time.Minute) {
			pieces = append(pieces, sweep.Due(s, m, m.Add(time.Minute))...)
			require.Equal(t, sweep.Due(s, from, m.Add(time.Minute)), slices.Clip(pieces), "%s until %s", zone, m)
		}
		keys := map[string]bool{}
		for _, p := range pieces {
			require.False(t, keys[p.Key], p.Key)
			keys[p.Key] = true
		}
		require.GreaterOrEqual(t, len(pieces), 3*5, zone)
	}
}

func TestNextStaffed(t *testing.T) {
	s := site()
	for _, c := range []struct{ after, want time.Time }{
		{at(12, 6, 58), at(12, 7, 0)},
		{at(12, 7, 0), at(12, 19, 0)},
		{at(14, 19, 0), at(15, 8, 0)},
		{at(15, 8, 0), at(16, 8, 0)}, // Saturday's evening list is made, but nobody is there
		{at(16, 8, 0), at(17, 7, 0)},
	} {
		require.Equal(t, c.want, sweep.NextStaffed(s, c.after).At, c.after)
	}
	require.Equal(t, "2025-11-16 08:00", sweep.NextStaffed(s, at(15, 8, 0)).Key)
	s.Staffed = nil
	require.Equal(t, at(15, 19, 0), sweep.NextStaffed(s, at(15, 8, 0)).At, "no hours given: always staffed")
	s.Staffed = []stock.Hours{{Days: everyDay, From: "10:00", To: "11:00"}}
	require.Zero(t, sweep.NextStaffed(s, at(15, 8, 0)))
	s.Sweeps = nil
	require.Zero(t, sweep.NextStaffed(s, at(15, 8, 0)))

	// Once a week at 02:30, staffed until 03:00: on 8 March 2026 it runs at 03:00, when nobody is there any more.
	weekly := slotsAt("America/New_York", "02:30")
	weekly.Sweeps[0].Days = []string{"Sun"}
	weekly.Staffed = []stock.Hours{{Days: everyDay, From: "02:00", To: "03:00"}}
	require.Equal(t, "2026-03-15 02:30", sweep.NextStaffed(weekly, instant(t, "2026-03-01T08:00:00Z")).Key)
}

func TestStaffedHours(t *testing.T) {
	s := site()
	for _, c := range []struct {
		t    time.Time
		want bool
	}{
		{at(12, 6, 29), false},
		{at(12, 6, 30), true},
		{at(12, 19, 29).Add(59 * time.Second), true},
		{at(12, 19, 30), false},
		{at(15, 6, 45), false}, // a Saturday
		{at(15, 7, 30), true},
		{at(15, 12, 0), false},
	} {
		require.Equal(t, c.want, sweep.Staffed(s, c.t), c.t)
	}
	require.False(t, sweep.StaffedBetween(s, at(12, 19, 30), at(13, 6, 30)), "the end does not count")
	require.True(t, sweep.StaffedBetween(s, at(12, 19, 30), at(13, 6, 30).Add(1)))
	require.True(t, sweep.StaffedBetween(s, at(12, 19, 29), at(12, 19, 45)))
	require.False(t, sweep.StaffedBetween(s, at(12, 8, 0), at(12, 8, 0)), "no time at all")
	require.False(t, sweep.StaffedBetween(s, at(12, 9, 0), at(12, 8, 0)))

	always := &stock.Site{Zone: "UTC"}
	require.True(t, sweep.Staffed(always, at(12, 3, 0)))
	require.False(t, sweep.StaffedBetween(always, at(12, 8, 0), at(12, 8, 0)))

	night := &stock.Site{Zone: "America/New_York", Staffed: []stock.Hours{{Days: everyDay, From: "00:00", To: "01:30"}, {Days: everyDay, From: "22:00", To: "24:00"}}}
	require.True(t, sweep.Staffed(night, instant(t, "2026-11-01T01:29:00-04:00")))
	require.False(t, sweep.Staffed(night, instant(t, "2026-11-01T01:10:00-05:00")), "01:30 came, people left; then the hour came again")
	require.True(t, sweep.Staffed(night, instant(t, "2026-10-31T23:59:59-04:00")))
	night.Staffed = []stock.Hours{{Days: everyDay, From: "02:15", To: "02:45"}}
	require.False(t, sweep.StaffedBetween(night, instant(t, "2026-03-08T01:00:00-05:00"), instant(t, "2026-03-08T12:00:00-04:00")), "hours the clock skips")
	santiago := &stock.Site{Zone: "America/Santiago", Staffed: []stock.Hours{{Days: everyDay, From: "22:00", To: "24:00"}, {Days: everyDay, From: "00:00", To: "02:00"}}}
	require.True(t, sweep.Staffed(santiago, instant(t, "2026-09-06T01:00:00-03:00")), "the day begins at 01:00")
	require.True(t, sweep.Staffed(santiago, instant(t, "2026-09-06T03:59:59Z")))
}

// On days without a clock change staffed is what the clock on the wall says, and a span is staffed when one of its
// minutes is.
func TestStaffedIsWhatTheWallClockSays(t *testing.T) {
	s := site()
	zone := s.Location()
	byWall := func(t time.Time) bool {
		l := t.In(zone)
		hm, weekendDay := l.Format("15:04"), l.Weekday() == time.Saturday || l.Weekday() == time.Sunday
		if weekendDay {
			return "07:30" <= hm && hm < "12:00"
		}
		return "06:30" <= hm && hm < "19:30"
	}
	rapid.Check(t, func(t *rapid.T) {
		a := at(3, 0, 0).Add(time.Duration(rapid.IntRange(0, 20*24*60).Draw(t, "a")) * time.Minute)
		n := rapid.IntRange(0, 20*60).Draw(t, "minutes")
		require.Equal(t, byWall(a), sweep.Staffed(s, a), fmt.Sprint(a.In(zone)))
		anyMinute := false
		for i := range n {
			anyMinute = anyMinute || byWall(a.Add(time.Duration(i)*time.Minute))
		}
		require.Equal(t, anyMinute, sweep.StaffedBetween(s, a, a.Add(time.Duration(n)*time.Minute)))
	})
}
