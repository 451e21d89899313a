package label

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Facts is what a label is made from. The BUD is never typed: it comes from the record.
type Facts struct {
	Name     string // generic, tall-man form where the site lists one
	Strength string // amount / volume and per mL: stock.Product.Strength
	Form     string // "solution for injection"; "" = not printed
	Route    string
	Multi    bool   // multi-dose; else single-dose
	Warning  string // "PARALYZING AGENT"
	Storage  stock.Storage
	Light    bool // protect from light
	Hazard   bool
	Alert    bool // high-alert
	Handling string

	BUD     time.Time
	Zone    *time.Location // of the site
	Code    string         // the vial's code with its check character: see Code
	Label   int            // number of this label on the vial, from 1
	Contact string         // of the compounder: for use outside the site, with the word "compounded"
}

// Line of a label.
type Line struct {
	Kind string // name, strength, warning, hazard, bud, storage, code, replaces, light, route, container, alert, handling, compounded
	Text string
	Must bool // stands on the smallest label too
}

// Lines of the label, the most important first: what a small label has no room for is at the end.
//
// The elements follow what USP <797> asks of a label (internal identification, active ingredient and amount or
// concentration, storage unless room, BUD as a date or date and hour, form, total volume, single or multi-dose) and of
// labelling (route, handling, warnings, for outside use the compounder's contact and "compounded"): M, a local
// procedure agrees (R). Their order on a 2 mL vial is our own.
func Lines(f Facts) ([]Line, error) {
	if err := f.check(); err != nil {
		return nil, err
	}
	var lines []Line
	add := func(when bool, kind, text string, must bool) {
		if when {
			lines = append(lines, Line{kind, text, must})
		}
	}
	add(true, "name", f.Name, true)
	add(true, "strength", f.Strength, true)
	add(f.Warning != "", "warning", "WARNING: "+f.Warning, true)
	add(f.Hazard, "hazard", "HAZARDOUS DRUG", true)
	// The BUD limits the start of administration, and people read "EXP" as "finish by": so the label says what to do.
	add(true, "bud", "BUD "+walltime.Say(walltime.CutMinute(f.BUD), f.Zone)+" - start BEFORE this", true)
	add(f.Storage == stock.Refrigerator, "storage", "Refrigerate 2 to 8 C, do not freeze", true)
	add(f.Storage == stock.Freezer, "storage", "Keep frozen -25 to -10 C, do not refreeze", true)
	add(true, "code", "Lot-vial "+f.Code, true)
	add(f.Label > 1, "replaces", fmt.Sprintf("Label %d, replaces label %d", f.Label, f.Label-1), true)
	add(f.Alert, "alert", "HIGH-ALERT", false)
	add(f.Light, "light", "Protect from light", false)
	add(f.Route != "", "route", f.Route, false)
	add(true, "container", f.container(), false)
	add(f.Storage == stock.Room, "storage", "Room temperature 20 to 25 C", false)
	add(f.Handling != "", "handling", f.Handling, false)
	add(f.Contact != "", "compounded", "Compounded by "+f.Contact, false)
	return lines, nil
}

// Fit keeps the lines that n lines of a label have room for: all that must stand, then others in their order.
func Fit(lines []Line, n int) ([]Line, error) {
	must := 0
	for _, l := range lines {
		if l.Must {
			must++
		}
	}
	if must > n {
		return nil, fmt.Errorf("the label has room for %d lines, but %d must stand on it: use a larger label, or a flag label", n, must)
	}
	var kept []Line
	room := n - must
	for _, l := range lines {
		if !l.Must {
			if room == 0 {
				continue
			}
			room--
		}
		kept = append(kept, l)
	}
	return kept, nil
}

func (f Facts) container() string {
	dose := "single-dose vial"
	if f.Multi {
		dose = "multi-dose vial"
	}
	if f.Form != "" {
		return f.Form + ", " + dose
	}
	return strings.ToUpper(dose[:1]) + dose[1:]
}

// check lists everything the label lacks, and every way of writing an amount that has been misread before.
func (f Facts) check() error {
	var wrong []error
	needs := func(ok bool, what string) {
		if !ok {
			wrong = append(wrong, fmt.Errorf("the label needs %s", what))
		}
	}
	needs(strings.TrimSpace(f.Name) != "", "the drug's full generic name")
	needs(strings.TrimSpace(f.Strength) != "", "the strength as amount / volume")
	needs(!f.BUD.IsZero(), "the beyond-use date of the record")
	needs(f.Zone != nil, "the site's time zone")
	needs(f.Storage.Known(), "a storage class: room, refrigerator or freezer")
	if _, err := CheckCode(f.Code); err != nil {
		wrong = append(wrong, fmt.Errorf("the label needs the vial's code: %w", err))
	}
	for _, text := range []string{f.Name, f.Strength, f.Form, f.Route, f.Warning, f.Handling, f.Contact} {
		if strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r == 0x7f }) {
			wrong = append(wrong, fmt.Errorf("%q holds a line break or another control character: write it as one line", text))
		}
	}
	for _, text := range []string{f.Name, f.Strength, f.Form, f.Route, f.Warning, f.Handling} { // a contact may be a number
		for _, say := range Misreadable(text) {
			wrong = append(wrong, fmt.Errorf("%q: %s", text, say))
		}
	}
	return errors.Join(wrong...)
}
