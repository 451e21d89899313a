package tracker

import (
	"context"
	"fmt"
	"slices"
	"time"

	"vialward/tracker/beyonduse"
	"vialward/tracker/stock"
	"vialward/tracker/thermal"
)

// exposureLaw is what vials of one product version, diluent and concentration share.
type exposureLaw struct {
	product stock.Product
	rules   *thermal.Exposures
	unknown *thermal.Trace
	traces  map[string]*thermal.Trace // by unit and sensor
	basis   []string
	assumed []string
}

func (f *following) law(ctx context.Context, x stock.Vial) (*exposureLaw, error) {
	b, ok := f.batches[x.Batch]
	if !ok {
		var err error
		if b, err = f.v.Batch(ctx, x.Batch); err != nil {
			return nil, err
		}
		f.batches[x.Batch] = b
	}
	key := fmt.Sprintf("%s|%d|%s|%v", x.Product, x.Version, stock.NameKey(b.Diluent), b.Concentration)
	if l := f.laws[key]; l != nil {
		return l, nil
	}
	p, err := f.v.Product(ctx, x.Product, x.Version)
	if err != nil {
		return nil, err
	}
	l := &exposureLaw{product: p, traces: map[string]*thermal.Trace{}}
	rules := thermal.ExposureRules{FreezeMilliC: thermal.MilliC(p.FreezeMilliC)}
	if p.AllowedOutMinutes != nil && p.AllowedOutSource != "" {
		out := time.Duration(*p.AllowedOutMinutes) * time.Minute
		rules.AllowedOut = &out
		l.basis = append(l.basis, fmt.Sprintf("%d minutes above 8 °C allowed in all: %s", *p.AllowedOutMinutes, p.AllowedOutSource))
	}
	c := b.Concentration
	if c == (stock.Concentration{}) {
		c = p.Concentration()
	}
	switch {
	case len(p.Stability) == 0:
	case b.Diluent == "":
		l.assumed = append(l.assumed, "what this batch was diluted in is not on record, so no stability row of the product is used")
	case p.Storage != stock.Refrigerator:
		l.assumed = append(l.assumed, "stability rows are used for products kept in a refrigerator only")
	}
	stability, basis := stabilityOf(p, b.Diluent, c)
	rules.Stability = stability
	if l.rules, err = thermal.NewExposures(rules); err != nil {
		l.assumed = append(l.assumed, "the product's stability rows are not used: "+err.Error())
		rules.Stability = thermal.Stability{}
		if l.rules, err = thermal.NewExposures(rules); err != nil {
			return nil, err
		}
		basis = nil
	}
	l.basis = append(l.basis, basis...)
	l.unknown = l.rules.Trace(nil)
	f.laws[key] = l
	return l, nil
}

// stabilityOf makes points of a refrigerated product's rows: a row speaks for its whole class, so its hours stand at the
// class's warmer end (8 °C and 25 °C, USP <659>, R). Nothing is said of a product kept otherwise, nor by a row nobody
// has confirmed.
func stabilityOf(p stock.Product, diluent string, c stock.Concentration) (s thermal.Stability, basis []string) {
	s.LabelMilliC = [2]thermal.MilliC{2000, 8000}
	if p.Storage != stock.Refrigerator || diluent == "" {
		return s, nil
	}
	ends := map[stock.Storage]thermal.MilliC{stock.Refrigerator: 8000, stock.Room: 25_000}
	rows := beyonduse.StabilityOf(p, diluent, c)
	cold := slices.ContainsFunc(rows, func(r beyonduse.Stability) bool { return r.Storage == stock.Refrigerator && r.Confirmed })
	for _, r := range rows {
		end, ok := ends[r.Storage]
		if !ok || !cold || !r.Confirmed {
			continue
		}
		s.Points = append(s.Points, thermal.StabilityPoint{MilliC: end, Keeps: r.For})
		basis = append(basis, fmt.Sprintf("keeps %v h up to %v °C (%s): %s", r.For.Hours(), end, r.Storage, r.Source))
	}
	return s, basis
}

