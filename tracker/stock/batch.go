package stock

import "time"

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

	Mixture *Mixture `json:"mixture,omitempty"` // nil = what went in was not recorded
	Steps   []Step   `json:"steps,omitempty"`
	Closing *Closing `json:"closing,omitempty"` // nil = open
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

// Mixture is what went into a batch and what that comes to, as it was worked out when it was prepared.
type Mixture struct {
	Powder      string       `json:"powder"` // name of the component
	SourceVials int          `json:"source_vials"`
	AmountUnit  string       `json:"amount_unit,omitempty"` // "units": what is called micrograms is thousandths of one; "" = mg
	PerVial     Micrograms   `json:"micrograms_per_source_vial"`
	DiluentEach Microlitres  `json:"diluent_microlitres"`
	Withdrawn   *Microlitres `json:"withdrawn_microlitres,omitempty"` // from each; nil = all of it
	BringTo     *Microlitres `json:"bring_to_microlitres,omitempty"`
	LabelLine   *LabelLine   `json:"label_line,omitempty"` // that was followed

	Pool        Microlitres `json:"pool_microlitres"`
	UgPerML     Micrograms  `json:"micrograms_per_ml"` // of the pool, half to even
	FullVials   int         `json:"expected_full_vials"`
	Left        Microlitres `json:"left_microlitres"` // expected beyond them
	MassBalance int64       `json:"mass_balance_milli_percent"`
	Tolerance   int64       `json:"tolerance_milli_percent"`
	Warnings    []string    `json:"warnings,omitempty"`
}

// Step of a batch's record: who did it and when, and who entered it, when. Steps stand in their order, none without the
// one before.
type Step struct {
	Name      string    `json:"name"`
	By        string    `json:"by"`
	At        time.Time `json:"at"`
	EnteredBy string    `json:"entered_by"`
	EnteredAt time.Time `json:"entered_at"`
}

// Closing is the end of a batch's record: every vial that was filled and everything that was thrown away is accounted
// for.
type Closing struct {
	By        string    `json:"by"`
	At        time.Time `json:"at"`
	EnteredAt time.Time `json:"entered_at"`
	Witness   string    `json:"witness,omitempty"`

	Filled   int          `json:"filled"` // full vials, good or not: labelled, rejected and samples add up to them
	Labelled int          `json:"labelled"`
	Rejected int          `json:"rejected"`
	Samples  int          `json:"samples"`
	Left     *Microlitres `json:"left_microlitres,omitempty"` // measured in the pool after the last full vial
	Yield    *Yield       `json:"yield,omitempty"`            // nil = what went in was not recorded, so there is nothing to compare with
	Disposed []Disposal   `json:"disposed"`
	Explains string       `json:"explanation,omitempty"` // a pharmacist's, where the yield lies outside its tolerance
	Note     string       `json:"note,omitempty"`
}

// Yield sets what was expected of a batch beside what came.
type Yield struct {
	ExpectedVials int         `json:"expected_vials"`
	ForStock      int         `json:"for_stock"`           // filled, neither rejected nor samples
	Missing       Microlitres `json:"missing_microlitres"` // expected volume not found again; negative = more than expected
	MilliPercent  int64       `json:"found_milli_percent"` // found volume of the expected one, half to even
	Tolerance     int64       `json:"tolerance_milli_percent"`
	Outside       bool        `json:"outside_tolerance"`
}

// Disposal is what of a batch went into one container, in the site's own name.
type Disposal struct {
	What      string      `json:"what"` // one of the kinds below
	Container string      `json:"container,omitempty"`
	Count     int         `json:"count,omitempty"`
	Volume    Microlitres `json:"volume_microlitres,omitempty"` // of residue
}

// What a batch leaves behind.
const (
	SourceVials   = "spent source vials"
	Sharps        = "sharps"
	Residue       = "residue"
	RejectedVials = "rejected vials"
)
