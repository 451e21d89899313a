package present

import (
	"time"

	"vialward/tracker/stock"
)

// People of a site.
type People struct {
	People []Person `json:"people"`
}

// Person of a site, and what they were assessed in.
type Person struct {
	Code         string       `json:"code"`
	Name         string       `json:"name,omitempty"`
	Mail         string       `json:"mail,omitempty"`
	Roles        []string     `json:"roles"`
	Left         *Instant     `json:"left"`
	Competencies []Competency `json:"competencies"`
}

// Competency as assessed; until is the instant at which it lapses, or lapsed. Lapses says that this is within the next
// thirty days.
type Competency struct {
	What       string  `json:"what"`
	AssessedBy string  `json:"assessed_by"`
	From       Instant `json:"from"`
	Until      Instant `json:"until"`
	Stands     bool    `json:"stands"`
	Lapses     bool    `json:"lapses_soon"`
	Note       string  `json:"note,omitempty"`
}

// soon is how long before a competency lapses its person and everybody else is told.
const soon = 30 * 24 * time.Hour

// PeopleOf lists a site's.
func (a As) PeopleOf(s *stock.Site) People { return People{each(s.People, a.Person)} }

// Person as they are now.
func (a As) Person(p stock.Person) Person {
	return Person{
		Code: p.Code, Name: p.Name, Mail: p.Mail, Roles: append([]string{}, p.Roles...), Left: a.Maybe(p.Left),
		Competencies: each(p.Competencies, func(c stock.Competency) Competency {
			stands := !a.Now.Before(c.From) && a.Now.Before(c.Until)
			_, until := p.Competent(c.What, a.Now) // a renewed one does not lapse when this one does
			return Competency{
				What: c.What, AssessedBy: c.AssessedBy, From: a.Instant(c.From), Until: a.Instant(c.Until), Note: c.Note,
				Stands: stands, Lapses: stands && until.Sub(a.Now) <= soon,
			}
		}),
	}
}
