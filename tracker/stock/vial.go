package stock

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"vialward/tracker/walltime"
)

// State is where a vial stands in its life. "Expired" and "on hold" are not states: they follow from the clock and
// from holds, at the instant someone asks.
type State string

const (
	InPreparation State = "prepared" // made, perhaps labelled and placed, not verified: not issuable
	Available     State = "available"
	WithWard      State = "issued"
	WasGiven      State = "given"
	WasDiscarded  State = "discarded"
	WasLost       State = "lost"
	WasVoided     State = "voided"
	WasSent       State = "sent"
)

// Closed says whether the vial's life has ended. A lost one can be found again.
func (s State) Closed() bool {
	switch s {
	case WasGiven, WasDiscarded, WasLost, WasVoided, WasSent:
		return true
	default:
		return false
	}
}

// Before stands for the preparer of stock that was there before the record.
const Before = "(before)"

// Kinds of a vial's own holds. Excursions hold by interval, not by vial: see Touch.
const (
	HoldReturn  = "return"
	HoldRecall  = "recall"
	HoldCount   = "count"
	HoldTest    = "test pending"
	HoldRelabel = "relabel"
	HoldManual  = "manual"
	HoldFound   = "found"      // was lost
	HoldBench   = "bench time" // stood too long before it was first placed
)

// Hold is one of a vial's own holds, as it stands.
type Hold struct {
	Kind   string    `json:"kind"`
	Reason string    `json:"reason,omitempty"`
	By     string    `json:"by"`
	Since  time.Time `json:"since"`
	Seq    int64     `json:"seq"` // of the event that placed it
}

// Touch is an excursion's hold that meets one of the vial's stays and has not been released for it.
type Touch struct {
	HoldID int64  `json:"hold_id"`
	Case   int64  `json:"case"`
	Kind   string `json:"kind"` // warm, cold, freeze, no_data
	Unit   string `json:"unit"`
}

// Vial is the sum of its events. Apply is the only thing that changes it.
type Vial struct {
	Site       int32
	Code       string
	Batch      string
	Serial     int
	Product    string
	Version    int
	PreparedBy string
	State      State
	BUD        time.Time
	Label      int // number of the label it should carry; 0 = none yet
	Verified   bool
	VerifiedBy string
	Unit       string // "" while it is in no storage unit
	Shelf      string // within the unit, "A"
	Area       string // preparation area it still stands in
	Dest       string // where it was issued or sent to
	EnteredAt  time.Time
	Holds      []Hold
	LastSeen   time.Time // last instant its place was known for sure
	ClosedBy   Kind
	Seq        int64 // last event applied

	Touches []Touch // filled in by whoever loads it; not part of the sum
}

// Place is "R1/A", or "" when the vial is in no storage unit.
func (v Vial) Place() string {
	if v.Unit == "" {
		return ""
	}
	return v.Unit + "/" + v.Shelf
}

// Refusal is an answer a person can act on; Code lets programs tell the cases apart.
type Refusal struct {
	Code string `json:"code"` // expired, on_hold, old_label, unverified, gone, same_person, wrong_state, ...
	Vial string `json:"vial,omitempty"`
	Say  string `json:"why"`
}

func (r *Refusal) Error() string {
	if r.Vial != "" {
		return r.Vial + ": " + r.Say
	}
	return r.Say
}

// Refuse makes a Refusal.
func Refuse(code, vial, format string, args ...any) *Refusal {
	return &Refusal{Code: code, Vial: vial, Say: fmt.Sprintf(format, args...)}
}

