package beyonduse

import (
	"fmt"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Years a date may lie in: since 1973 every zone's offset is whole minutes, and a year such as 9999 is no date but a
// way to say "never", which no label says.
const (
	FirstYear = 1973
	LastYear  = 2999
)

// EndOfExpiry is the instant a manufactured component's printed expiry ends: a month ("2026-12") with its last local
// day (USP notice on <7>, R), a date ("2026-12-31") with the end of that local day, an RFC 3339 instant at itself.
func EndOfExpiry(printed string, zone *time.Location) (time.Time, error) {
	if t, err := time.Parse("2006-01", printed); err == nil && known(t) {
		return walltime.StartOfDay(t.Year(), t.Month()+1, 1, zone), nil
	}
	if t, err := time.Parse(time.DateOnly, printed); err == nil && known(t) {
		return walltime.EndOfDay(t.Year(), t.Month(), t.Day(), zone), nil
	}
	if t, ok := Instant(printed); ok {
		return t, nil
	}
	return time.Time{}, fmt.Errorf("%q is no expiry: write the month (2026-12), the date (2026-12-31) or an instant with its offset (2026-12-31T08:30:00-05:00), from %d to %d", printed, FirstYear, LastYear)
}

// EndOfBeyondUse is the instant a compounded or repackaged component's BUD is reached: a date alone at the start of that
// local day, since nothing says that the day itself was meant; an RFC 3339 instant at itself.
func EndOfBeyondUse(printed string, zone *time.Location) (time.Time, error) {
	if t, err := time.Parse(time.DateOnly, printed); err == nil && known(t) {
		return walltime.StartOfDay(t.Year(), t.Month(), t.Day(), zone), nil
	}
	if t, ok := Instant(printed); ok {
		return t, nil
	}
	return time.Time{}, fmt.Errorf("%q is no beyond-use date: write the date (2026-12-31) or an instant with its offset (2026-12-31T08:30:00-05:00), from %d to %d", printed, FirstYear, LastYear)
}

// Instant reads RFC 3339 strictly: with an offset, in the years above; UTC, cut to microseconds.
func Instant(s string) (time.Time, bool) {
	var t time.Time
	if err := t.UnmarshalText([]byte(s)); err != nil || !known(t) {
		return time.Time{}, false
	}
	return walltime.Cut(t), true
}

func known(t time.Time) bool { return t.Year() >= FirstYear && t.Year() <= LastYear }

// component adds a candidate for what is printed on a component; where both an expiry and a BUD are, for each.
func (c *collect) component(x stock.Component) {
	name := x.Name
	if x.Lot != "" {
		name += ", lot " + x.Lot
	}
	if x.Expires == "" && x.BeyondUse == "" {
		c.refuse("%s has neither an expiry nor a beyond-use date: enter what its label says.", name)
	}
	c.printed(name, "expires", x.Expires, EndOfExpiry)
	c.printed(name, "beyond use", x.BeyondUse, EndOfBeyondUse)
}

func (c *collect) printed(name, what, text string, end func(string, *time.Location) (time.Time, error)) {
	if text == "" {
		return
	}
	t, err := end(text, c.zone)
	if err != nil {
		c.refuse("%s: %s.", name, err)
		return
	}
	c.add(LimitComponent, t, name+", "+what+" "+text, true)
}
