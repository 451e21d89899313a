package access

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// MayAsk answers nil if the person of that code has a role for it at all, whatever they were assessed in: it is looked at
// before anything else of a request is. The operation itself asks May, in its own transaction.
func MayAsk(s *stock.Site, code string, op Operation, now time.Time) error {
	_, err := asks(s, code, op, now)
	return err
}

func asks(s *stock.Site, code string, op Operation, at ...time.Time) (stock.Person, error) {
	r, ok := table[op]
	if !ok {
		return stock.Person{}, stock.Refuse("role", "", "%q is in no table of what may be done, so nobody may", op)
	}
	if r.Anyone {
		return stock.Person{}, nil
	}
	p, ok := s.Person(code)
	if !ok {
		return p, stock.Refuse("role", "", "%s may not %s: nobody of site %s is called that", code, r.Do, s.Code)
	}
	if slices.ContainsFunc(at, p.Gone) {
		return p, stock.Refuse("role", "", "%s may not %s: they left the site", code, r.Do)
	}
	if !p.Is(r.Roles...) {
		return p, stock.Refuse("role", "", "%s may not %s: %s", code, r.Do, r.takes())
	}
	return p, nil
}

// May answers nil if the person of that code may do it, else a *stock.Refusal that says why not. now is when it is asked
// for, did every instant at which it was done, where that is another: a batch entered after its preparer's qualification
// lapsed was still prepared by somebody qualified, and a decision is signed now. The person is looked up in the site's
// document, so that a role taken away counts from that commit on.
func May(s *stock.Site, code string, op Operation, now time.Time, did ...time.Time) error {
	p, err := asks(s, code, op, append(slices.Clone(did), now)...)
	if r := table[op]; err == nil && r.Needs != "" {
		return competent(s, p, r, r.Needs, now, did)
	}
	return err
}

// MayHazardous is the further question where the product is hazardous, after May.
func MayHazardous(s *stock.Site, code string, op Operation, now time.Time, did ...time.Time) error {
	r := table[op]
	p, ok := s.Person(code)
	if !ok || r.Hazardous == "" {
		return nil
	}
	return competent(s, p, r, r.Hazardous, now, did)
}

// Warning says, in a sentence, that a competency wanted for an operation does not stand; "" = nothing to say. It keeps
// nobody from anything.
func Warning(s *stock.Site, code string, op Operation, now time.Time) string {
	r := table[op]
	p, ok := s.Person(code)
	if !ok || r.Wanted == "" {
		return ""
	}
	if stands, until := p.Competent(r.Wanted, now); !stands {
		return fmt.Sprintf("%s: the competency %q %s", code, r.Wanted, lapsed(s, until))
	}
	return ""
}

// competent refuses whoever lacks a competency at any instant that counts, where the site enforces them.
func competent(s *stock.Site, p stock.Person, r Rule, what string, now time.Time, did []time.Time) error {
	if s.Competencies == stock.Shown {
		return nil
	}
	if len(did) == 0 || r.Signed != "" {
		did = append(slices.Clone(did), now)
	}
	for _, t := range did {
		if stands, until := p.Competent(what, t); !stands {
			return stock.Refuse("competency", "", "%s may not %s: their competency %q %s. Whoever assesses them anew records it: vialward person assess",
				p.Code, r.Do, what, lapsed(s, until))
		}
	}
	return nil
}

func lapsed(s *stock.Site, until time.Time) string {
	if until.IsZero() {
		return "is not on record"
	}
	return "lapsed " + walltime.Say(until, s.Location())
}

// takes says whose operation it is.
func (r Rule) takes() string {
	if len(r.Roles) == 0 {
		return "it is done on the machine itself, by whoever runs it"
	}
	return "it takes the role of " + orList(r.Roles)
}

// Whose says who may do it, as a description does: "technician or pharmacist"; "" where no role is asked for.
func (r Rule) Whose() string { return orList(r.Roles) }

func orList(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	last := len(words) - 1
	return strings.Join(words[:last], ", ") + " or " + words[last]
}
