package stock

import (
	"fmt"
	"strings"
	"time"
)

// Product is one version of a master record. A batch is pinned to its version for good.
type Product struct {
	Code       string      `json:"code"`
	Version    int         `json:"version"`
	Name       string      `json:"name"` // generic name, tall-man form where the site lists one
	Amount     Micrograms  `json:"amount_micrograms"`
	AmountUnit string      `json:"amount_unit,omitempty"` // "" = mass; "units" = thousandths of a unit stand in Amount
	Volume     Microlitres `json:"volume_microlitres"`
	Container  string      `json:"container"`
	ContainerL Microlitres `json:"container_microlitres"`
	GTIN       string      `json:"gtin,omitempty"`
	Route      string      `json:"route,omitempty"`

	Category   string         `json:"category"` // immediate, 1, 2, 3
	Method     string         `json:"method"`   // aseptic, terminal
	Tested     bool           `json:"sterility_tested"`
	Nonsterile bool           `json:"nonsterile_component"`
	Storage    Storage        `json:"storage"`
	Stability  []StabilityRow `json:"stability"`
	CapHours   int            `json:"cap_hours,omitempty"`
	Components []ComponentUse `json:"components"`

	AllowedOutMinutes *int   `json:"allowed_out_minutes,omitempty"` // nil = none: there is no default
	AllowedOutSource  string `json:"allowed_out_source,omitempty"`
	BenchMinutes      int    `json:"bench_minutes"` // from completion to first placing
	FreezeMilliC      int32  `json:"freeze_milli_celsius"`
	Light             bool   `json:"protect_from_light"`
	Hazardous         bool   `json:"hazardous"`
	FreezeSensitive   bool   `json:"freeze_sensitive"`
	HighAlert         bool   `json:"high_alert"`
	Warning           string `json:"warning,omitempty"`
	Disposal          string `json:"disposal"`         // container in the site's own name
	Sharps            string `json:"sharps,omitempty"` // container for needles and syringes of its preparation
	TwoPersons        bool   `json:"two_persons"`
	Costs             []Cost `json:"costs"`
	Loss              Loss   `json:"loss,omitzero"`
	Tolerance         int64  `json:"tolerance_milli_percent,omitempty"` // how far strength and yield may lie from label and plan; 0 = none set
	ApprovedBy        string `json:"approved_by,omitempty"`             // "" = a draft: no batch can be made from it
	DraftBecause      string `json:"draft_because,omitempty"`
}

// StabilityRow is one sourced figure of the product.
type StabilityRow struct {
	Diluent     string  `json:"diluent"` // name of the component the drug ends in
	FromMgPerML string  `json:"from_mg_per_ml,omitempty"`
	ToMgPerML   string  `json:"to_mg_per_ml,omitempty"`
	Storage     Storage `json:"storage"`
	Minutes     int     `json:"minutes"`
	Source      string  `json:"source"`
	Tag         string  `json:"tag,omitempty"` // "M" or "confirm": needs ConfirmedBy
	ConfirmedBy string  `json:"confirmed_by,omitempty"`
}

// ComponentUse is what goes into a product, by the name under which a batch gives its lots: a source drug as powder with
// the label line it is dissolved by, a diluent, a container, or anything else. One that is not optional must be given;
// of the diluents that have stability rows, one.
type ComponentUse struct {
	Name      string      `json:"name"`
	Powder    bool        `json:"powder"`
	Diluent   bool        `json:"diluent"`
	Container bool        `json:"container,omitempty"`
	Optional  bool        `json:"optional,omitempty"`
	PerVial   Micrograms  `json:"micrograms_per_source_vial,omitempty"`
	Dissolve  Microlitres `json:"dissolve_in_microlitres,omitempty"` // diluent into one source vial, where no label line says it
	LabelLine *LabelLine  `json:"label_line,omitempty"`
	Opened    string      `json:"opened,omitempty"` // kind of container: single dose, multi dose, bulk, ampoule
}

// DissolveIn is the diluent that goes into one source vial: by its label line, or as the master record says; 0 = not said.
func (u ComponentUse) DissolveIn() Microlitres {
	if u.LabelLine != nil {
		return u.LabelLine.Diluent
	}
	return u.Dissolve
}

// Loss is what preparing is allowed to lose. The figures are the site's own.
type Loss struct {
	PerSource Microlitres `json:"per_source_vial_microlitres,omitempty"` // stays behind in each source vial
	PerVial   Microlitres `json:"per_vial_microlitres,omitempty"`        // at the filling of each finished vial
	Pool      Microlitres `json:"pool_microlitres,omitempty"`            // in tubing and filter, once
}

// LabelLine is what the manufacturer's label says of reconstitution; never carried from one line to another.
type LabelLine struct {
	Diluent  Microlitres `json:"diluent_microlitres"`
	UgPerML  Micrograms  `json:"micrograms_per_ml"`
	VolumeUL Microlitres `json:"volume_microlitres"`
	Source   string      `json:"source,omitempty"` // whose label
}

// Cost of one finished vial from an instant on.
type Cost struct {
	From  time.Time `json:"from"`
	Cents int64     `json:"cents"`
}

// CostAt in cents; the last cost that had begun.
func (p Product) CostAt(t time.Time) int64 {
	var cents int64
	for _, c := range p.Costs {
		if !t.Before(c.From) {
			cents = c.Cents
		}
	}
	return cents
}

// Strength as amount / volume and per mL: "40 mg / 10 mL (4 mg/mL)". Units and mcg in full, no trailing zeros.
func (p Product) Strength() string {
	amount, unit := SayMilli(int64(p.Amount)), "mg" // micrograms are thousandths of a milligram
	switch {
	case p.AmountUnit == "units":
		unit = "units"
	case p.Amount < 1000:
		amount, unit = fmt.Sprint(int64(p.Amount)), "mcg"
	}
	s := amount + " " + unit + " / " + SayMilli(int64(p.Volume)) + " mL"
	if p.Volume > 0 && int64(p.Amount)*1000%int64(p.Volume) == 0 {
		per := int64(p.Amount) * 1000 / int64(p.Volume)
		word := SayMilli(per) + " " + unit + "/mL"
		if unit == "mcg" {
			word = fmt.Sprint(per) + " mcg/mL"
		}
		s += " (" + word + ")"
	}
	return s
}

// FullName is what lists, mails and labels print.
func (p Product) FullName() string { return strings.TrimSpace(p.Name + " " + p.Strength()) }

// Concentration on the label of a finished vial.
func (p Product) Concentration() Concentration { return Concentration{p.Amount, p.Volume} }
