package present

import (
	"context"
	"fmt"
	"time"

	"vialward/tracker"
	"vialward/tracker/thermal"
)

// Case is a unit's excursion.
type Case struct {
	Case       int64       `json:"case"`
	Unit       string      `json:"unit"`
	Kind       string      `json:"kind"`  // warm, cold, freeze, no_data
	State      string      `json:"state"` // open, recovered, closed, merged, not borne out
	From       Instant     `json:"from"`
	To         *Instant    `json:"to"`
	RaisedAt   Instant     `json:"raised_at"`
	Recovered  *Instant    `json:"recovered_at"`
	MergedInto int64       `json:"merged_into,omitempty"`
	Late       bool        `json:"found_late"`
	Muted      bool        `json:"muted"` // by planned work: its page, never the record
	Excursions []Excursion `json:"excursions"`
}

// Excursion of one sensor.
type Excursion struct {
	Sensor         string   `json:"sensor"`
	Kind           string   `json:"kind"`
	From           Instant  `json:"from"`
	To             *Instant `json:"to"`
	WorstFrom      *Instant `json:"worst_from"` // the last good reading before
	WorstTo        *Instant `json:"worst_to"`   // the first good one after
	ExtremeCelsius *float64 `json:"extreme_celsius"`
	Readings       int      `json:"readings"`
	FreezeReadings int      `json:"freeze_readings"`
	NotBorneOut    bool     `json:"not_borne_out"`
}

// Case in the site's time.
func (a As) Case(k tracker.Case) Case {
	return Case{
		Case: k.No, Unit: k.Unit, Kind: k.Kind, State: k.State, From: a.Instant(k.From), To: a.Maybe(k.To), RaisedAt: a.Instant(k.RaisedAt),
		Recovered: a.Maybe(k.RecoveredAt), MergedInto: k.MergedInto, Late: k.Late, Muted: k.Muted, Excursions: each(k.Excursions, a.excursion),
	}
}

func (a As) excursion(x tracker.ExcursionRow) Excursion {
	f := x.Found
	r := Excursion{
		Sensor: x.Sensor, Kind: string(f.Kind), From: a.Instant(time.UnixMicro(f.FromMicros)), To: a.micros(f.ToMicros),
		WorstFrom: a.micros(f.WorstFromMicros), WorstTo: a.micros(f.WorstToMicros), Readings: f.Readings, FreezeReadings: f.FreezeReadings,
		NotBorneOut: x.NotBorneOut,
	}
	if f.Kind != thermal.NoData {
		c := f.ExtremeMilliC.Celsius()
		r.ExtremeCelsius = &c
	}
	return r
}

// CaseWithStock is a case and every vial it touched.
type CaseWithStock struct {
	AsOf    Instant       `json:"as_of"`
	Case    Case          `json:"case"`
	Touched []TouchedVial `json:"touched"`
	Decided []Event       `json:"decided"` // what people released, discarded or shortened: which vials, when, why
}

// TouchedVial stands where it stands now, and was where the excursion met it.
type TouchedVial struct {
	Vial     Vial   `json:"vial"`
	Hold     int64  `json:"hold"`
	Was      Stay   `json:"was"`
	Released bool   `json:"released"`
	Kind     string `json:"kind"`
}

// CaseOf reads a case by its number, with its stock.
func CaseOf(ctx context.Context, v tracker.View, no int64, now time.Time) (CaseWithStock, error) {
	a := Of(v, now)
	found, err := v.Cases(ctx, tracker.CaseQuery{No: no})
	if err != nil {
		return CaseWithStock{}, err
	}
	if len(found) == 0 || no == 0 { // 0 asks for all of them
		return CaseWithStock{}, tracker.NotFound("case", fmt.Sprint(no))
	}
	out := CaseWithStock{AsOf: a.Instant(now), Case: a.Case(found[0]), Touched: []TouchedVial{}}
	var codes []string
	holds, err := v.Holds(ctx, no)
	if err != nil {
		return out, err
	}
	for _, h := range holds {
		vials, err := v.Touched(ctx, h.ID)
		if err != nil {
			return out, err
		}
		for _, x := range vials {
			out.Touched = append(out.Touched, TouchedVial{a.Vial(x.Vial), h.ID, a.Stay(x.Stay), x.Released, h.Kind})
			codes = append(codes, x.Vial.Code)
		}
	}
	decided, err := DecidedOn(ctx, v, found[0], codes)
	out.Decided = each(decided, a.Event)
	return out, err
}
