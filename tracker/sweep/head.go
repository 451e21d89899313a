package sweep

import "slices"

// head makes a unit's head fit to print: a number older than two of its sensor's intervals is taken out, since it would
// be read as the temperature now. So is one from more than an interval ahead: that clock is wrong.
func (m *maker) head(unit string) Head {
	h := m.Heads[unit]
	if !h.Since.IsZero() {
		h.Since = h.Since.In(m.zone)
	}
	h.Probes = slices.Clone(h.Probes)
	for i := range h.Probes {
		p := &h.Probes[i]
		if age := m.Now.Sub(p.At); age > 2*p.Interval || age < -p.Interval {
			p.MilliC = nil
		}
		if !p.At.IsZero() {
			p.At = p.At.In(m.zone)
		}
		if !p.Stuck.IsZero() {
			p.Stuck = p.Stuck.In(m.zone)
		}
	}
	return h
}