// placePart is a stretch of time during which the same sensors spoke for a place. A zero to has no end.
type placePart struct {
	from, to time.Time
	sensors  []string
}

// place cuts time where a sensor that speaks for a shelf comes or goes.
func (f *following) place(unit, shelf string) []placePart {
	key := unit + "/" + shelf
	if p, ok := f.places[key]; ok {
		return p
	}
	speaks := func(a stock.Assignment) bool {
		return a.Unit == unit && (len(a.Shelves) == 0 || slices.Contains(a.Shelves, shelf))
	}
	cuts := []time.Time{f.from}
	for _, s := range f.v.Site().Sensors {
		for _, a := range s.Assignments {
			for _, t := range []time.Time{a.From, a.To} {
				if speaks(a) && t.After(f.from) && t.Before(f.at) {
					cuts = append(cuts, t)
				}
			}
		}
	}
	slices.SortFunc(cuts, time.Time.Compare)
	cuts = slices.CompactFunc(cuts, time.Time.Equal)
	var parts []placePart
	for i, from := range cuts {
		p := placePart{from: from}
		if i+1 < len(cuts) {
			p.to = cuts[i+1]
		}
		for _, s := range f.v.Site().Sensors {
			if a, ok := s.At(from); ok && speaks(a) {
				p.sensors = append(p.sensors, s.Code)
			}
		}
		parts = append(parts, p)
	}
	f.places[key] = parts
	return parts
}

// traces of sensors that speak for a unit, in the order given.
func (f *following) traces(ctx context.Context, l *exposureLaw, unit string, sensors []string) ([]*thermal.Trace, error) {
	out := make([]*thermal.Trace, len(sensors))
	for i, code := range sensors {
		key := unit + "|" + code
		if out[i] = l.traces[key]; out[i] != nil {
			continue
		}
		s, _ := f.v.Site().Sensor(code)
		readings, err := f.corrected(ctx, s)
		if err != nil {
			return nil, err
		}
		rules := thermal.TraceRules{MaxGap: s.MaxGap, InAir: !s.InLiquid}
		if rules.InAir {
			if rules.Debit, err = f.warm(ctx, unit); err != nil {
				return nil, err
			}
		}
		out[i] = l.rules.TraceBy(rules, readings)
		l.traces[key] = out[i]
	}
	return out, nil
}

// corrected reads a sensor once. A conflicting instant comes as its two ends: set aside, but a freeze is seen in either.
func (f *following) corrected(ctx context.Context, s stock.Sensor) ([]thermal.Reading, error) {
	if r, ok := f.readings[s.Code]; ok {
		return r, nil
	}
	series, conflicts, err := f.v.Readings(ctx, s.Code, f.from.Add(-s.MaxGap), f.at.Add(s.MaxGap))
	if err != nil {
		return nil, err
	}
	all := slices.Clone(thermal.Correct(series, Calibrations(s)))
	for _, c := range thermal.CorrectConflicts(conflicts, Calibrations(s)) {
		all = append(all, thermal.Reading{AtMicros: c.AtMicros, MilliC: c.LowestMilliC}, thermal.Reading{AtMicros: c.AtMicros, MilliC: c.HighestMilliC})
	}
	f.readings[s.Code] = all
	return all, nil
}

// warm is when a unit's warm cases were, joined where they meet.
func (f *following) warm(ctx context.Context, unit string) (out []thermal.Interval, err error) {
	cases, ok := f.cases[unit]
	if !ok {
		if cases, err = f.v.Cases(ctx, CaseQuery{Unit: unit, From: f.from, To: f.at}); err != nil {
			return nil, err
		}
		f.cases[unit] = cases
	}
	for _, c := range cases {
		if c.Kind != "warm" || c.State == "merged" || c.State == "not borne out" {
			continue
		}
		x := thermal.Interval{FromMicros: c.From.UnixMicro(), ToMicros: c.To.UnixMicro()}
		if c.To.IsZero() {
			x.ToMicros = f.at.UnixMicro()
		}
		out = append(out, x)
	}
	return thermal.Joined(out), nil
}
