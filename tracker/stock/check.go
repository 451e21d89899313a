package stock

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
)

// Mistake is something wrong with a site, where in its document, and what to do about it.
type Mistake struct {
	Key     string // "rooms[2].units[1].class", in the site file's own words, counted from 1
	Say     string
	Warning bool // worth knowing; the site can be used
}

// Check looks at everything in a site that has to fit together and lists all that does not. It asks no clock: what was
// true once and is no longer is not wrong. Kinds of mail are not its business.
func (s *Site) Check() []Mistake {
	c := checker{site: s, seen: map[string]string{}}
	c.head()
	c.people()
	c.rooms()
	c.areas()
	c.rules("rules", s.Rules, nil)
	c.sensors()
	c.limits()
	c.products()
	c.routes()
	c.labels()
	for i, d := range s.Destinations {
		at := c.code("destinations", i, d.Code, "destination")
		c.when(d.MarginMinutes < 0, at+".margin", "a margin is 0 or more minutes of life left")
	}
	for i, w := range s.Reasons {
		at := c.code("waste_causes", i, w.Code, "cause")
		c.when(w.Words == "", at+".words", "say in words what happened")
		c.oneOf(at+".class", w.Class, "avoidable", "not avoidable", "held for readiness", "not waste")
	}
	return c.found
}

type checker struct {
	site  *Site
	found []Mistake
	seen  map[string]string // kind of thing and code -> where it stands
}

func (c *checker) wrong(key, format string, args ...any) {
	c.found = append(c.found, Mistake{Key: key, Say: fmt.Sprintf(format, args...)})
}

func (c *checker) when(bad bool, key, format string, args ...any) {
	if bad {
		c.wrong(key, format, args...)
	}
}

func (c *checker) warn(bad bool, key, format string, args ...any) {
	if bad {
		c.found = append(c.found, Mistake{key, fmt.Sprintf(format, args...), true})
	}
}

func (c *checker) oneOf(key, word string, words ...string) {
	c.when(!slices.Contains(words, word), key, "%q is not one of %s", word, `"`+strings.Join(words, `", "`)+`"`)
}

// Codes stand in file names, scans, addresses and labels: letters, digits and hyphens of ASCII. A site's own code is
// the first part of every key in the database.
var (
	codeForm = regexp.MustCompile(`^[A-Za-z0-9]([A-Za-z0-9-]{0,18}[A-Za-z0-9])?$`)
	siteForm = regexp.MustCompile(`^[A-Z0-9][A-Z0-9-]{0,19}$`)
	wallForm = regexp.MustCompile(`^([01][0-9]|2[0-3]):[0-5][0-9]$`)
)

// code checks item i of a list for the form of its code and that no other of its kind has it; it answers the item's
// path.
func (c *checker) code(list string, i int, code, kind string) string {
	at := nth(list, i)
	if !codeForm.MatchString(code) {
		c.wrong(at+".code", "%q is not a code; use up to 20 letters, digits and hyphens, beginning and ending with a letter or digit", code)
	}
	id := kind + " " + code
	if other, twice := c.seen[id]; twice {
		c.wrong(at+".code", "%s is the code of %s already; give one of them another code", code, other)
	}
	c.seen[id] = at
	return at
}

func nth(list string, i int) string { return fmt.Sprintf("%s[%d]", list, i+1) }

func (c *checker) head() {
	s := c.site
	c.when(!siteForm.MatchString(s.Code), "code", "%q is not a site's code; use up to 20 capital letters, digits and hyphens", s.Code)
	c.when(s.Name == "", "name", "give the site's name as mails and lists should print it")
	if _, err := time.LoadLocation(s.Zone); err != nil || s.Zone == "" || s.Zone == "Local" {
		c.wrong("zone", "%q is no time zone this machine knows; write its IANA name, as America/New_York or Europe/Berlin", s.Zone)
	}
	c.oneOf("unit", s.Unit, "Cel", "[degF]")
	c.when(s.Currency != "" && (len(s.Currency) != 3 || strings.ToUpper(s.Currency) != s.Currency), "currency", "%q is not an ISO 4217 code, as USD or EUR", s.Currency)
	c.when(s.ConfirmMinutes <= 0, "confirm_within", "say how long after its time a sweep may stay unsigned before a mail goes out, as \"60 min\"")
	c.when(s.LateEntryHours <= 0, "late_entry_after", "say how long after the event an entry counts as late, as \"24 h\"")
	for i, v := range s.Syringes {
		c.when(v <= 0, nth("syringes", i), "a syringe holds more than 0 mL")
	}
	c.when(len(s.Staffed) == 0, "staffed", "say when people are there; without it no list can say what expires before anyone comes")
	c.when(len(s.Sweeps) == 0, "sweeps", "say at least one time at which the list to sweep by is due")
	for i, h := range s.Staffed {
		at := nth("staffed", i)
		c.days(at+".days", h.Days)
		c.wall(at+".from", h.From)
		c.when(h.To != "24:00" && !wallForm.MatchString(h.To), at+".to", "%q is not a time of day; write HH:MM, from 00:00 to 24:00", h.To)
		c.when(h.To <= h.From, at+".to", "%s is not after %s; hours past midnight are two spans, up to 24:00 and from 00:00 of the next day", h.To, h.From)
	}
	slots := map[string]bool{}
	for i, w := range s.Sweeps {
		at := nth("sweeps", i)
		c.days(at+".days", w.Days)
		c.wall(at+".at", w.At)
		for _, day := range w.Days {
			c.when(slots[day+w.At], at+".at", "%s %s is there twice; take one out", day, w.At)
			slots[day+w.At] = true
			c.warn(wallForm.MatchString(w.At) && !s.staffedAt(day, w.At), at+".at", "nobody is there on %s at %s; the list before it looks past this one", day, w.At)
		}
	}
}

