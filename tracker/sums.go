package tracker

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"reflect"
	"slices"
	"time"

	"vialward/tracker/chain"
	"vialward/tracker/stock"
)

// Sums are what a site's events have made of its vials so far, by code.
type Sums map[string]*Sum

// Sum is one vial, and all else that rows say of it.
type Sum struct {
	Vial  stock.Vial
	Stays []SumStay // certain ones, in order
	Ended time.Time // when its standing closing event happened; zero = none

	Events int
	Seqs   chain.Hash // of the numbers of its events, one bound to the next
}

// SumStay is a certain stay and the event that began it.
type SumStay struct {
	Stay
	Seq int64
}

// Add folds one event into all its vials. Where one may not follow, nothing of it is added to that vial.
func (s Sums) Add(e stock.Event) error {
	var wrong error
	for n, code := range e.Vials {
		sum := s[code]
		if sum == nil {
			sum = &Sum{Vial: stock.Vial{Site: e.Site, Code: code, Serial: n + 1}}
			s[code] = sum
		}
		sum.Events++
		sum.Seqs = NextSeq(sum.Seqs, e.Seq)
		next, err := sum.Vial.Apply(e)
		if err != nil {
			if wrong == nil {
				wrong = fmt.Errorf("event %d does not follow: %w", e.Seq, err)
			}
			continue
		}
		sum.moved(next, e)
		sum.Vial = next
		if sum.Ended = (time.Time{}); next.State.Closed() {
			sum.Ended = e.At
		}
	}
	return wrong
}

// NextSeq binds one more number to those before it.
func NextSeq(before chain.Hash, seq int64) chain.Hash {
	return sha256.Sum256(binary.BigEndian.AppendUint64(before[:], uint64(seq)))
}

// moved ends the stay a vial left and begins the one it entered.
func (s *Sum) moved(next stock.Vial, e stock.Event) {
	if s.Vial.Unit == next.Unit && s.Vial.Shelf == next.Shelf {
		return
	}
	if n := len(s.Stays) - 1; s.Vial.Unit != "" && n >= 0 && s.Stays[n].To.IsZero() {
		if s.Stays[n].To = e.At; e.At.Before(s.Stays[n].From) {
			s.Stays[n].To = s.Stays[n].From
		}
	}
	if next.Unit != "" {
		s.Stays = append(s.Stays, SumStay{Stay{Vial: next.Code, Unit: next.Unit, Shelf: next.Shelf, From: e.At}, e.Seq})
	}
}

// Differs says in what a vial's row is not the sum of its events, or nothing.
func Differs(sum, row stock.Vial) string {
	row.Touches = nil // of excursions, not of the vial's own events
	if len(row.Holds) == 0 && len(sum.Holds) == 0 {
		row.Holds, sum.Holds = nil, nil
	}
	a, b := reflect.ValueOf(inUTC(sum)), reflect.ValueOf(inUTC(row))
	for i := range a.NumField() {
		name := a.Type().Field(i).Name
		if !reflect.DeepEqual(a.Field(i).Interface(), b.Field(i).Interface()) {
			return fmt.Sprintf("%s is %v by its events and %v in its row", name, a.Field(i).Interface(), b.Field(i).Interface())
		}
	}
	return ""
}

// inUTC makes equal instants compare as equal.
func inUTC(v stock.Vial) stock.Vial {
	v.BUD, v.EnteredAt, v.LastSeen = v.BUD.UTC(), v.EnteredAt.UTC(), v.LastSeen.UTC()
	v.Holds = slices.Clone(v.Holds)
	for i := range v.Holds {
		v.Holds[i].Since = v.Holds[i].Since.UTC()
	}
	return v
}
