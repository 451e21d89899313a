package sweep

import (
	"fmt"
	"strings"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// printer words a list in the list's own zone. zone is nil where this machine no longer knows it: times are then
// printed with the offset that was kept, never in a zone of the machine's choosing.
type printer struct {
	List
	zone *time.Location
}

func newPrinter(l List) printer {
	zone, err := time.LoadLocation(l.Zone)
	if err != nil || l.Zone == "" {
		return printer{List: l}
	}
	return printer{l, zone}
}

// say prints an instant in full: "Wed 12 Nov 2025 08:30 EST".
func (p printer) say(t time.Time) string {
	if p.zone == nil {
		return t.Format("Mon 2 Jan 2006 15:04 -07:00")
	}
	return walltime.Say(t, p.zone)
}

// clock prints an instant as short as it stays clear on this list: "08:30" on the list's own day.
func (p printer) clock(t time.Time) string {
	if p.local(t).Format(time.DateOnly) == p.local(p.DueAt).Format(time.DateOnly) {
		return p.local(t).Format("15:04" + p.which(t))
	}
	return p.day(t)
}

// day prints an instant with its weekday always: "Sat 08:30", and from six days on "Sat 22 Nov 08:30".
func (p printer) day(t time.Time) string {
	layout := walltime.Short
	if t.Sub(p.DueAt).Abs() >= 6*24*time.Hour {
		layout = "Mon 2 Jan 15:04"
	}
	return p.local(t).Format(layout + p.which(t))
}

// which of two, for a wall time that comes twice that night: "01:30 EDT".
func (p printer) which(t time.Time) string {
	switch {
	case p.zone == nil:
		return " -07:00"
	case walltime.Resolve(walltime.Of(t, p.zone), p.zone).Kind == walltime.Twice:
		return " MST"
	default:
		return ""
	}
}

func (p printer) local(t time.Time) time.Time {
	if p.zone == nil {
		return t
	}
	return t.In(p.zone)
}

// degrees prints every decimal that was measured, so that no number looks better than it was: "4.7 °C". °F is rounded
// to its hundredth and stands beside the °C it was compared in.
func (p printer) degrees(t Degrees) string {
	c := decimal(int64(t), 1000)
	if !p.Fahrenheit {
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

func vials(n int) string {
	if n == 1 {
		return "1 vial"
	}
	return fmt.Sprintf("%d vials", n)
}

// ranges prints sorted numbers: "1-3, 7".
func ranges(n []int) string {
	var parts []string
	for i := 0; i < len(n); {
		k := i
		for k+1 < len(n) && n[k+1] == n[k]+1 {
			k++
		}
		if k == i {
			parts = append(parts, fmt.Sprint(n[i]))
		} else {
			parts = append(parts, fmt.Sprintf("%d-%d", n[i], n[k]))
		}
		i = k + 1
	}
	return strings.Join(parts, ", ")
}