// Apply folds one event into one of its vials and refuses what may not follow. It does not look at excursion holds,
// persons' roles or other vials: those are checked where they are known.
func (v Vial) Apply(e Event) (Vial, error) {
	b := e.Body
	if v.State.Closed() && e.Kind != Found && e.Kind != CauseCorrected {
		return v, Refuse("gone", v.Code, "already gone: %s. Nothing more can be recorded for it", v.State)
	}
	v.Holds = slices.Clone(v.Holds)
	switch e.Kind { //nolint:exhaustive // what happens to a site, not to a vial, changes no vial
	case Prepared, TakenOver:
		if v.State != "" {
			return v, Refuse("wrong_state", v.Code, "is in the record already")
		}
		v.Batch, v.Product, v.Version, v.BUD, v.Area, v.PreparedBy = b.Batch, b.Product, b.Version, *b.BUD, b.Area, e.By
		v.State, v.LastSeen = InPreparation, e.At
		if e.Kind == TakenOver { // labelled and checked elsewhere, before there was a record
			v.State, v.Verified, v.Label, v.Area = Available, true, 1, ""
			v.PreparedBy, v.VerifiedBy = Before, e.By
			v.Unit, v.Shelf = SplitPlace(b.To)
		}
		if b.Hold != "" {
			v.hold(e, b.Hold)
		}
	case Labelled:
		if v.State != InPreparation || v.Label > 0 {
			return v, Refuse("wrong_state", v.Code, "has a label already; print a new one to replace it")
		}
		v.Label = max(1, b.Label)
	case Verified:
		if err := v.mayVerify(e); err != nil {
			return v, err
		}
		v.Verified, v.VerifiedBy, v.State = true, e.By, Available
	case Placed, Moved:
		if v.Label == 0 {
			return v, Refuse("wrong_state", v.Code, "has no label; label it before it leaves the preparation area")
		}
		if v.State == WithWard {
			return v, Refuse("wrong_state", v.Code, "is issued to %s; record its return first", v.Dest)
		}
		v.Unit, v.Shelf = SplitPlace(b.To)
		v.Area, v.LastSeen = "", e.At
		v.shorten(e, b.BUD)
		if b.Hold != "" {
			v.hold(e, b.Hold)
		}
	case Issued:
		if v.State != Available {
			return v, Refuse("unverified", v.Code, "%s", notAvailable(v))
		}
		v.State, v.Dest, v.Unit, v.Shelf, v.Area, v.LastSeen = WithWard, b.To, "", "", "", e.At
	case Given:
		if v.State != WithWard {
			return v, Refuse("wrong_state", v.Code, "was not issued, so it cannot have been given")
		}
		v.State, v.ClosedBy = WasGiven, e.Kind
	case Returned:
		if v.State != WithWard {
			return v, Refuse("wrong_state", v.Code, "is not issued, so it cannot come back")
		}
		v.State = Available
		v.Unit, v.Shelf = SplitPlace(b.To)
		v.Dest, v.LastSeen = "", e.At
		v.hold(e, HoldReturn)
	case Entered:
		v.EnteredAt = e.At
		v.shorten(e, b.BUD)
	case Held:
		v.hold(e, b.Hold)
	case Lifted:
		i := slices.IndexFunc(v.Holds, func(h Hold) bool { return h.Kind == b.Hold })
		if i < 0 {
			return v, Refuse("wrong_state", v.Code, "has no hold %q to lift", b.Hold)
		}
		v.Holds = slices.Delete(v.Holds, i, i+1)
	case Released:
		v.shorten(e, b.BUD)
	case Shortened:
		if b.BUD == nil || !b.BUD.Before(v.BUD) {
			return v, Refuse("later", v.Code, "a beyond-use date never moves later, and it is no shortening to leave it")
		}
		v.shorten(e, b.BUD)
	case Relabel:
		v.Label = max(v.Label+1, b.Label)
		v.drop(HoldRelabel)
	case Discarded, Lost, Voided, Sent:
		v.State, v.ClosedBy = closing[e.Kind], e.Kind
		v.Unit, v.Shelf, v.Area = "", "", ""
		if e.Kind == Sent {
			v.Dest = b.To
		}
	case Found:
		if v.State.Closed() && v.State != WasLost {
			return v, Refuse("gone", v.Code, "is recorded as %s; hold what you found and call a pharmacist", v.State)
		}
		if v.State == WasLost {
			v.State, v.ClosedBy = Available, ""
			if !v.Verified {
				v.State = InPreparation
			}
			v.hold(e, HoldFound)
		}
		v.Unit, v.Shelf = SplitPlace(b.To)
		v.LastSeen = e.At
	case CauseCorrected:
		if v.State != WasDiscarded && v.State != WasLost {
			return v, Refuse("wrong_state", v.Code, "was neither discarded nor lost, so there is no cause to correct")
		}
	case Counted:
		v.LastSeen = e.At
	}
	v.Seq = e.Seq
	return v, nil
}

