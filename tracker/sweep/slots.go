package sweep

import (
	"cmp"
	"slices"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// SlotAt is one occasion on which a site's list is due. Key is its local date and wall time, "2025-11-12 07:00": with
// the site it names the list for good, whatever the clock did that night.
type SlotAt struct {
	Key string
	At  time.Time // UTC
}

// Due lists the slots of a site with from < At <= to, earliest first. Every date and wall time the site asks for comes
// exactly once: one that does not exist that night at the first instant after it, one that comes twice at the first.
func Due(site *stock.Site, from, to time.Time) []SlotAt {
	return due(site, site.Location(), from, to)
}

func due(site *stock.Site, zone *time.Location, from, to time.Time) []SlotAt {
	var found []SlotAt
	for d := range days(from, to, zone) {
		for _, s := range site.Sweeps {
			at, ok := instant(d, s.At, zone)
			if ok && on(s.Days, d) && at.After(from) && !at.After(to) {
				found = append(found, SlotAt{d.Format(time.DateOnly) + " " + s.At, at})
			}
		}
	}
	slices.SortFunc(found, func(a, b SlotAt) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Key, b.Key)) })
	return slices.Compact(found)
}

// horizon is how far NextStaffed looks: slots and staffed hours repeat by the week, and one week may lose its only
// staffed slot to a clock change.
const horizon = 3 * 7

// NextStaffed is the first slot after an instant at which somebody is there; zero where the site has none.
func NextStaffed(site *stock.Site, after time.Time) SlotAt {
	return nextStaffed(site, site.Location(), after)
}

func nextStaffed(site *stock.Site, zone *time.Location, after time.Time) SlotAt {
	const day = 24 * time.Hour
	for i := range time.Duration(horizon) {
		for _, s := range due(site, zone, after.Add(i*day), after.Add((i+1)*day)) {
			if staffedBetween(site, zone, s.At, s.At.Add(1)) {
				return s
			}
		}
	}
	return SlotAt{}
}

// days ranges over the calendar days, as midnights in UTC, that a span of instants can touch. One more at the end: a
// clock that goes back over midnight shows the day before once more when the new day has begun already.
func days(from, to time.Time, zone *time.Location) func(yield func(time.Time) bool) {
	return func(yield func(time.Time) bool) {
		end := day(to, zone).AddDate(0, 0, 1)
		for d := day(from, zone); !d.After(end); d = d.AddDate(0, 0, 1) {
			if !yield(d) {
				return
			}
		}
	}
}

func day(t time.Time, zone *time.Location) time.Time {
	w := walltime.Of(t, zone)
	return time.Date(w.Year, w.Month, w.Day, 0, 0, 0, 0, time.UTC)
}

func on(days []string, d time.Time) bool { return slices.Contains(days, d.Weekday().String()[:3]) }

// instant at which a day's wall time counts: the first of two, the first after one that is skipped. 24:00 is the day's
// end. False for what is no time of day.
func instant(d time.Time, wall string, zone *time.Location) (time.Time, bool) {
	if wall == "24:00" {
		return walltime.EndOfDay(d.Year(), d.Month(), d.Day(), zone), true
	}
	c, err := time.Parse("15:04", wall)
	if err != nil {
		return time.Time{}, false
	}
	r := walltime.Resolve(walltime.Wall{Year: d.Year(), Month: d.Month(), Day: d.Day(), Hour: c.Hour(), Minute: c.Minute()}, zone)
	if r.Kind == walltime.Missing {
		return r.Change, true
	}
	return r.First, r.Kind != walltime.None
}
