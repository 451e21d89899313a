package web

import (
	"fmt"
	"time"

	"vialward/tracker/stock"
)

// standing is what may be done with a vial now, in words: the one that forbids most, and why. Nothing of it is stored:
// it follows from holds and clock at this instant.
type standingWord struct {
	Word  string // USABLE, ON HOLD, EXPIRED, NOT CHECKED, WITH WARD, GONE
	Class string // of the style sheet: may, not, out
	Why   []string
}

const (
	wordUsable     = "USABLE"
	wordHold       = "ON HOLD"
	wordExpired    = "EXPIRED"
	wordNotChecked = "NOT CHECKED"
	wordIssued     = "ISSUED"
	wordGone       = "GONE"
)

// standingOf a vial now.
func (s shown) standingOf(v stock.Vial) standingWord {
	expired := !s.now.Before(v.BUD)
	held := v.HoldsInWords()
	bud := s.at(v.BUD).Say
	if v.State.Closed() {
		return standingWord{wordGone, "out", []string{string(v.State)}}
	}
	w := standingWord{wordUsable, "may", nil}
	switch {
	case v.State == stock.InPreparation:
		w = standingWord{wordNotChecked, "not", []string{"nobody has verified it yet: do not use it"}}
	case held != "":
		w = standingWord{wordHold, "not", nil}
	case expired:
		w = standingWord{wordExpired, "not", nil}
	case v.State == stock.WithWard:
		w = standingWord{wordIssued, "may", []string{"to " + v.Dest, "start before " + bud}}
	default:
		w.Why = []string{"start before " + bud}
	}
	if held != "" {
		w.Why = append(w.Why, "on hold: "+held, whoEnds(held))
	}
	if expired {
		w.Why = append(w.Why, "past its beyond-use date, "+bud)
	}
	if v.State == stock.WithWard && (held != "" || expired) {
		w.Why = append(w.Why, "issued to "+v.Dest)
	}
	return w
}

// whoEnds says what ends the holds of a vial.
func whoEnds(held string) string {
	if held == stock.HoldRelabel {
		return "do not use before its new label is on and scanned"
	}
	return "do not use, do not discard: a pharmacist decides"
}

// whereNow says where a vial is, or how it left.
func (s shown) whereNow(v stock.Vial) string {
	switch {
	case v.Unit != "":
		return placeWords(v.Unit, v.Shelf)
	case v.State == stock.WithWard:
		return "issued to " + v.Dest
	case v.State == stock.WasSent:
		return "sent to " + v.Dest
	case v.State.Closed():
		return string(v.State)
	case v.Area != "":
		return "preparation area " + v.Area
	default:
		return "no place on record"
	}
}

// ownHolds are a vial's own holds in sentences.
func (s shown) ownHolds(v stock.Vial) []string {
	var out []string
	for _, h := range v.Holds {
		say := fmt.Sprintf("%s, by %s, %s", h.Kind, s.who(h.By), s.at(h.Since).Say)
		if h.Reason != "" {
			say += ": " + h.Reason
		}
		out = append(out, say)
	}
	return out
}

// late says that an entry was made so long after it happened that the site flags it.
func late(site *stock.Site, e stock.Event) bool {
	limit := time.Duration(site.LateEntryHours) * time.Hour
	return limit > 0 && e.EnteredAt.Sub(e.At) > limit
}
