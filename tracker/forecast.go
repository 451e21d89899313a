package tracker

import (
	"context"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/thermal"
)

// Opening is when a warm excursion will open if a sensor goes on as it does: between two instants, never at one.
type Opening struct {
	Sensor, Unit     string
	Earliest, Latest time.Time
}

// forecastLooks is how far back a forecast looks: a day has every defrost and every busy hour of the unit.
const forecastLooks = 24 * time.Hour

// Openings foretells them for every sensor whose newest reading is of now and whose clock is not suspect. It pages nobody.
func Openings(ctx context.Context, v View, now time.Time) ([]Opening, error) {
	sensors, err := v.SensorsNow(ctx)
	if err != nil {
		return nil, err
	}
	var out []Opening
	for _, n := range sensors {
		o, ok, err := OpeningOf(ctx, v, n, now)
		if err != nil {
			return nil, err
		}
		if ok {
			out = append(out, o)
		}
	}
	return out, nil
}

// TemperatureReader is the part of a View a forecast reads.
type TemperatureReader interface {
	Site() *stock.Site
	Readings(ctx context.Context, sensor string, from, to time.Time) ([]thermal.Reading, []thermal.Conflict, error)
}

// OpeningOf is the one of a sensor; false where there is nothing to say. Readings are read only where the newest one is
// near its limit or beyond.
func OpeningOf(ctx context.Context, v TemperatureReader, n SensorNow, now time.Time) (Opening, bool, error) {
	s, ok := v.Site().Sensor(n.Sensor)
	a, assigned := s.At(now)
	if !ok || !assigned || n.LastAt.IsZero() || n.ClockSuspect != "" || now.Sub(n.LastAt) > 2*max(s.Interval, s.DeliversEvery) {
		return Opening{}, false, nil
	}
	unit, _, _ := v.Site().UnitAt(a.Unit)
	o := Opening{Sensor: n.Sensor, Unit: a.Unit}
	var series []thermal.Reading
	for _, alarm := range v.Site().RulesOf(unit) {
		rule := ruleOf(s, alarm)
		if rule.Kind != thermal.Warm || Corrected(s, n.LastAt, n.LastMilliC) < rule.LimitMilliC-thermal.Near {
			continue
		}
		if series == nil {
			from := n.LastAt.Add(-forecastLooks)
			if from.Before(a.From) {
				from = a.From // what it measured elsewhere says nothing of this unit
			}
			raw, _, err := v.Readings(ctx, n.Sensor, from, n.LastAt.Add(time.Microsecond))
			if err != nil {
				return o, false, err
			}
			series = thermal.Correct(raw, Calibrations(s))
		}
		f, ok := rule.Forecast(series)
		earliest, latest := time.UnixMicro(f.EarliestMicros).UTC(), time.UnixMicro(f.LatestMicros).UTC()
		if ok && latest.After(now) && (o.Earliest.IsZero() || earliest.Before(o.Earliest)) {
			o.Earliest, o.Latest = earliest, latest
			if earliest.Before(now) {
				o.Earliest = now
			}
		}
	}
	return o, !o.Earliest.IsZero(), nil
}
