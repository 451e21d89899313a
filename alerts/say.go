package alerts

import (
	"fmt"
	"strings"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/thermal"
	"vialward/tracker/walltime"
)

// Caution stands at the foot of every mail.
const Caution = stock.Caution

// Site is what every mail needs to know of the place it speaks about.
type Site struct {
	Name         string
	Zone         *time.Location
	Now          time.Time // the instant the mail is worded
	Fahrenheit   bool      // °F beside °C
	HideProducts bool      // no product or component name in a subject: lock screens are read by anyone
	URL          string    // of the site's pages, without a slash at the end; "" = none
}

// Temperature is one reading as shown.
type Temperature struct {
	MilliC thermal.MilliC
	At     time.Time
}

// Direction in which a shown temperature may be rounded: away from the limit, so that a number never looks better than
// what was measured (8.02 °C is shown as 8.1 in a subject that says WARM, never as 8.0).
type direction int

const (
	nearest direction = iota // half up; for temperatures nobody compares with a limit
	up
	down
)

// tenths prints n/unit with one decimal.
func tenths(n, unit int64, d direction) string {
	step := unit / 10
	q, r := n/step, n%step
	if r < 0 { // floor division
		q, r = q-1, r+step
	}
	if d == up && r > 0 || d == nearest && 2*r >= step {
		q++
	}
	sign := ""
	if q < 0 {
		sign, q = "-", -q
	}
	return fmt.Sprintf("%s%d.%d", sign, q/10, q%10)
}

// short is for subjects: "9.6 C", or "9.6 C / 49.3 F".
func (s Site) short(t thermal.MilliC, d direction) string {
	c := tenths(int64(t), 1000, d) + " C"
	if s.Fahrenheit {
		c += " / " + tenths(int64(t)*18+320_000, 10_000, d) + " F"
	}
	return c
}

// degrees is for bodies: every decimal that was measured, one at least: "9.6 °C", "9.613 °C (49.4 °F)".
func (s Site) degrees(t thermal.MilliC, d direction) string {
	n, sign := int64(t), ""
	if n < 0 {
		n, sign = -n, "-"
	}
	frac := strings.TrimRight(fmt.Sprintf("%03d", n%1000), "0")
	if frac == "" {
		frac = "0"
	}
	c := fmt.Sprintf("%s%d.%s °C", sign, n/1000, frac)
	if s.Fahrenheit {
		c += " (" + tenths(int64(t)*18+320_000, 10_000, d) + " °F)"
	}
	return c
}

// when prints an instant in full: "Wed 12 Nov 2025 08:30 EST".
func (s Site) when(t time.Time) string { return walltime.Say(t, s.zone()) }

// clock prints an instant as short as it stays clear from now: "03:22" on the same local day, "Sat 23:10" within six
// days, "Sat 25 Oct 23:10" beyond. A wall time that comes twice that night carries its zone: "01:30 EDT".
func (s Site) clock(t time.Time) string {
	z := s.zone()
	l, n := t.In(z), s.Now.In(z)
	layout := "Mon 2 Jan 15:04"
	switch apart := t.Sub(s.Now).Abs(); {
	case l.Year() == n.Year() && l.YearDay() == n.YearDay():
		layout = "15:04"
	case apart < 6*24*time.Hour:
		layout = walltime.Short
	}
	if walltime.Resolve(walltime.Of(t, z), z).Kind == walltime.Twice {
		layout += " MST"
	}
	return l.Format(layout)
}

// clockZone is clock with the zone's name always: bodies say which clock.
func (s Site) clockZone(t time.Time) string {
	c := s.clock(t)
	if name := t.In(s.zone()).Format("MST"); !strings.HasSuffix(c, " "+name) {
		c += " " + name
	}
	return c
}

// zone is UTC where the facts forgot it, and then says so in every time: no local time is guessed.
func (s Site) zone() *time.Location {
	if s.Zone == nil {
		return time.UTC
	}
	return s.Zone
}

// span prints a duration as people say it: "35 minutes", "2 h 10 min", "3 days 4 h". Below a minute: "less than a
// minute". Cut, never rounded up.
func span(d time.Duration) string {
	m := int64(d.Abs() / time.Minute)
	switch {
	case m < 1:
		return "less than a minute"
	case m == 1:
		return "1 minute"
	case m < 120:
		return fmt.Sprintf("%d minutes", m)
	case m < 48*60:
		return strings.TrimSuffix(fmt.Sprintf("%d h %d min", m/60, m%60), " 0 min")
	default:
		return strings.TrimSuffix(fmt.Sprintf("%d days %d h", m/1440, m%1440/60), " 0 h")
	}
}

// count prints a number with its noun: "no vials", "1 vial", "33 vials".
func count(n int, noun string) string {
	switch n {
	case 0:
		return "no " + noun + "s"
	case 1:
		return "1 " + noun
	default:
		return fmt.Sprintf("%d %ss", n, noun)
	}
}

// list joins words: "a", "a and b", "a, b and c".
func list(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

// plural prints a number with its noun in a form count has not.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// upperFirst begins a sentence.
func upperFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
