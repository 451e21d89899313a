package present

import (
	"context"
	"time"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// Unit is a storage unit, what is in it and how cold it is.
type Unit struct {
	Code          string        `json:"code"`
	Name          string        `json:"name,omitempty"`
	Room          string        `json:"room"`
	Class         stock.Storage `json:"class"`
	HazardousOnly bool          `json:"hazardous_only"`
	Shelves       []string      `json:"shelves"` // in walking order
	Vials         int           `json:"vials"`
	VialsOnHold   int           `json:"vials_on_hold"`
	OpenCases     []int64       `json:"open_cases"`
	Sensors       []Sensor      `json:"sensors"`
}

// Sensor and its newest reading, corrected. Old says that it is older than two of its intervals: it is no temperature
// of now.
type Sensor struct {
	Sensor       string   `json:"sensor"`
	Shelves      []string `json:"shelves"` // for which it speaks; none = all
	LastAt       *Instant `json:"last_at"`
	LastCelsius  *float64 `json:"last_celsius"`
	Old          bool     `json:"old"`
	SilentSince  *Instant `json:"silent_since"`
	ClockSuspect string   `json:"clock_suspect,omitempty"`
	StuckSince   *Instant `json:"stuck_since"` // one value and no other since then, for longer than the site finds likely
	// Certificate in force; past due, what it measures is shown and cannot be relied on.
	CalibrationDue     *Instant `json:"calibration_due"` // null = none in force, or none that says until when
	CalibrationPastDue bool     `json:"calibration_past_due"`
	// Warming: a warm excursion opens between these, if it goes on as it does. Null while nothing can be said.
	OpensFrom *Instant `json:"excursion_forecast_from"`
	OpensTo   *Instant `json:"excursion_forecast_to"`
	// NeverHeard: not one reading of it is on record; of the unproven vials in its place no temperature at all, since then.
	NeverHeard    bool     `json:"never_heard"`
	AssignedSince *Instant `json:"assigned_since"`
	UnprovenVials int      `json:"unproven_vials"`
	UnprovenSince *Instant `json:"unproven_since"`
}

// UnitsOf reads every unit in walking order.
func UnitsOf(ctx context.Context, v tracker.View, now time.Time) ([]Unit, error) {
	a := Of(v, now)
	vials, err := v.Find(ctx, tracker.VialQuery{States: []stock.State{stock.InPreparation, stock.Available}})
	if err != nil {
		return nil, err
	}
	cases, err := v.Cases(ctx, tracker.CaseQuery{OpenOnly: true})
	if err != nil {
		return nil, err
	}
	latest, err := v.SensorsNow(ctx)
	if err != nil {
		return nil, err
	}
	unheard, err := tracker.UnheardSensors(ctx, v, now)
	if err != nil {
		return nil, err
	}
	openings, err := tracker.Openings(ctx, v, now)
	if err != nil {
		return nil, err
	}
	units := []Unit{}
	for _, r := range v.Site().Rooms {
		for _, u := range r.Units {
			x := Unit{
				Code: u.Code, Name: u.Name, Room: r.Code, Class: u.Class, HazardousOnly: u.HazardousOnly,
				Shelves: each(u.Shelves, func(s stock.Shelf) string { return s.Code }), OpenCases: []int64{}, Sensors: a.sensorsOf(v.Site(), u.Code, latest, unheard, openings),
			}
			for _, y := range vials {
				if y.Unit != u.Code {
					continue
				}
				x.Vials++
				if len(y.Holds)+len(y.Touches) > 0 {
					x.VialsOnHold++
				}
			}
			for _, c := range cases {
				if c.Unit == u.Code {
					x.OpenCases = append(x.OpenCases, c.No)
				}
			}
			units = append(units, x)
		}
	}
	return units, nil
}

func (a As) sensorsOf(site *stock.Site, unit string, latest []tracker.SensorNow, unheard []tracker.UnheardSensor, openings []tracker.Opening) []Sensor {
	out := []Sensor{}
	for _, s := range site.Sensors {
		assigned, ok := s.At(a.Now)
		if !ok || assigned.Unit != unit {
			continue
		}
		x := Sensor{Sensor: s.Code, Shelves: append([]string{}, assigned.Shelves...), Old: true, AssignedSince: a.Maybe(assigned.From)}
		for _, y := range unheard {
			if y.Sensor == s.Code {
				x.NeverHeard, x.UnprovenVials, x.UnprovenSince = true, len(y.Unproven), a.Maybe(y.Since)
			}
		}
		if c, ok := s.CalibrationAt(a.Now); ok {
			x.CalibrationDue, x.CalibrationPastDue = a.Maybe(c.Due), !c.Due.IsZero() && !a.Now.Before(c.Due)
		}
		for _, o := range openings {
			if o.Sensor == s.Code {
				x.OpensFrom, x.OpensTo = a.Maybe(o.Earliest), a.Maybe(o.Latest)
			}
		}
		for _, n := range latest {
			if n.Sensor != s.Code {
				continue
			}
			x.SilentSince, x.ClockSuspect, x.StuckSince = a.Maybe(n.SilentSince), n.ClockSuspect, a.Maybe(n.StuckSince(s))
			if n.LastAt.IsZero() {
				continue
			}
			c := tracker.Corrected(s, n.LastAt, n.LastMilliC).Celsius()
			x.LastAt, x.LastCelsius = a.Maybe(n.LastAt), &c
			x.Old = a.Now.Sub(n.LastAt) > 2*max(s.Interval, s.DeliversEvery)
		}
		out = append(out, x)
	}
	return out
}
