package waste

import "time"

// How a vial's life ended. One whose record was voided never was: it stands in no figure.
type How string

// Ends of a life.
const (
	Given     How = "given"
	Sent      How = "sent" // to another site
	Discarded How = "discarded"
	Lost      How = "lost"
)

// Classes of a cause, and what stands where none is known.
const (
	Avoidable        = "avoidable"
	NotAvoidable     = "not avoidable"
	HeldForReadiness = "held for readiness"
	NotWaste         = "not waste" // samples, retained vials: they ended, and nothing was wasted
	NotClassified    = "not classified"
)

// Definition stands beside every rate: rates of different denominators cannot be compared.
const Definition = "waste rate = vials discarded or lost / vials that ended in the period (given, sent, discarded, lost); " +
	"samples ended but are not waste; records voided as wrong are in neither"

// Ended is a vial whose life ended, as it stands now: a lost one that was found again has not ended, and a cause that was
// corrected is the corrected one.
type Ended struct {
	Vial, Product, Batch string
	Unit                 string // it was last stored in; "" = none
	How                  How
	At                   time.Time
	BUD                  time.Time
	Prepared             time.Time // the start of its batch
	BatchSize            int
	Cause, Class         string // of what was discarded or lost
	Cents                int64  // what it had cost to make, at that time
	Case                 int64  // excursion it was discarded for; 0 = none
	Container            string // it was discarded into
	Corrected            bool   // its cause was corrected afterwards
	Late                 bool   // entered long after it happened
}

// Wasted says whether it counts as waste.
func (e Ended) Wasted() bool {
	return (e.How == Discarded || e.How == Lost) && e.Class != NotWaste
}

// class of what was wasted; one no cause speaks for is not classified.
func (e Ended) class() string {
	if e.Class == "" {
		return NotClassified
	}
	return e.Class
}

// Period is a time looked at, From <= t < To, in the site's zone.
type Period struct {
	From, To time.Time
	Zone     *time.Location
}

// Hours that really passed: a month in which clocks change has one more or one less.
func (p Period) Hours() float64 { return p.To.Sub(p.From).Hours() }
