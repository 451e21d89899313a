package present

import (
	"time"

	"vialward/tracker"
	"vialward/tracker/thermal"
)

// Exposure of a vial: how cold it has been kept, and what is proposed. It decides nothing.
type Exposure struct {
	Vial      string  `json:"vial"`
	At        Instant `json:"at"`
	BeyondUse Instant `json:"beyond_use"`
	Known     bool    `json:"known"`
	Why       string  `json:"why,omitempty"` // nothing is known

	MinutesAbove       map[string]float64 `json:"minutes_above"` // by °C; empty while nothing is known
	MinutesBelow       map[string]float64 `json:"minutes_below"`
	DebitedMinutes     float64            `json:"debited_minutes"`
	AllowedOutMinutes  *int               `json:"allowed_out_minutes"`
	FreezeReadings     int                `json:"freeze_readings"`
	UnknownMinutes     float64            `json:"unknown_minutes"`
	LowestCelsius      *float64           `json:"min_celsius"`
	HighestCelsius     *float64           `json:"max_celsius"`
	StabilityUsed      *float64           `json:"stability_used"`
	BeyondModelMinutes float64            `json:"beyond_model_minutes"`
	ChemicalLimit      *Instant           `json:"chemical_limit"` // says nothing about sterility

	Proposals []thermal.Proposal `json:"proposals"`
	Parts     []ExposurePart     `json:"parts"`
	Sources   []string           `json:"sources"`
	Assumed   []string           `json:"assumptions"`
}

// ExposurePart is where it was meanwhile, and by what its temperature is known: sensors, an assumed one, or nothing.
type ExposurePart struct {
	Place   string   `json:"place"`
	From    Instant  `json:"from"`
	To      Instant  `json:"to"`
	Sensors []string `json:"sensors"`
	Assumed *float64 `json:"assumed_celsius"`
}

// Exposure in the site's time.
func (a As) Exposure(x tracker.VialExposure) Exposure {
	e := x.Thermal
	out := Exposure{
		Vial: x.Vial.Code, At: a.Instant(x.At), BeyondUse: a.Instant(x.Vial.BUD), Known: x.Known, Why: x.Why,
		MinutesAbove: map[string]float64{}, MinutesBelow: map[string]float64{},
		Proposals: append([]thermal.Proposal{}, e.Proposals...), Sources: append([]string{}, x.Basis...), Assumed: append([]string{}, x.Assumed...),
		Parts: each(x.Parts, func(p tracker.ExposurePart) ExposurePart {
			part := ExposurePart{p.Place, a.Instant(p.From), a.Instant(p.To), append([]string{}, p.Sensors...), nil}
			if p.AssumedMilliC != nil {
				c := thermal.MilliC(*p.AssumedMilliC).Celsius()
				part.Assumed = &c
			}
			return part
		}),
	}
	if x.Product.AllowedOutSource != "" {
		out.AllowedOutMinutes = x.Product.AllowedOutMinutes
	}
	if !x.Known {
		return out
	}
	out.MinutesAbove = map[string]float64{"8": e.Above8.Minutes(), "15": e.Above15.Minutes(), "25": e.Above25.Minutes()}
	out.MinutesBelow = map[string]float64{"2": e.Below2.Minutes()}
	out.DebitedMinutes, out.UnknownMinutes, out.BeyondModelMinutes = e.Debited.Minutes(), e.Unknown.Minutes(), e.BeyondModel.Minutes()
	out.FreezeReadings = e.FreezeReadings
	if e.Measured {
		out.LowestCelsius, out.HighestCelsius = &e.MinCelsius, &e.MaxCelsius
	}
	if e.Modelled {
		out.StabilityUsed = &e.StabilityUsed
	}
	if e.Limited {
		limit := a.Instant(time.UnixMicro(e.ChemicalLimitMicros))
		out.ChemicalLimit = &limit
	}
	return out
}
