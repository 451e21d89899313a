package sweep

import (
	"time"

	"vialward/tracker/stock"
)

// Staffed says whether somebody is at the site at an instant. From counts, To does not; a wall time that comes twice is
// the first. A site that gives no hours is always staffed.
func Staffed(site *stock.Site, t time.Time) bool {
	return StaffedBetween(site, t, t.Add(1))
}

// StaffedBetween says whether somebody is there at any instant with a <= t < b.
func StaffedBetween(site *stock.Site, a, b time.Time) bool {
	return staffedBetween(site, site.Location(), a, b)
}

func staffedBetween(site *stock.Site, zone *time.Location, a, b time.Time) bool {
	_, ok := lastStaffed(site, zone, a, b)
	return ok
}

// lastStaffed is the end of the last staffed time with a <= t < b: the latest instant by which somebody who is there
// between them has to have done a thing. False where nobody is there.
func lastStaffed(site *stock.Site, zone *time.Location, a, b time.Time) (last time.Time, ok bool) {
	if !a.Before(b) {
		return last, false
	}
	if len(site.Staffed) == 0 {
		return b, true
	}
	for d := range days(a, b, zone) {
		for _, h := range site.Staffed {
			if !on(h.Days, d) {
				continue
			}
			start, okStart := instant(d, h.From, zone)
			end, okEnd := instant(d, h.To, zone)
			start, end = latest(start, a), earliest(end, b)
			if okStart && okEnd && start.Before(end) && end.After(last) {
				last, ok = end, true
			}
		}
	}
	return last, ok
}

func latest(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earliest(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}
