package alerts

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"vialward/tracker/stock"
)

// Policy is who is told what at one site. Build it with NewPolicy; it is a value and changes with the site file only.
type Policy struct {
	Site     int32
	Domain   string        // right side of our Message-IDs
	Reminder time.Duration // an open incident is said again this often; 0 = never
	routes   []route
}

// route is one line of the site file with its people looked up.
type route struct {
	kinds      []Kind
	severities []Severity
	units      []string
	to         []string
}

// All stands in a route for every kind.
const All Kind = "all"

// NewPolicy reads a site's routes. Everything wrong with them is answered at once, each with its route's number from 1;
// the policy is then not for use. Domain is the right side of the sender's address.
func NewPolicy(s *stock.Site, domain string) (Policy, []error) {
	p := Policy{Site: s.ID, Domain: domain, Reminder: time.Duration(s.RemindMinutes) * time.Minute}
	var wrong []error
	for i, r := range s.Routes {
		read, errs := readRoute(s, r)
		for _, e := range errs {
			wrong = append(wrong, fmt.Errorf("route %d: %w", i+1, e))
		}
		p.routes = append(p.routes, read)
	}
	for _, k := range Kinds() {
		if len(p.people(k, k.Severity(), "")) == 0 {
			wrong = append(wrong, fmt.Errorf("nobody gets mails of kind %q at severity %s for every unit: add a route, or %q to the kinds of one that names no units", k, k.Severity(), All))
		}
	}
	return p, wrong
}

func readRoute(s *stock.Site, r stock.Route) (route, []error) {
	var out route
	var wrong []error
	for _, k := range r.Kinds {
		if Kind(k) != All && !slices.Contains(Kinds(), Kind(k)) {
			wrong = append(wrong, fmt.Errorf("%q is no kind of mail; one of %v or %q", k, Kinds(), All))
		}
		out.kinds = append(out.kinds, Kind(k))
	}
	for _, v := range r.Severities {
		if !slices.Contains([]Severity{High, Medium, Low}, Severity(v)) {
			wrong = append(wrong, fmt.Errorf("%q is no severity; high, medium or low", v))
		}
		out.severities = append(out.severities, Severity(v))
	}
	for _, u := range r.Units {
		if _, _, ok := s.UnitAt(u); !ok {
			wrong = append(wrong, fmt.Errorf("the site has no unit %q", u))
		}
		out.units = append(out.units, u)
	}
	if len(r.Kinds) == 0 {
		wrong = append(wrong, fmt.Errorf("it names no kinds; say which, or %q", All))
	}
	if len(r.To) == 0 {
		wrong = append(wrong, errors.New("it goes to nobody; name persons or addresses"))
	}
	for _, to := range r.To {
		if a, err := address(s, to); err != nil {
			wrong = append(wrong, err)
		} else {
			out.to = append(out.to, a)
		}
	}
	return out, wrong
}

// address of a person code, or an address as it stands.
func address(s *stock.Site, to string) (string, error) {
	a := to
	if !strings.Contains(to, "@") {
		p, ok := s.Person(to)
		if !ok {
			return "", fmt.Errorf("%q is neither a person of the site nor an address", to)
		}
		if p.Mail == "" {
			return "", fmt.Errorf("%s has no mail address; add one to the person", to)
		}
		a = p.Mail
	}
	if !plausible(a) {
		return "", fmt.Errorf("%q is not a mail address; write it as name@domain", a)
	}
	return a, nil
}

// plausible is a check for slips, not RFC 5321's grammar: one address, no display name, no blanks or line breaks.
func plausible(a string) bool {
	local, domain, ok := strings.Cut(a, "@")
	return ok && local != "" && domain != "" && !strings.ContainsAny(a, " \t\r\n<>,;:\"()") && !strings.Contains(domain, "@")
}

// people of a notice, in the order of the routes, each once. A route that names units gives nothing for a notice
// without one.
func (p Policy) people(k Kind, v Severity, unit string) []string {
	var out []string
	for _, r := range p.routes {
		if !slices.Contains(r.kinds, k) && !slices.Contains(r.kinds, All) ||
			len(r.severities) > 0 && !slices.Contains(r.severities, v) ||
			len(r.units) > 0 && !slices.Contains(r.units, unit) {
			continue
		}
		for _, to := range r.to {
			if !slices.ContainsFunc(out, func(o string) bool { return strings.EqualFold(o, to) }) {
				out = append(out, to)
			}
		}
	}
	return out
}

// everybody any route names: for a notice no route takes.
func (p Policy) everybody() []string {
	var out []string
	for _, r := range p.routes {
		for _, to := range r.to {
			if !slices.ContainsFunc(out, func(o string) bool { return strings.EqualFold(o, to) }) {
				out = append(out, to)
			}
		}
	}
	return out
}

// Notice is one thing to be told, before anybody is named.
type Notice struct {
	Mail     Mail
	Severity Severity // of the rule that raised it; "" = the kind's own
	Unit     string   // "" = not about one unit
	About    string   // what it is about, unique within the site: "case/57", "sweep/2025-11-12 07:00"
	What     string   // the occasion: "opened", "worse", "reminder"
	N        int      // its count: the second reminder is 2
	Step     int      // of the escalation; 0 = those the routes name. The next person on is a step of their own.
	Thread   string   // Incident.Thread(), or ""
	First    bool     // it opens its thread
	Muted    bool     // planned work on this unit: the record is made, nobody is paged
	At       time.Time
}

// mutable kinds can be muted by planned work; what its end and everything about other things says cannot.
func mutable(k Kind) bool {
	return slices.Contains([]Kind{Warm, Cold, Freezing, NoTemperatures, Worse, StillOpen, Recovered}, k)
}

// Plan builds one row a recipient; none where planned work mutes it. A notice that no route takes goes to everybody the
// site names rather than to nobody. Same notice, same dedupe keys: however often it is planned, it is stored once.
func (p Policy) Plan(n Notice) []Row {
	if n.Muted && mutable(n.Mail.Kind) {
		return nil
	}
	if n.Severity == "" {
		n.Severity = n.Mail.Kind.Severity()
	}
	to := p.people(n.Mail.Kind, n.Severity, n.Unit)
	if len(to) == 0 {
		to = p.everybody()
	}
	rows := make([]Row, 0, len(to))
	for _, a := range to {
		rows = append(rows, p.row(n, a))
	}
	return rows
}

func (p Policy) row(n Notice, to string) Row {
	key := Key(n.Mail.Kind, n.About, Slot(n.Step, n.What, n.N), strings.ToLower(to))
	id := MessageID(p.Site, key, n.At, p.Domain)
	if n.Thread != "" && n.First {
		id = threadRoot(p.Site, n.Thread, to, p.Domain)
	}
	return Row{
		Site: p.Site, Kind: n.Mail.Kind, Severity: n.Severity, DedupeKey: key, To: to,
		Subject: n.Mail.Subject, Text: n.Mail.Text, HTML: n.Mail.HTML,
		Thread: n.Thread, First: n.First && n.Thread != "", MessageID: id, State: Waiting, Created: n.At,
	}
}

// Remind says which reminder of an incident is due, counted from its opening: 0 = none yet. After downtime only the
// latest is due, not one for each that was missed. The caller plans it with N set to the count; its key makes it once.
func (p Policy) Remind(opened, now time.Time) int {
	if p.Reminder <= 0 || !now.After(opened) {
		return 0
	}
	return int(now.Sub(opened) / p.Reminder)
}
