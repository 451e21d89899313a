package access

import (
	"slices"
	"strings"
	"time"

	"vialward/tracker/stock"
)

// May answers nil if the person of that code may do it, else a *stock.Refusal that says why not. at is every instant at
// which they have to be of the site and competent: when it was done, and where it is a decision also when it is entered.
// The person is looked up in the site's document, so that a role taken away counts from that commit on.
func May(s *stock.Site, code string, op Operation, at ...time.Time) error {
	r, ok := table[op]
	if !ok {
		return stock.Refuse("role", "", "%q is in no table of what may be done, so nobody may", op)
	}
	if r.Anyone {
		return nil
	}
	p, ok := s.Person(code)
	if !ok {
		return stock.Refuse("role", "", "%s may not %s: nobody of site %s is called that", code, r.Do, s.Code)
	}
	if slices.ContainsFunc(at, p.Gone) {
		return stock.Refuse("role", "", "%s may not %s: they left the site", code, r.Do)
	}
	if !p.Is(r.Roles...) {
		return stock.Refuse("role", "", "%s may not %s: %s", code, r.Do, r.takes())
	}
	return nil
}

// takes says whose operation it is.
func (r Rule) takes() string {
	if len(r.Roles) == 0 {
		return "it is done on the machine itself, by whoever runs it"
	}
	return "it takes the role of " + orList(r.Roles)
}

func orList(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	last := len(words) - 1
	return strings.Join(words[:last], ", ") + " or " + words[last]
}
