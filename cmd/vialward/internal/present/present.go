// Package present is the record as programs read it: the JSON documents that the command line and the API share. Keys
// are snake_case, instants RFC 3339 with the site's offset, units stand in the key, and a list is never null.
package present

import (
	"time"

	"vialward/tracker"
)

// Instant is RFC 3339 with the site's offset, to the microsecond where it has any.
type Instant string

// As is how a site's record is shown: its clock's zone, and the instant as of which it is read.
type As struct {
	Zone *time.Location
	Now  time.Time
}

// Of is how a site is shown now.
func Of(v tracker.View, now time.Time) As { return As{Zone: v.Site().Location(), Now: now} }

// Instant of the site's clock.
func (a As) Instant(t time.Time) Instant { return Instant(t.In(a.Zone).Format(time.RFC3339Nano)) }

// Maybe is nil for the zero time.
func (a As) Maybe(t time.Time) *Instant {
	if t.IsZero() {
		return nil
	}
	i := a.Instant(t)
	return &i
}

// micros is Maybe for microseconds since 1970, 0 = none.
func (a As) micros(at int64) *Instant {
	if at == 0 {
		return nil
	}
	return a.Maybe(time.UnixMicro(at))
}

// local is the same instant in the site's zone, for documents that keep time.Time; zero stays zero.
func (a As) local(t time.Time) time.Time {
	if t.IsZero() {
		return t
	}
	return t.In(a.Zone)
}

// each makes a list that is never null.
func each[T, R any](all []T, one func(T) R) []R {
	out := make([]R, len(all))
	for i, x := range all {
		out[i] = one(x)
	}
	return out
}
