package templog

import (
	"math"
	"time"

	"vialward/tracker/walltime"
)

// doubt says whether the instant of a wall time is known yet.
type doubt int

const (
	certain doubt = iota
	inDoubt       // the wall time comes twice: the row waits for the rest of that hour
)

// mostWaiting bounds the values that wait: 4 days of 1-second readings in a repeated hour of one sensor is absurd, a
// hundred sensors at one reading a second (720,000) is already more than a log has.
const mostWaiting = 1 << 19

// timeOnly marks an entry that has no value and still shows the order of rows.
const timeOnly = int32(-1)

// clock turns wall times of a zone into instants. All times in it are microseconds; wall times as if they were UTC.
type clock struct {
	p       *Parser
	zone    *time.Location
	lo, hi  int64 // wall times from lo to before hi are shown once, with this offset
	offset  int64
	tracks  []*track // by sensor, or one for all of them where a row has all sensors' values
	current *track
	waiting int
}

// instant dates a wall time of a track, in the order of its rows. In doubt, it gives the wall time for keep.
//
// The zone is asked only where it has to be: a log of a year leaves the remembered stretch twice, and each row of a
// repeated or missing hour is outside it.
func (c *clock) instant(number int32, wall int64, text []byte) (at int64, state doubt, f fault) {
	for int(number) >= len(c.tracks) {
		c.tracks = append(c.tracks, &track{})
	}
	t := c.tracks[number]
	c.current = t
	if wall < c.lo || wall >= c.hi {
		r := walltime.Resolve(walltime.Of(time.UnixMicro(wall).UTC(), time.UTC), c.zone)
		switch r.Kind { //nolint:exhaustive // what is not a time at all was refused before
		case walltime.Twice:
			c.enter(t, wall, r)
			return wall, inDoubt, f
		case walltime.Plain:
			c.remember(r.First)
			t.close(c, wall, true)
			t.before, t.hasBefore = wall, true
			return r.First.UnixMicro(), certain, f
		}
		t.close(c, wall, true)
		return 0, certain, fault{"the time %s does not exist in " + c.zone.String() + ": clocks went forward over it", text}
	}
	if t.open {
		t.close(c, wall, true)
	}
	t.before, t.hasBefore = wall, true
	return wall - c.offset, certain, f
}

// remember keeps the wall times around t that need no look at the zone: those of its period of constant offset, less
// what the periods before and after show too. Where one of these is short, a day's distance is kept from it.
func (c *clock) remember(t time.Time) {
	const short, distance = 48 * time.Hour, 26 * time.Hour
	start, end := t.In(c.zone).ZoneBounds()
	offset := func(t time.Time) time.Duration {
		_, s := t.In(c.zone).Zone()
		return time.Duration(s) * time.Second
	}
	o := offset(t)
	c.lo, c.hi, c.offset = math.MinInt64, math.MaxInt64, o.Microseconds()
	if !start.IsZero() {
		before := start.Add(-1)
		lo := start.Add(max(o, offset(before)))
		if s, _ := before.In(c.zone).ZoneBounds(); !s.IsZero() && start.Sub(s) < short {
			lo = start.Add(o + distance)
		}
		c.lo = lo.UnixMicro()
	}
	if !end.IsZero() {
		hi := end.Add(min(o, offset(end)))
		if _, e := end.In(c.zone).ZoneBounds(); !e.IsZero() && e.Sub(end) < short {
			hi = end.Add(o - distance)
		}
		c.hi = hi.UnixMicro()
	}
}

// enter opens the repeated hour of r in a track, or goes on in it.
func (c *clock) enter(t *track, wall int64, r walltime.Resolution) {
	_, change := r.First.In(c.zone).ZoneBounds()
	length := r.Last.Sub(r.First).Microseconds()
	_, after := r.Last.In(c.zone).Zone()
	from := change.UnixMicro() + int64(after)*second
	if t.open && t.from == from {
		return
	}
	t.close(c, wall, true)
	t.open, t.from, t.to = true, from, from+length
	t.offset = wall - r.First.UnixMicro()
}

// keep lets a value wait in the current track; false where too many wait, and it is refused with all of them.
func (c *clock) keep(v Value) bool {
	t := c.current
	if v.Sensor != timeOnly {
		c.p.rows.Read++
	}
	if c.waiting == mostWaiting {
		t.full = true
	}
	if t.full {
		if v.Sensor != timeOnly {
			c.p.refuseRead(int(v.Line), t.cannotTell(c, v))
		}
		return false
	}
	c.waiting++
	t.waiting = append(t.waiting, v)
	return true
}

// flush ends what is open in all tracks at the end of the log.
func (c *clock) flush() {
	for _, t := range c.tracks {
		t.close(c, 0, false)
	}
}