var closing = map[Kind]State{Discarded: WasDiscarded, Lost: WasLost, Voided: WasVoided, Sent: WasSent}

func (v *Vial) mayVerify(e Event) error {
	switch {
	case v.State != InPreparation || v.Verified:
		return Refuse("wrong_state", v.Code, "has been verified already")
	case v.Label == 0:
		return Refuse("wrong_state", v.Code, "has no label; the labelled vial is what is verified")
	case v.PreparedBy == e.By:
		return Refuse("same_person", v.Code, "%s prepared it; another person must verify it", e.By)
	}
	return nil
}

func (v *Vial) hold(e Event, kind string) {
	v.Holds = append(v.Holds, Hold{kind, e.Body.Reason, e.By, e.At, e.Seq})
}

func (v *Vial) drop(kind string) {
	v.Holds = slices.DeleteFunc(v.Holds, func(h Hold) bool { return h.Kind == kind })
}

// shorten takes an earlier BUD over and asks for a new label; a later one changes nothing (rule 1). A vial that has
// no label yet gets the right one the first time.
func (v *Vial) shorten(e Event, bud *time.Time) {
	if bud == nil || !bud.Before(v.BUD) {
		return
	}
	v.BUD = walltime.CutMinute(*bud)
	if v.Label > 0 && !slices.ContainsFunc(v.Holds, func(h Hold) bool { return h.Kind == HoldRelabel }) {
		v.hold(e, HoldRelabel)
	}
}

func notAvailable(v Vial) string {
	switch v.State {
	case InPreparation:
		return "NOT CHECKED: nobody has verified it yet. Do not use it"
	case WithWard:
		return "is issued already, to " + v.Dest
	default:
		return "is not in stock"
	}
}

// Issuable says why a vial may not be handed out at an instant, or nil. Minutes of life the destination needs are
// margin; labelSeen is the label number scanned, 0 when the code was typed.
func (v Vial) Issuable(now time.Time, margin time.Duration, labelSeen int, zone *time.Location) error {
	switch {
	case v.State.Closed():
		return Refuse("gone", v.Code, "already gone: %s", v.State)
	case v.State != Available:
		return Refuse("unverified", v.Code, "%s", notAvailable(v))
	case labelSeen > 0 && labelSeen < v.Label:
		return Refuse("old_label", v.Code, "carries an old label; find the vial's new label before it is used")
	case labelSeen > v.Label:
		return Refuse("label", v.Code, "has no label %d, the newest is %d; scan it again, and do not use it while they differ", labelSeen, v.Label)
	case !now.Before(v.BUD):
		return Refuse("expired", v.Code, "expired %s", walltime.Say(v.BUD, zone))
	case len(v.Holds) > 0 || len(v.Touches) > 0:
		return Refuse("on_hold", v.Code, "ON HOLD: %s. Do not use, do not discard", v.HoldsInWords())
	case !now.Add(margin).Before(v.BUD):
		return Refuse("short_life", v.Code, "good until %s, too short for this destination", walltime.Say(v.BUD, zone))
	}
	return nil
}

// HoldsInWords lists every hold that stands over the vial, each once, own holds first.
func (v Vial) HoldsInWords() string {
	var own, cases []string
	for _, h := range v.Holds {
		own = append(own, h.Kind)
	}
	for _, t := range v.Touches {
		cases = append(cases, fmt.Sprintf("case %d (%s)", t.Case, ExcursionWord(t.Kind)))
	}
	slices.Sort(own)
	slices.Sort(cases)
	return strings.Join(append(slices.Compact(own), slices.Compact(cases)...), ", ")
}

// ExcursionWord is how people read an excursion's kind.
func ExcursionWord(kind string) string {
	if kind == "no_data" {
		return "no temperatures"
	}
	return kind
}

// SplitPlace takes "R1/A" apart.
func SplitPlace(place string) (unit, shelf string) {
	for i := range len(place) {
		if place[i] == '/' {
			return place[:i], place[i+1:]
		}
	}
	return place, ""
}
