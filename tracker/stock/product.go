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
	Disposal          string `json:"disposal"` // container in the site's own name
	TwoPersons        bool   `json:"two_persons"`
	Costs             []Cost `json:"costs"`
	ApprovedBy        string `json:"approved_by,omitempty"` // "" = a draft: no batch can be made from it
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
	Name      string     `json:"name"`
	Powder    bool       `json:"powder"`
	Diluent   bool       `json:"diluent"`
	Container bool       `json:"container,omitempty"`
	Optional  bool       `json:"optional,omitempty"`
	PerVial   Micrograms `json:"micrograms_per_source_vial,omitempty"`
	LabelLine *LabelLine `json:"label_line,omitempty"`
	Opened    string     `json:"opened,omitempty"` // kind of container: single dose, multi dose, bulk, ampoule
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

// Batch is what vials have in common.
type Batch struct {
	Site        int32       `json:"site"`
	Code        string      `json:"code"`
	Product     string      `json:"product"`
	Version     int         `json:"version"`
	Area        string      `json:"area"`
	Category    string      `json:"category"` // the lower of product and area
	StartedAt   time.Time   `json:"started_at"`
	CompletedAt time.Time   `json:"completed_at"`
	PreparedBy  string      `json:"prepared_by"`
	VerifiedBy  string      `json:"verified_by,omitempty"`
	TakenOver   bool        `json:"taken_over"`
	Order       string      `json:"order,omitempty"`
	BUD         time.Time   `json:"beyond_use"`
	Governs     string      `json:"governed_by"`
	Candidates  []Candidate `json:"candidates"`
	Components  []Component `json:"components"`
	Made        int         `json:"made"`

	// What chooses the stability row, in every class it is ever placed in. No diluent: not known, of stock taken over.
	Diluent       string        `json:"diluent,omitempty"`
	Concentration Concentration `json:"concentration,omitzero"`

	Steps        []Step `json:"steps,omitempty"`
	ExpectedFull int    `json:"expected_full_vials,omitempty"`
}

// Candidate is one limit a batch's BUD was chosen from.
type Candidate struct {
	Limit     string    `json:"limit"`
	BeyondUse time.Time `json:"beyond_use"`
	Source    string    `json:"source"`
	Confirmed bool      `json:"confirmed"`
}

// Component is a lot that went into a batch, under its name in the master record; several lots of one component stand
// one after the other. Expires or BeyondUse as printed: "2026-12", "2026-12-31" or RFC 3339.
type Component struct {
	Name      string    `json:"name"`
	Lot       string    `json:"lot"`
	Maker     string    `json:"maker,omitempty"`
	Expires   string    `json:"expires,omitempty"`
	BeyondUse string    `json:"beyond_use,omitempty"`
	Amount    string    `json:"amount,omitempty"`
	Opened    string    `json:"opened,omitempty"`   // kind of container, when it was open before
	OpenedAt  time.Time `json:"opened_at,omitzero"` //
	InISO5    bool      `json:"opened_in_iso5"`     //
	UsedAt    time.Time `json:"used_at,omitzero"`   // of the step that used it
}

// Step of a batch's record, signed in order.
type Step struct {
	Name string    `json:"name"`
	By   string    `json:"by"`
	At   time.Time `json:"at"`
}
