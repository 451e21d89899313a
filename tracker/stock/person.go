package stock

import (
	"slices"
	"time"
)

// Person of a site. What proves who somebody is (a password's hash) is kept elsewhere: this is part of a document that
// everybody may read.
type Person struct {
	Code         string       `json:"code"`
	Name         string       `json:"name"`
	Mail         string       `json:"mail,omitempty"`
	Roles        []string     `json:"roles"`
	Left         time.Time    `json:"left,omitzero"` // from then on they may do nothing; their name stays for the record
	Competencies []Competency `json:"competencies,omitempty"`
}

// Roles a person can have.
const (
	Technician    = "technician"
	Pharmacist    = "pharmacist"
	OnCall        = "on call"
	Manager       = "manager"
	Administrator = "administrator"
	Logger        = "logger"
	Inspector     = "inspector"
)

// Roles lists them all, in the order in which people read them.
func Roles() []string {
	return []string{Technician, Pharmacist, OnCall, Manager, Administrator, Logger, Inspector}
}

// Is says whether the person has one of the roles.
func (p Person) Is(roles ...string) bool {
	return slices.ContainsFunc(roles, func(r string) bool { return slices.Contains(p.Roles, r) })
}

// Gone says whether the person has left the site at an instant.
func (p Person) Gone(at time.Time) bool { return !p.Left.IsZero() && !at.Before(p.Left) }

// Person by code.
func (s *Site) Person(code string) (Person, bool) {
	for _, p := range s.People {
		if p.Code == code {
			return p, true
		}
	}
	return Person{}, false
}

// Competency is what a person was found able to do, by whom, from when and until when. Person codes and words are as the
// record has them; at Until itself it counts no more.
type Competency struct {
	What       string    `json:"what"`
	AssessedBy string    `json:"assessed_by"` // a person's code, or who it was in words
	From       time.Time `json:"from"`
	Until      time.Time `json:"until"`
	Note       string    `json:"note,omitempty"`
}

// Competencies there are: a closed list, so that a slip of the pen is no new one.
const (
	Aseptic    = "aseptic"     // the aseptic qualification: garbing, gloved fingertips, media fill
	Verifying  = "verifying"   // checking what somebody else prepared
	Releasing  = "releasing"   // deciding on stock that is on hold
	Hazardous  = "hazardous"   // preparing hazardous drugs
	Sweeping   = "sweeping"    // working the list
	AlarmDrill = "alarm drill" // what to do when a refrigerator is out of range
)

// CompetencyKinds lists them all.
func CompetencyKinds() []string {
	return []string{Aseptic, Verifying, Releasing, Hazardous, Sweeping, AlarmDrill}
}

// How a site treats competencies.
const (
	Enforced = "enforced" // a lapsed one keeps its person from what needs it; also where a site says nothing
	Shown    = "shown"    // it is shown, and keeps nobody from anything
)

// Competent says whether a competency stands at an instant, and until when the last one of its kind reached; zero = there
// never was one that had begun.
func (p Person) Competent(what string, at time.Time) (stands bool, until time.Time) {
	for _, c := range p.Competencies {
		if c.What != what || at.Before(c.From) {
			continue
		}
		if until.Before(c.Until) {
			until = c.Until
		}
		stands = stands || at.Before(c.Until)
	}
	return stands, until
}
