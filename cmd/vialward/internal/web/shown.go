package web

import (
	"fmt"
	"strings"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/thermal"
	"vialward/tracker/walltime"
)

// shown is how a site's instants and temperatures are put to people.
type shown struct {
	zone       *time.Location
	now        time.Time
	fahrenheit bool
	people     []stock.Person
}

func shownAt(s *stock.Site, now time.Time) shown {
	return shown{s.Location(), now, s.Unit == "[degF]", s.People}
}

// moment is an instant in the site's time: for machines, and for people.
type moment struct{ ISO, Say string }

// at prints an instant in full, "Wed 12 Nov 2025 08:30 EST"; the zero time is no moment.
func (s shown) at(t time.Time) moment {
	if t.IsZero() {
		return moment{}
	}
	return moment{t.In(s.zone).Format(time.RFC3339), walltime.Say(t, s.zone)}
}

// atMicros is at for microseconds since 1970, 0 = none.
func (s shown) atMicros(m int64) moment {
	if m == 0 {
		return moment{}
	}
	return s.at(time.UnixMicro(m))
}

// clock prints an instant of today without its day: "06:58 EST".
func (s shown) clock(t time.Time) moment {
	m := s.at(t)
	if t.IsZero() {
		return m
	}
	if t.In(s.zone).Format(time.DateOnly) == s.now.In(s.zone).Format(time.DateOnly) {
		m.Say = t.In(s.zone).Format(walltime.Clock)
	}
	return m
}

func (s shown) nowMoment() moment { return s.at(s.now) }

// degrees prints every decimal that was measured, one at least: "4.7 °C"; °F, to its hundredth, stands beside the °C
// in which limits are compared.
func (s shown) degrees(t thermal.MilliC) string {
	c := decimal(int64(t)) + " °C"
	if !s.fahrenheit {
		return c
	}
	f := int64(t)*18 + 320_000 // ten-thousandths of a degree, exact
	if f < 0 {
		f -= 100
	}
	return decimal((f+50)/100*10) + " °F (" + c + ")"
}

func decimal(thousandths int64) string {
	d := stock.SayMilli(thousandths)
	if !strings.Contains(d, ".") {
		d += ".0"
	}
	return d
}

// span prints a duration: "35 min", "2 h 10 min", "3 days 4 h". Cut, never rounded up.
func span(d time.Duration) string {
	switch m := int64(d.Abs() / time.Minute); {
	case m < 1:
		return "less than a minute"
	case m < 120:
		return fmt.Sprintf("%d min", m)
	case m < 48*60:
		return strings.TrimSuffix(fmt.Sprintf("%d h %d min", m/60, m%60), " 0 min")
	default:
		return strings.TrimSuffix(fmt.Sprintf("%d days %d h", m/1440, m%1440/60), " 0 h")
	}
}

// many prints a number with its noun: "1 vial", "33 vials".
func many(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// who prints a person: "Pharmacist 1 (rph-1)". A code the site does not know stands as it is.
func (s shown) who(code string) string {
	switch code {
	case "":
		return ""
	case "vialward":
		return "vialward, by rule"
	case stock.Before:
		return "before the record began"
	}
	for _, p := range s.people {
		if p.Code == code && p.Name != "" {
			return p.Name + " (" + code + ")"
		}
	}
	return code
}

// placeWords prints a place: "R1, shelf A".
func placeWords(unit, shelf string) string {
	switch {
	case unit == "":
		return ""
	case shelf == "":
		return unit
	default:
		return unit + ", shelf " + shelf
	}
}

// shelfWords prints the shelves a sensor or a hold speaks for.
func shelfWords(shelves []string) string {
	switch len(shelves) {
	case 0:
		return "all shelves"
	case 1:
		return "shelf " + shelves[0]
	default:
		return "shelves " + strings.Join(shelves, ", ")
	}
}

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func plainText(v any) string { return fmt.Sprint(v) }
