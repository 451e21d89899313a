package present

import (
	"fmt"
	"time"

	"vialward/tracker"
	"vialward/tracker/walltime"
)

// Placing is what a place would make of a vial; nothing of it is recorded.
type Placing struct {
	Code      string  `json:"code"`
	BeyondUse Instant `json:"beyond_use"`       // as it stands
	There     Instant `json:"beyond_use_there"` // once it is placed
	Shorter   bool    `json:"shorter"`          // for good, and it then waits for a new label
	Governs   string  `json:"governed_by,omitempty"`
	Source    string  `json:"source,omitempty"`
	Hold      string  `json:"hold,omitempty"` // why it would be held for its bench time
	Refused   string  `json:"refused,omitempty"`
}

// PlacingList is several, in the order asked for.
type PlacingList struct {
	AsOf  Instant   `json:"as_of"`
	To    string    `json:"to"`
	Vials []Placing `json:"vials"`
}

// PlacingList in the site's time.
func (a As) PlacingList(to string, all []tracker.Placing) PlacingList {
	return PlacingList{a.Instant(a.Now), to, each(all, a.Placing)}
}

// Placing in the site's time.
func (a As) Placing(p tracker.Placing) Placing {
	x := Placing{
		Code: p.Vial.Code, BeyondUse: a.Instant(p.Vial.BUD), There: a.Instant(p.BeyondUse), Shorter: p.Shorter(), Governs: p.GovernedBy,
		Source: p.Source, Hold: p.Bench,
	}
	if p.Refused != nil {
		x.Refused = p.Refused.Say
	}
	return x
}

// PlacingInWords is one vial's line.
func PlacingInWords(p tracker.Placing, zone *time.Location) string {
	say := "BUD stays " + walltime.Say(p.Vial.BUD, zone)
	switch {
	case p.Refused != nil:
		return "NOT THERE: " + p.Refused.Say
	case p.Shorter():
		say = fmt.Sprintf("BUD %s instead of %s, for good, and a new label (%s: %s)", walltime.Say(p.BeyondUse, zone), walltime.Say(p.Vial.BUD, zone), p.GovernedBy, p.Source)
	}
	if p.Bench != "" {
		say += "; ON HOLD: " + p.Bench
	}
	return say
}
