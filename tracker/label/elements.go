package label

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"vialward/tracker/walltime"
)

// Element is one GS1 application identifier with its value.
type Element struct{ AI, Value string }

// Encode writes elements as a scanner sends them: FNC1 (here GS) after every value whose length is not known to all
// scanners, except at the end. A symbol needs FNC1 before the first one too; that is the drawing's business.
func Encode(elements []Element) (string, error) {
	var b strings.Builder
	for i, e := range elements {
		id, err := checked(e)
		if err != nil {
			return "", err
		}
		b.WriteString(e.AI + e.Value)
		if !id.fixed && i < len(elements)-1 {
			b.WriteString(GS)
		}
	}
	return b.String(), nil
}

// Human writes elements for people: identifiers in brackets. A "(" of a value gets a backslash before it, so that it
// can be read back; no value can hold a backslash.
func Human(elements []Element) (string, error) {
	var b strings.Builder
	for _, e := range elements {
		if _, err := checked(e); err != nil {
			return "", err
		}
		b.WriteString("(" + e.AI + ")" + strings.ReplaceAll(e.Value, "(", `\(`))
	}
	return b.String(), nil
}

func checked(e Element) (identifier, error) {
	id, ok := identifiers[e.AI]
	if !ok {
		return id, fmt.Errorf("%w (%s)", ErrUnknownIdentifier, e.AI)
	}
	return id, id.check(e.AI, e.Value)
}

// Elements is what a vial's code, or a manufacturer's pack, says. Zero fields are not there.
type Elements struct {
	GTIN    string        // (01), 14 digits
	Expires Date          // (17), manufactured packs
	BUD     walltime.Wall // (7003), to the minute, wall time of the site: there is no zone in it
	Lot     string        // (10)
	Serial  string        // (21)
	Label   int           // (91), company internal: the number of this label on the vial, so that an old one is known
	Other   []Element     // everything else that was read, as it stood
}

// BUDWall is what (7003) says of an instant: the site's wall time, cut down to the minute. On the night the clocks go
// back two instants have the same one; see ResolveBUD.
func BUDWall(bud time.Time, zone *time.Location) walltime.Wall {
	return walltime.Of(walltime.CutMinute(bud), zone)
}

// ErrNoSuchTime is for a wall time that the site's clocks skip: no label of that site says it.
var ErrNoSuchTime = errors.New("the clocks of the site never show this time")

// ResolveBUD is the instant a (7003) stands for. A wall time that comes twice counts as the first: read back, a
// beyond-use date may be an hour early, never late. The record, not the label, is what decides.
func ResolveBUD(w walltime.Wall, zone *time.Location) (time.Time, error) {
	r := walltime.Resolve(w, zone)
	if r.Kind == walltime.None || r.Kind == walltime.Missing {
		return time.Time{}, fmt.Errorf("%04d-%02d-%02d %02d:%02d in %s: %w", w.Year, int(w.Month), w.Day, w.Hour, w.Minute, zone, ErrNoSuchTime)
	}
	return r.First, nil
}

// List puts the elements in the order in which vialward prints them: fixed lengths first, the serial last. A GTIN of
// 8, 12 or 13 digits is brought to 14. Without one there is no GS1 string: print the vial's own code instead.
func (e Elements) List() ([]Element, error) {
	gtin := strings.Repeat("0", max(0, 14-len(e.GTIN))) + e.GTIN
	switch len(e.GTIN) {
	case 8, 12, 13, 14:
	case 0:
		return nil, errors.New("a GS1 code needs the product's GTIN; without one print the vial's own code")
	default:
		return nil, fmt.Errorf("a GTIN has 8, 12, 13 or 14 digits, not %d", len(e.GTIN))
	}
	list := []Element{{"01", gtin}}
	if e.Expires != (Date{}) {
		list = append(list, Element{"17", fmt.Sprintf("%02d%02d%02d", e.Expires.Year%100, int(e.Expires.Month), e.Expires.Day)})
	}
	if b := e.BUD; b != (walltime.Wall{}) {
		list = append(list, Element{"7003", fmt.Sprintf("%02d%02d%02d%02d%02d", b.Year%100, int(b.Month), b.Day, b.Hour, b.Minute)})
	}
	if e.Lot != "" {
		list = append(list, Element{"10", e.Lot})
	}
	if e.Label != 0 {
		list = append(list, Element{"91", fmt.Sprint(e.Label)})
	}
	list = append(list, e.Other...)
	if e.Serial != "" {
		list = append(list, Element{"21", e.Serial})
	}
	for _, x := range list {
		if _, err := checked(x); err != nil {
			return nil, err
		}
	}
	return list, nil
}

// gs1Time reads YYMMDDHHMM. Day 00 has no meaning with a time of day.
func gs1Time(s string, thisYear int) (walltime.Wall, error) {
	d, err := gs1Date(s[:6], thisYear)
	hour, minute := two(s[6:]), two(s[8:])
	switch {
	case err != nil:
		return walltime.Wall{}, err
	case s[4:6] == "00":
		return walltime.Wall{}, errors.New("day 00")
	case hour > 23 || minute > 59:
		return walltime.Wall{}, fmt.Errorf("time %02d:%02d", hour, minute)
	}
	return walltime.Wall{Year: d.Year, Month: d.Month, Day: d.Day, Hour: hour, Minute: minute}, nil
}
