package calc

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"vialward/tracker/mixing"
	"vialward/tracker/stock"
)

// Mixture is the document `calc mix` prints. Amounts are decimal strings, to a thousandth, half to even; full_vials and
// left_ml are null where no fill was given.
type Mixture struct {
	ConcentrationMgPerML string   `json:"concentration_mg_per_ml"`
	VolumeML             string   `json:"volume_ml"`
	AddML                string   `json:"add_ml"`
	FullVials            *int     `json:"full_vials"`
	LeftML               *string  `json:"left_ml"`
	MassBalancePercent   string   `json:"mass_balance_percent"`
	Warnings             []string `json:"warnings"`
}

// Mix is `vialward calc mix`: what given source vials make. An error means the input is not the document described;
// a mixture that must not be made is a Result with Exit 3 that says why.
func Mix(in io.Reader) (Result, error) {
	plan, err := readMixDocument(in)
	var refused *stock.Refusal
	if err != nil && !errors.As(err, &refused) {
		return Result{}, fmt.Errorf("calc mix: %w", err)
	}
	var made mixing.Made
	if err == nil {
		made, err = mixing.Make(plan)
	}
	if err != nil {
		return refuse(err), nil
	}
	doc := Mixture{
		ConcentrationMgPerML: stock.SayMilli(int64(made.UgPerML)),
		VolumeML:             stock.SayMilli(int64(made.Volume)),
		AddML:                stock.SayMilli(int64(made.Add)),
		MassBalancePercent:   stock.SayMilli(made.MassBalance),
		Warnings:             made.Warnings,
	}
	if made.Filled {
		left := stock.SayMilli(int64(made.Left))
		doc.FullVials, doc.LeftML = &made.FullVials, &left
	}
	return Result{Document: doc, Text: doc.text(plan)}, nil
}

func (m Mixture) text(p mixing.Plan) string {
	var b strings.Builder
	fmt.Fprintf(&b, "Concentration   %s mg/mL\nVolume          %s mL", m.ConcentrationMgPerML, m.VolumeML)
	if p.BringTo != nil {
		fmt.Fprintf(&b, " (%s mL added)", m.AddML)
	}
	fmt.Fprintf(&b, "\nMass balance    %s %% of the mass in the source vials\n", m.MassBalancePercent)
	if m.FullVials != nil {
		fmt.Fprintf(&b, "Full vials      %d of %s mL, %s mL left\n", *m.FullVials, stock.SayMilli(int64(*p.Fill)), *m.LeftML)
	}
	for _, w := range m.Warnings {
		b.WriteString("Warning         " + w + "\n")
	}
	return b.String() + "\n" + Caution + "\n"
}

// refuse prints every reason there is.
func refuse(err error) Result {
	var doc Refused
	var text strings.Builder
	for _, e := range eachRefusal(err) {
		doc.Refused = append(doc.Refused, Why{e.Error()})
		text.WriteString("REFUSED         " + e.Error() + "\n")
	}
	return Result{Document: doc, Text: text.String() + "\n" + Caution + "\n", Exit: 3}
}

// eachRefusal takes joined errors apart.
func eachRefusal(err error) []error {
	joined, ok := err.(interface{ Unwrap() []error })
	if !ok {
		return []error{err}
	}
	var all []error
	for _, e := range joined.Unwrap() {
		all = append(all, eachRefusal(e)...)
	}
	return all
}