// Weekdays as a site file writes them, the order in which they are printed.
var Weekdays = []string{"Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"}

func (c *checker) days(key string, days []string) {
	c.when(len(days) == 0, key, "name the days, as %q", Weekdays)
	for i, d := range days {
		c.when(!slices.Contains(Weekdays, d), nth(key, i), "%q is not a day; write one of %s", d, strings.Join(Weekdays, ", "))
	}
}

func (c *checker) wall(key, at string) {
	c.when(!wallForm.MatchString(at), key, "%q is not a time of day; write HH:MM with two digits each, from 00:00 to 23:59", at)
}

func (s *Site) staffedAt(day, at string) bool {
	return slices.ContainsFunc(s.Staffed, func(h Hours) bool {
		return slices.Contains(h.Days, day) && h.From <= at && at < h.To
	})
}

func (c *checker) people() {
	pharmacists := 0
	for i, p := range c.site.People {
		at := c.code("people", i, p.Code, "person")
		c.when(p.Code == "vialward", at+".code", "this name stands in the record for what a rule did; choose another")
		c.when(len(p.Roles) == 0, at+".roles", "%s has no role; name at least one of %s", p.Code, strings.Join(Roles(), ", "))
		for k, r := range p.Roles {
			c.oneOf(nth(at+".roles", k), r, Roles()...)
		}
		c.competencies(at, p)
		if p.Mail != "" && !plainAddress(p.Mail) {
			c.wrong(at+".mail", "%q is not a mail address; write it as name@domain", p.Mail)
		}
		if p.Is(Pharmacist) {
			pharmacists++
		}
	}
	c.missing()
	c.when(pharmacists == 0, "people", "nobody is a pharmacist; then nothing can be approved, verified or released")
}

// plainAddress finds slips; RFC 5321 allows more than any pharmacy uses.
func plainAddress(a string) bool {
	local, domain, ok := strings.Cut(a, "@")
	return ok && local != "" && domain != "" && !strings.ContainsAny(a, " \t\r\n<>,;:\"()") && !strings.Contains(domain, "@")
}

func (c *checker) pharmacist(key, code string) {
	if code == "" {
		return
	}
	p, ok := c.site.Person(code)
	c.when(!ok, key, "%q is nobody of this site; name one of its pharmacists by code", code)
	c.when(ok && !p.Is(Pharmacist), key, "%s is not a pharmacist of this site; name one who is", code)
}

// Tags say how sure a figure's source is: read, from memory, computed, the trade's practice, to be confirmed.
var tags = []string{"", "R", "M", "C", "T", "confirm"}

// Unsure is true of a tag whose figure nobody may rely on until a pharmacist of the site has confirmed it.
func Unsure(tag string) bool { return tag == "M" || tag == "confirm" }

func (c *checker) figure(at, source, tag, confirmedBy string) {
	c.when(source == "", at+".source", "say whose figure this is; a figure without a source cannot be used")
	c.oneOf(at+".tag", tag, tags...)
	c.pharmacist(at+".confirmed_by", confirmedBy)
}

func (c *checker) routes() {
	for i, r := range c.site.Routes {
		at := nth("routes", i)
		c.when(len(r.Kinds) == 0, at+".kinds", "say which mails, or \"all\"")
		c.when(len(r.To) == 0, at+".to", "say who gets them: codes of persons, or addresses")
		for k, v := range r.Severities {
			c.oneOf(nth(at+".severities", k), v, "high", "medium", "low")
		}
		for k, u := range r.Units {
			c.unit(nth(at+".units", k), u)
		}
		for k, to := range r.To {
			p, known := c.site.Person(to)
			switch key := nth(at+".to", k); {
			case known:
				c.warn(!p.Left.IsZero(), key, "%s has left or is leaving; name somebody else", to)
				c.when(p.Mail == "", key, "%s has no mail address; add one, or name someone who has", to)
			case !plainAddress(to):
				c.wrong(key, "%q is neither a person of this site nor a mail address", to)
			}
		}
	}
}

// unit finds a storage unit by code, or says that there is none.
func (c *checker) unit(key, code string) (Unit, bool) {
	u, _, ok := c.site.UnitAt(code)
	c.when(!ok, key, "there is no storage unit %q at this site; check its code", code)
	return u, ok
}
