package present

import (
	"vialward/tracker"
	"vialward/tracker/stock"
)

// Vial as it stands.
type Vial struct {
	Code      string      `json:"code"`
	Batch     string      `json:"batch"`
	Product   string      `json:"product"`
	Version   int         `json:"version"`
	State     stock.State `json:"state"`
	BeyondUse Instant     `json:"beyond_use"`
	Past      bool        `json:"past_beyond_use"` // as of the document's as_of, whatever its state
	Verified  bool        `json:"verified"`
	Label     int         `json:"label"`           // number of the label it should carry; 0 = none yet
	Place     string      `json:"place,omitempty"` // "R1/A"
	Area      string      `json:"area,omitempty"`  // preparation area it still stands in
	Dest      string      `json:"destination,omitempty"`
	Holds     []Hold      `json:"holds"`
	Cases     []int64     `json:"cases"` // whose holds lie over it
}

// Hold is one of a vial's own.
type Hold struct {
	Kind   string  `json:"kind"`
	Reason string  `json:"reason,omitempty"`
	By     string  `json:"by"`
	Since  Instant `json:"since"`
	Event  int64   `json:"event"` // that placed it
}

// Vial in the site's time.
func (a As) Vial(v stock.Vial) Vial {
	return Vial{
		Code: v.Code, Batch: v.Batch, Product: v.Product, Version: v.Version, State: v.State, BeyondUse: a.Instant(v.BUD), Past: !a.Now.Before(v.BUD),
		Verified: v.Verified, Label: v.Label, Place: v.Place(), Area: v.Area, Dest: v.Dest,
		Holds: each(v.Holds, func(h stock.Hold) Hold { return Hold{h.Kind, h.Reason, h.By, a.Instant(h.Since), h.Seq} }),
		Cases: each(v.Touches, func(t stock.Touch) int64 { return t.Case }),
	}
}

// Vials, each as it stands.
func (a As) Vials(vs []stock.Vial) []Vial { return each(vs, a.Vial) }

// Handled is the answer of an operation on vials: the event it became, and the vials as they are now.
type Handled struct {
	Event int64  `json:"event"`
	Vials []Vial `json:"vials"`
}

// Handled in the site's time.
func (a As) Handled(h tracker.Handled) Handled { return Handled{h.Seq, a.Vials(h.Vials)} }

// Counted is a blind count beside what was expected.
type Counted struct {
	Event    int64 `json:"event"`
	Expected int   `json:"expected"`
	Counted  int   `json:"counted"`
}

// CountedOf an answer.
func CountedOf(c tracker.Counted) Counted { return Counted{c.Seq, c.Expected, c.Counted} }

// Recalled is where everything made from a lot is now.
type Recalled struct {
	Event   int64    `json:"event"`
	Batches []string `json:"batches"`
	OnHand  []string `json:"on_hand"` // on hold from here on
	Issued  []string `json:"issued"`  // on hold as well: nobody may give them
	Gone    []string `json:"gone"`
}

// RecalledOf an answer.
func RecalledOf(r tracker.Recalled) Recalled {
	code := func(v stock.Vial) string { return v.Code }
	return Recalled{r.Seq, append([]string{}, r.Batches...), each(r.Held, code), each(r.Issued, code), each(r.Closed, code)}
}
