package demo

import (
	"math/rand/v2"
	"time"

	"vialward/tracker/walltime"
)

// The story's calendar: day 1 is Mon 13 Oct 2025, day 31 the morning the visitor sees. Clocks go back on day 21.
const (
	seed        = 20251013
	firstDay    = 1
	morningDay  = 31
	StoryOfDays = morningDay - firstDay // played in full
)

// date of a day of the story, as midnight in UTC: a calendar date, not an instant.
func date(day int) time.Time { return time.Date(2025, 10, 12+day, 0, 0, 0, 0, time.UTC) }

// at is a wall time of the site on a day; one that comes twice is the first.
func (s *Story) at(day, hour, minute int) time.Time {
	y, m, d := date(day).Date()
	return walltime.Resolve(walltime.Wall{Year: y, Month: m, Day: d, Hour: hour, Minute: minute}, s.zone).First
}

// Morning is where the visitor comes in: Wed 12 Nov 2025, 07:05 in New York, the list just sent.
func (s *Story) Morning() time.Time { return s.at(morningDay, 7, 5) }

func weekend(day int) bool {
	w := date(day).Weekday()
	return w == time.Saturday || w == time.Sunday
}

// chance of a day: what happens on one day does not depend on how often another one asked.
func chance(day int) *rand.Rand { return rand.New(rand.NewPCG(seed, uint64(day))) } //nolint:gosec // a story, told the same each time

// afternoon ends when the last people leave.
func lastHour(day int) int {
	if weekend(day) {
		return 15
	}
	return 18
}
