package present

import (
	"context"
	"time"

	"vialward/tracker"
	"vialward/tracker/thermal"
)

// Readings of a unit's sensors, from <= at < to.
type Readings struct {
	Unit    string           `json:"unit"`
	From    Instant          `json:"from"`
	To      Instant          `json:"to"`
	Sensors []SensorReadings `json:"sensors"`
}

// SensorReadings is one sensor while it was assigned to the unit; a sensor that came back stands there twice.
type SensorReadings struct {
	Sensor      string        `json:"sensor"`
	Shelves     []string      `json:"shelves"` // for which it spoke; none = all
	Readings    []Reading     `json:"readings"`
	Conflicting []Conflicting `json:"conflicting"` // set aside: believed in none of their values
}

// Reading as it counts and as it came.
type Reading struct {
	At         Instant `json:"at"`
	Celsius    float64 `json:"celsius"` // raw plus the offset of the certificate in force
	RawCelsius float64 `json:"raw_celsius"`
}

// Conflicting is an instant with several raw values.
type Conflicting struct {
	At             Instant `json:"at"`
	LowestCelsius  float64 `json:"lowest_raw_celsius"`
	HighestCelsius float64 `json:"highest_raw_celsius"`
	Values         int     `json:"values"`
}

// ReadingsOf reads a unit's temperatures.
func ReadingsOf(ctx context.Context, v tracker.View, unit string, from, to, now time.Time) (Readings, error) {
	a := Of(v, now)
	if _, _, ok := v.Site().UnitAt(unit); !ok {
		return Readings{}, tracker.NotFound("storage unit", unit)
	}
	out := Readings{Unit: unit, From: a.Instant(from), To: a.Instant(to), Sensors: []SensorReadings{}}
	for _, s := range v.Site().Sensors {
		for _, g := range s.Assignments {
			begin, end := g.From, to
			if from.After(begin) {
				begin = from
			}
			if !g.To.IsZero() && g.To.Before(end) {
				end = g.To
			}
			if g.Unit != unit || !begin.Before(end) {
				continue
			}
			raw, conflicts, err := v.Readings(ctx, s.Code, begin, end)
			if err != nil {
				return out, err
			}
			x := SensorReadings{
				Sensor: s.Code, Shelves: append([]string{}, g.Shelves...), Readings: make([]Reading, len(raw)),
				Conflicting: each(conflicts, func(c thermal.Conflict) Conflicting {
					return Conflicting{a.Instant(time.UnixMicro(c.AtMicros)), c.LowestMilliC.Celsius(), c.HighestMilliC.Celsius(), c.Values}
				}),
			}
			for i, r := range thermal.Correct(raw, tracker.Calibrations(s)) {
				x.Readings[i] = Reading{a.Instant(time.UnixMicro(r.AtMicros)), r.MilliC.Celsius(), raw[i].MilliC.Celsius()}
			}
			out.Sensors = append(out.Sensors, x)
		}
	}
	return out, nil
}
