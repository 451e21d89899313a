package web

import (
	"context"
	"fmt"
	"html/template"
	"time"

	"vialward/cmd/vialward/internal/render"
	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/thermal"
)

// picture is one trace, drawn for a wide page and for a phone: the style sheet shows one of them.
type picture struct {
	From, To     moment
	Wide, Narrow template.HTML
	Sensors      []sensorSpan
}

// sensorSpan is what one sensor's readings came to in the time shown; for those who do not look at the picture.
type sensorSpan struct {
	Sensor          string
	Readings        int
	Lowest, Highest string
	Missing         string // how long there was no data, in all
	LowAt, HighAt   moment
}

// trace draws a unit's temperatures between two instants, with the cases that meet them.
func (v *visit) trace(ctx context.Context, u stock.Unit, from, to time.Time, cases []tracker.Case) (picture, error) {
	p := picture{From: v.at(from), To: v.at(to)}
	series, err := v.series(ctx, u.Code, from, to)
	if err != nil {
		return p, err
	}
	low, high, freeze := v.drawnRange(u)
	o := render.Options{
		ID: "wide", Title: fmt.Sprintf("Temperatures of %s", u.Code), From: from, To: to, Zone: v.zone, Series: series,
		Low: low, High: high, Freeze: freeze, Fahrenheit: v.fahrenheit,
	}
	for _, c := range cases {
		if c.State == "merged" || c.State == "not borne out" {
			continue
		}
		o.Marks = append(o.Marks, render.Mark{From: c.From, To: c.To, Say: fmt.Sprintf("case %d %s", c.No, stock.ExcursionWord(c.Kind))})
	}
	p.Wide = template.HTML(render.Trace(o)) //nolint:gosec // render escapes every text it is given
	o.ID, o.Width, o.Height = "narrow", 350, 330
	p.Narrow = template.HTML(render.Trace(o)) //nolint:gosec // as above
	for _, s := range series {
		p.Sensors = append(p.Sensors, v.spanOf(s, from, to))
	}
	return p, nil
}

func (v *visit) spanOf(s render.Series, from, to time.Time) sensorSpan {
	x := sensorSpan{Sensor: s.Name}
	var lo, hi thermal.Reading
	for _, r := range s.Readings {
		if r.AtMicros < from.UnixMicro() || r.AtMicros > to.UnixMicro() {
			continue
		}
		if x.Readings == 0 || r.MilliC < lo.MilliC {
			lo = r
		}
		if x.Readings == 0 || r.MilliC > hi.MilliC {
			hi = r
		}
		x.Readings++
	}
	missing := time.Duration(0)
	for _, g := range s.Gaps(from, to) {
		missing += g.To.Sub(g.From)
	}
	if missing > 0 {
		x.Missing = span(missing)
	}
	if x.Readings > 0 {
		x.Lowest, x.LowAt, x.Highest, x.HighAt = v.degrees(lo.MilliC), v.atMicros(lo.AtMicros), v.degrees(hi.MilliC), v.atMicros(hi.AtMicros)
	}
	return x
}

// series are the corrected readings of every sensor that was in a unit at some time between two instants. A little more
// is read on either side, so that lines reach the picture's edge.
func (v *visit) series(ctx context.Context, unit string, from, to time.Time) ([]render.Series, error) {
	var out []render.Series
	for _, s := range v.site.Sensors {
		for _, a := range s.Assignments {
			if a.Unit != unit || !a.From.Before(to) || !a.To.IsZero() && !a.To.After(from) {
				continue
			}
			begin, end := from.Add(-s.MaxGap), to.Add(s.MaxGap)
			if a.From.After(begin) {
				begin = a.From
			}
			if !a.To.IsZero() && a.To.Before(end) {
				end = a.To
			}
			raw, conflicts, err := v.view.Readings(ctx, s.Code, begin, end)
			if err != nil {
				return nil, err
			}
			calibrations := tracker.Calibrations(s)
			out = append(out, render.Series{
				Name: s.Code, Readings: thermal.Correct(raw, calibrations), Conflicts: thermal.CorrectConflicts(conflicts, calibrations),
				MaxGap: s.MaxGap, From: a.From, To: a.To,
			})
		}
	}
	return out, nil
}

// drawnRange is the band of a picture: the unit's own limits, else those of its storage class (USP <659>, read in a
// secondary copy, R). The picture only shows it; what is an excursion is decided by rules alone.
func (v *visit) drawnRange(u stock.Unit) (low, high thermal.MilliC, freeze *thermal.MilliC) {
	switch u.Class {
	case stock.Freezer:
		low, high = -25_000, -10_000
	case stock.Room:
		low, high = 20_000, 25_000
	case stock.Refrigerator:
		low, high = 2000, 8000
	}
	cold, warm, freeze := v.limits(u)
	if cold != nil {
		low = *cold
	}
	if warm != nil {
		high = *warm
	}
	if high <= low {
		high = low + 1000
	}
	return low, high, freeze
}
