package tracker

import (
	"context"
	"fmt"
	"slices"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/thermal"
	"vialward/tracker/walltime"
)

// VialExposure is what one vial met from its first stay to an instant, and what its figures stand on.
type VialExposure struct {
	Vial    stock.Vial
	At      time.Time // the instant asked for, or the end of its life where that came before
	Product stock.Product
	Known   bool   // else there is no exposure, and Why says why
	Why     string // a sentence
	Thermal thermal.Exposure
	Parts   []ExposurePart
	Basis   []string // whose figures: allowance and stability rows in use, each with its source
	Assumed []string // what was taken for granted
}

// ExposurePart is a stretch of one stay, and by what its temperature is known.
type ExposurePart struct {
	Place         string
	From, To      time.Time
	Sensors       []string // in use there and speaking for that shelf
	AssumedMilliC *int32   // of a place without a sensor; nil without sensors = unknown
}

// ExposureOf is Exposures of one vial, up to an instant that is not after now. ErrNotFound for an unknown vial.
func ExposureOf(ctx context.Context, v View, code string, at, now time.Time) (VialExposure, error) {
	if at.After(now) {
		return VialExposure{}, stock.Refuse("time", code, "%s has not come yet: nothing was measured then; ask for an instant up to now", walltime.Say(at, v.Site().Location()))
	}
	found, err := v.Find(ctx, VialQuery{Codes: []string{code}})
	if err != nil {
		return VialExposure{}, err
	}
	if len(found) == 0 {
		return VialExposure{}, NotFound("vial", code)
	}
	all, err := Exposures(ctx, v, found, at)
	if err != nil {
		return VialExposure{}, err
	}
	return all[0], nil
}

// Exposures follows vials through their stays up to an instant, by the corrected readings of the sensors that spoke for
// their shelves: two statements, one a batch and one a sensor, and two searches a stay, whatever the number of vials. It
// is worked out anew each time. Stays that are only possible are not followed: that time is unknown. What is wrong with
// one vial's stays is said of that vial; the others are answered.
func Exposures(ctx context.Context, v View, vials []stock.Vial, at time.Time) ([]VialExposure, error) {
	at = walltime.Cut(at)
	codes := make([]string, len(vials))
	for i, x := range vials {
		codes[i] = x.Code
	}
	found, err := v.StaysOf(ctx, codes)
	if err != nil {
		return nil, err
	}
	f := following{v: v, at: at, from: at, stays: map[string][]Stay{}, batches: map[string]stock.Batch{}, laws: map[string]*exposureLaw{},
		places: map[string][]placePart{}, readings: map[string][]thermal.Reading{}, cases: map[string][]Case{}}
	for _, s := range found {
		if s.Possible || !s.From.Before(at) {
			continue
		}
		f.stays[s.Vial] = append(f.stays[s.Vial], s)
		f.from = earlier(f.from, s.From)
	}
	out := make([]VialExposure, len(vials))
	for i, x := range vials {
		if out[i], err = f.vial(ctx, x); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// following keeps what vials share.
type following struct {
	v        View
	at, from time.Time // all stays lie between
	stays    map[string][]Stay
	batches  map[string]stock.Batch
	laws     map[string]*exposureLaw
	places   map[string][]placePart
	readings map[string][]thermal.Reading // corrected, of a sensor
	cases    map[string][]Case            // of a unit, warm ones
}

func (f *following) vial(ctx context.Context, x stock.Vial) (VialExposure, error) {
	out := VialExposure{Vial: x, At: f.at}
	law, err := f.law(ctx, x)
	if err != nil {
		return out, err
	}
	out.Product, out.Basis = law.product, law.basis
	out.Assumed = slices.Clone(law.assumed)
	stays := f.stays[x.Code]
	if len(stays) == 0 {
		out.Why = "it had stood in no storage unit by then: nothing is known of its temperature"
		return out, nil
	}
	if last := stays[len(stays)-1].To; x.State.Closed() && !last.IsZero() {
		out.At = earlier(f.at, laterOf(last, x.LastSeen))
	}
	var parts []thermal.Stay
	for _, s := range stays {
		if s.To.IsZero() || s.To.After(out.At) {
			s.To = out.At
		}
		for _, p := range f.place(s.Unit, s.Shelf) {
			from, to := laterOf(s.From, p.from), s.To
			if !p.to.IsZero() {
				to = earlier(to, p.to)
			}
			if !from.Before(to) {
				continue
			}
			part := ExposurePart{Place: s.Place(), From: from, To: to, Sensors: p.sensors}
			stay := thermal.Stay{FromMicros: from.UnixMicro(), ToMicros: to.UnixMicro()}
			if len(p.sensors) == 0 {
				if u, _, ok := f.v.Site().UnitAt(s.Unit); ok && u.WorstMilliC != nil {
					part.AssumedMilliC, stay.AssumedMilliC = u.WorstMilliC, thermal.MilliC(*u.WorstMilliC)
				} else {
					stay.Trace = law.unknown
				}
			} else {
				traces, err := f.traces(ctx, law, s.Unit, p.sensors)
				if err != nil {
					return out, err
				}
				stay.Trace, stay.Others = traces[0], traces[1:]
			}
			out.Parts, parts = append(out.Parts, part), append(parts, stay)
		}
	}
	if len(parts) == 0 {
		out.Why = "it had stood nowhere for any time by then"
		return out, nil
	}
	out.Thermal, err = law.rules.Of(parts, out.At.UnixMicro(), x.BUD.UnixMicro())
	if err != nil {
		out.Why = fmt.Sprintf("its stays in the record cannot be followed, so nothing can be said: %s", err)
		return out, nil
	}
	out.Known = true
	f.assumptions(&out)
	return out, nil
}

// assumptions are those of this vial.
func (f *following) assumptions(out *VialExposure) {
	said := map[string]bool{}
	say := func(format string, args ...any) {
		if s := fmt.Sprintf(format, args...); !said[s] {
			said[s] = true
			out.Assumed = append(out.Assumed, s)
		}
	}
	for _, p := range out.Parts {
		switch {
		case p.AssumedMilliC != nil:
			say("%s has no sensor: it counts as %v °C, its worst as the site has set it up", p.Place, thermal.MilliC(*p.AssumedMilliC))
		case len(p.Sensors) == 0:
			say("no sensor spoke for %s and no worst temperature is set for it: that time is unknown", p.Place)
		case len(p.Sensors) > 1:
			say("several sensors speak for %s: of each figure the worst counts", p.Place)
		}
	}
	if shown := out.Thermal.Above8 - out.Thermal.Debited; shown >= time.Second {
		say("%.1f minutes above 8 °C, read by a sensor in air outside any warm case, are shown and not debited", shown.Minutes())
	}
}
