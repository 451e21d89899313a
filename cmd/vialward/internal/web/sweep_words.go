package web

import (
	"fmt"
	"strings"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/sweep"
	"vialward/tracker/thermal"
	"vialward/tracker/walltime"
)

// listWords puts a list into words for the page, the same words as on the list as text: a test holds them together. A
// list is worded in its own zone, whatever the site's is by now.
type listWords struct {
	sweep.List
	shown
}

func (v *visit) listWords(l sweep.List) listWords {
	s := v.shown
	if zone, err := time.LoadLocation(l.Zone); err == nil && l.Zone != "" {
		s.zone = zone
	}
	s.fahrenheit = l.Fahrenheit
	return listWords{l, s}
}

// clock prints an instant as short as it stays clear on this list: "08:30" on its own day, else with the weekday.
func (l listWords) clock(t time.Time) string {
	if t.In(l.zone).Format(time.DateOnly) == l.DueAt.In(l.zone).Format(time.DateOnly) {
		return t.In(l.zone).Format("15:04" + l.which(t))
	}
	return l.day(t)
}

func (l listWords) day(t time.Time) string {
	layout := walltime.Short
	if t.Sub(l.DueAt).Abs() >= 6*24*time.Hour {
		layout = "Mon 2 Jan 15:04"
	}
	return t.In(l.zone).Format(layout + l.which(t))
}

// which of two, for a wall time that comes twice that night.
func (l listWords) which(t time.Time) string {
	if walltime.Resolve(walltime.Of(t, l.zone), l.zone).Kind == walltime.Twice {
		return " MST"
	}
	return ""
}

func (l listWords) action(x sweep.Line) string {
	switch x.Action {
	case sweep.OnHold:
		return "DO NOT USE - ON HOLD"
	case sweep.NotChecked:
		return "NOT CHECKED - DO NOT USE"
	case sweep.PullNow:
		return "PULL NOW"
	case sweep.PullBefore:
		return "USE OR PULL BEFORE " + l.day(x.PullBy)
	case sweep.UseFirst:
		return "USE FIRST"
	case sweep.Stay:
		return "COUNT"
	default:
		return string(x.Action)
	}
}

func marks(x sweep.Line) []string {
	var out []string
	if x.Hazardous {
		out = append(out, "HAZARDOUS")
	}
	if x.HighAlert {
		out = append(out, "HIGH ALERT")
	}
	if x.Warning != "" {
		out = append(out, x.Warning)
	}
	return out
}

// where they stand: "shelf A: 4".
func (l listWords) where(x sweep.Line) []string {
	var out []string
	for _, s := range x.Shelves {
		w := fmt.Sprintf("%s: %d", shelfName(s.Shelf), s.Count)
		if len(s.Serials) > 0 {
			w += " (no. " + ranges(s.Serials) + ")"
		}
		out = append(out, w)
	}
	return out
}

func shelfName(code string) string {
	if code == "" {
		return "no shelf named"
	}
	return "shelf " + code
}

// into says which container, for what is pulled.
func into(x sweep.Line) string {
	switch {
	case x.Action != sweep.PullNow && x.Action != sweep.PullBefore:
		return ""
	case x.Into == "":
		return "________ (no container on record)"
	default:
		return x.Into
	}
}

// why a line stands where it does, where its action and date do not say so already.
func (l listWords) why(x sweep.Line) []string {
	var why []string
	add := func(there bool, words string) {
		if there {
			why = append(why, words)
		}
	}
	switch x.Action {
	case sweep.OnHold:
		add(true, "on hold: "+x.Held)
		add(x.Unverified, "nobody has verified it")
		switch {
		case x.Past:
			add(true, "PAST ITS BUD too: not to be used whatever is decided; DO NOT DISCARD until then")
		case !x.BeyondUse.After(l.LooksUntil):
			add(true, "its BUD comes by the next staffed sweep: ask a pharmacist now; DO NOT DISCARD")
		default:
			add(true, "DO NOT DISCARD: leave it in its place until a pharmacist has decided")
		}
	case sweep.NotChecked:
		add(true, "nobody has verified it")
		add(!x.PullBy.IsZero(), "pull it before "+l.day(x.PullBy)+" unless it is verified by then")
	case sweep.PullNow:
		add(!x.Past, "nobody is here before its BUD")
		add(x.Unverified, "nobody has verified it")
	case sweep.PullBefore:
		add(x.PullBy.Before(x.BeyondUse), "nobody is here from "+l.day(x.PullBy)+" to its BUD")
	case sweep.UseFirst, sweep.Stay:
	}
	return why
}

// whole is the list in a line: what it asks for in all.
func (l listWords) whole() string {
	t := sweep.Counts(l.List)
	if t.Idle() {
		return "NOTHING TO PULL, " + many(t.Expected, "vial") + " expected"
	}
	return sweep.Summary(l.List) + ", " + many(t.Expected, "vial") + " expected"
}

// unitName is a unit as a page of the list is headed.
func (l listWords) unitName(u sweep.Unit) string {
	switch {
	case u.Code == "":
		return "NO STORAGE UNIT"
	case u.Name != "" && u.Name != u.Code:
		return u.Code + ", " + u.Name
	default:
		return u.Code
	}
}

// unitMore is what else its head says: the room, what it is for, how full it is.
func (l listWords) unitMore(u sweep.Unit) []string {
	switch {
	case u.Code == "":
		return []string{"the record says in stock, and names no place: find them"}
	case u.Unknown:
		return []string{"NOT A STORAGE UNIT OF THIS SITE: the record says these vials are there; find them"}
	}
	out := []string{roomWords(stock.RoomPlace{Code: u.Room, Name: u.RoomName})}
	if u.HazardousOnly {
		out = append(out, "HAZARDOUS DRUGS ONLY")
	}
	if u.Capacity > 0 {
		out = append(out, fmt.Sprintf("%d of %d places taken", u.Expected, u.Capacity))
	}
	return out
}

const byHand = "read it off the unit: ______"

// temperature is what the daily check signs: now, lowest and highest since the last signed list.
func (l listWords) temperature(p sweep.Probe, h sweep.Head) []string {
	name := p.Sensor
	if len(p.Shelves) > 0 {
		name += " (shelf " + strings.Join(p.Shelves, ", ") + ")"
	}
	out := []string{name}
	switch {
	case p.MilliC != nil:
		out = append(out, "now "+l.degrees(thermal.MilliC(*p.MilliC))+" at "+l.clock(p.At))
	case !p.At.IsZero():
		out = append(out, "NO DATA since "+l.clock(p.At), byHand)
	default:
		out = append(out, "NO DATA", byHand)
	}
	extremes := "no lowest and highest on record"
	if p.Lowest != nil && p.Highest != nil {
		extremes = "lowest " + l.degrees(thermal.MilliC(*p.Lowest)) + ", highest " + l.degrees(thermal.MilliC(*p.Highest))
	}
	if !h.Since.IsZero() {
		extremes += " since " + l.clock(h.Since)
	}
	out = append(out, extremes)
	if p.Clock != "" {
		out = append(out, "CLOCK SUSPECT: "+p.Clock)
	}
	return out
}
