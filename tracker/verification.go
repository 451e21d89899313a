package tracker

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"vialward/tracker/chain"
)

// mostFaults bounds what is kept of a record that is broken all over; the count beside it is exact.
const mostFaults = 200

// ErrWhichSite is for a head that was given without saying of which site it is.
var ErrWhichSite = errors.New("a head is of one site: say which with --site")

// Verification is what walking a site's whole record came to: its chain of events, and every row that stands outside an
// event against the event that speaks for it.
type Verification struct {
	Site     string
	Head     chain.Head // what the chain comes to
	Events   int64
	Vials    int64
	Cases    int64
	Intakes  int64
	Readings int64         // values, conflicting and withdrawn ones too
	Archived int64         // deliveries with readings in an archive that was not given: not looked at whole
	Faults   []chain.Fault // events first, then rows; each in the order of events, what is about none last
	More     int           // faults beyond those
	Remarks  []string      // odd, and no proof of anything
	Took     time.Duration
}

// Sound says that nothing is wrong.
func (v *Verification) Sound() bool { return len(v.Faults) == 0 }

// Event notes something wrong with an event.
func (v *Verification) Event(seq int64, kind chain.Kind, format string, args ...any) {
	v.Add(&chain.Fault{Seq: seq, Kind: kind, Say: fmt.Sprintf(format, args...)})
}

// Row notes something wrong with a row that an event speaks for.
func (v *Verification) Row(seq int64, kind chain.Kind, format string, args ...any) {
	v.Add(&chain.Fault{Seq: seq, Kind: kind, Say: fmt.Sprintf(format, args...), Row: true})
}

// Add notes a fault, if it is one.
func (v *Verification) Add(f *chain.Fault) {
	switch {
	case f == nil:
	case len(v.Faults) < mostFaults:
		v.Faults = append(v.Faults, *f)
	default:
		v.More++
	}
}

// Remark notes something odd.
func (v *Verification) Remark(format string, args ...any) {
	if len(v.Remarks) < mostFaults {
		v.Remarks = append(v.Remarks, fmt.Sprintf(format, args...))
	}
}

// Sort puts the faults in their order, so that the first is the first event that was touched, or else the first row.
func (v *Verification) Sort() {
	late := func(f chain.Fault) int64 {
		if f.Seq == 0 {
			return math.MaxInt64
		}
		return f.Seq
	}
	slices.SortStableFunc(v.Faults, func(a, b chain.Fault) int {
		if a.Row != b.Row {
			if a.Row {
				return 1
			}
			return -1
		}
		return cmp.Compare(late(a), late(b))
	})
}
