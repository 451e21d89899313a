package sweep

import (
	"fmt"
	"strings"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Words puts a list into words, the same for whatever shows it: as text, on a page. Times are in the list's own zone.
// Where this machine no longer knows that, they are printed with the offset that was kept, never in a zone of the
// machine's choosing.
type Words struct {
	List
	zone *time.Location
}

// Words of a list.
func (l List) Words() Words {
	zone, err := time.LoadLocation(l.Zone)
	if err != nil || l.Zone == "" {
		return Words{List: l}
	}
	return Words{l, zone}
}

// say prints an instant in full: "Wed 12 Nov 2025 08:30 EST".
func (w Words) say(t time.Time) string {
	if w.zone == nil {
		return t.Format("Mon 2 Jan 2006 15:04 -07:00")
	}
	return walltime.Say(t, w.zone)
}

// clock prints an instant as short as it stays clear on this list: "08:30" on the list's own day.
func (w Words) clock(t time.Time) string {
	if w.local(t).Format(time.DateOnly) == w.local(w.DueAt).Format(time.DateOnly) {
		return w.local(t).Format("15:04" + w.which(t))
	}
	return w.day(t)
}

// day prints an instant with its weekday always: "Sat 08:30", and from six days on "Sat 22 Nov 08:30".
func (w Words) day(t time.Time) string {
	layout := walltime.Short
	if t.Sub(w.DueAt).Abs() >= 6*24*time.Hour {
		layout = "Mon 2 Jan 15:04"
	}
	return w.local(t).Format(layout + w.which(t))
}

// which of two, for a wall time that comes twice that night: "01:30 EDT".
func (w Words) which(t time.Time) string {
	switch {
	case w.zone == nil:
		return " -07:00"
	case walltime.Resolve(walltime.Of(t, w.zone), w.zone).Kind == walltime.Twice:
		return " MST"
	default:
		return ""
	}
}

func (w Words) local(t time.Time) time.Time {
	if w.zone == nil {
		return t
	}
	return t.In(w.zone)
}

// degrees prints every decimal that was measured, so that no number looks better than it was: "4.7 °C". °F is rounded
// to its hundredth and stands beside the °C it was compared in.
func (w Words) degrees(t Degrees) string {
	c := decimal(int64(t), 1000)
	if !w.Fahrenheit {
		return c + " °C"
	}
	f := int64(t)*18 + 320_000 // ten-thousandths of a degree, exact
	if f < 0 {
		f -= 100
	}
	return decimal((f+50)/100, 100) + " °F (" + c + " °C)"
}

// decimal prints n/unit with at least one place and no more zeros than that.
func decimal(n, unit int64) string {
	s := stock.SayMilli(n * (1000 / unit))
	if !strings.Contains(s, ".") {
		s += ".0"
	}
	return s
}

// Whole is the list in a line: what it asks for in all.
func (w Words) Whole() string {
	t := Counts(w.List)
	if t.Idle() {
		return "NOTHING TO PULL, " + vials(t.Expected) + " expected"
	}
	return t.words(w.List) + ", " + vials(t.Expected) + " expected"
}

// NothingHere is said of a unit whose lines ask for nothing; "" where they do.
func (Words) NothingHere(u Unit) string {
	if !Counts(List{Units: []Unit{u}}).Idle() {
		return ""
	}
	return "NOTHING TO PULL HERE, " + vials(u.Expected) + " expected"
}

// Name is a unit as its page is headed.
func (Words) Name(u Unit) string {
	switch {
	case u.Code == "":
		return "NO STORAGE UNIT"
	case u.Name != "" && u.Name != u.Code:
		return u.Code + ", " + u.Name
	default:
		return u.Code
	}
}

// More is what else its head says: the room, what it is for, how full it is.
func (Words) More(u Unit) []string {
	switch {
	case u.Code == "":
		return []string{"the record says in stock, and names no place: find them"}
	case u.Unknown:
		return []string{"NOT A STORAGE UNIT OF THIS SITE: the record says these vials are there; find them"}
	}
	out := []string{stock.RoomPlace{Code: u.Room, Name: u.RoomName}.Words()}
	if u.HazardousOnly {
		out = append(out, "HAZARDOUS DRUGS ONLY")
	}
	if u.Capacity > 0 {
		out = append(out, fmt.Sprintf("%d of %d places taken", u.Expected, u.Capacity))
	}
	return out
}

// ByHand is what somebody does where no temperature of now is known.
const ByHand = "read it off the unit: ______"

// NoSensor is said of a unit that no sensor watches; "" of any other.
func (Words) NoSensor(u Unit) string {
	if len(u.Head.Probes) > 0 || u.Unknown {
		return ""
	}
	return "temperature: NO DATA"
}

// Temperature is what the daily check signs of a probe: now, lowest and highest since the last signed list, and what is
// wrong with it.
func (w Words) Temperature(p Probe, h Head) []string {
	name := p.Sensor
	if len(p.Shelves) > 0 {
		name += " (shelf " + strings.Join(p.Shelves, ", ") + ")"
	}
	out := []string{name}
	switch {
	case p.MilliC != nil:
		out = append(out, "now "+w.degrees(*p.MilliC)+" at "+w.clock(p.At))
	case !p.At.IsZero():
		out = append(out, "NO DATA since "+w.clock(p.At), ByHand)
	default:
		out = append(out, "NO DATA", ByHand)
	}
	extremes := "no lowest and highest on record"
	if p.Lowest != nil && p.Highest != nil {
		extremes = "lowest " + w.degrees(*p.Lowest) + ", highest " + w.degrees(*p.Highest)
	}
	if !h.Since.IsZero() {
		extremes += " since " + w.clock(h.Since)
	}
	out = append(out, extremes)
	if p.Clock != "" {
		out = append(out, "CLOCK SUSPECT: "+p.Clock)
	}
	if !p.Stuck.IsZero() {
		out = append(out, "STUCK? one value since "+w.clock(p.Stuck)+": the unit's own display says ______")
	}
	return out
}

// ShelfName is a shelf as a list names it.
func ShelfName(code string) string {
	if code == "" {
		return "no shelf named"
	}
	return "shelf " + code
}

// Staying are the batches on a shelf that no line names, with how many: whatever is neither there nor in a line is not on
// record.
func (Words) Staying(u Unit, shelf string) []string {
	var out []string
	for _, l := range u.Lines {
		for _, c := range l.Shelves {
			if l.Action == Stay && c.Shelf == shelf {
				out = append(out, fmt.Sprintf("%s (%d)", clean(l.Batch), c.Count))
			}
		}
	}
	return out
}

func vials(n int) string {
	if n == 1 {
		return "1 vial"
	}
	return fmt.Sprintf("%d vials", n)
}
