package calc

import (
	"fmt"
	"strings"
	"time"

	"vialward/tracker/templog"
	"vialward/tracker/thermal"
	"vialward/tracker/walltime"
)

// mktMeaning stands under every MKT for a person (USP <1079.2>, secondary copies, R).
const mktMeaning = "Mean kinetic temperature is a storage statistic: it excuses no excursion, sees no freezing, and releases no prepared vial."

// mostListed of a kind in the text; --json lists all.
const mostListed = 20

func (d Temperatures) text() string {
	var b strings.Builder
	for _, s := range d.Sensors {
		d.said.sensor(&b, s)
	}
	sayRows(&b, d.Rows, d.Refused)
	return b.String() + "\n" + mktMeaning + "\n" + Caution + "\n"
}

// sayRows prints what became of a log's values, and why some were refused.
func sayRows(b *strings.Builder, r templog.Rows, refused []templog.Refusal) {
	fmt.Fprintf(b, "Values   %d read: %d stored, %d duplicate, %d conflicting, %d missing, %d refused\n",
		r.Read, r.Stored, r.Duplicate, r.Conflicting, r.Missing, r.Refused)
	for i, w := range refused {
		if i == mostListed {
			fmt.Fprintf(b, "         and %d more (--json lists them)\n", len(refused)-i)
			break
		}
		fmt.Fprintf(b, "REFUSED  line %d: %s\n", w.Line, w.Why)
	}
}

func (o said) sensor(b *strings.Builder, s SensorTemperatures) {
	fmt.Fprintf(b, "%s\n", s.Sensor)
	if s.Readings == 0 {
		b.WriteString("  no reading that can be used\n\n")
		return
	}
	fmt.Fprintf(b, "  Readings  %d, %s to %s", s.Readings, o.at(*s.From), o.at(*s.To))
	if s.Coverage != nil {
		fmt.Fprintf(b, ", %.1f %% of it covered", *s.Coverage*100)
	}
	fmt.Fprintf(b, "\n  Range     %g to %g °C\n", *s.MinCelsius, *s.MaxCelsius)
	switch {
	case s.MeanCelsius == nil:
		fmt.Fprintf(b, "  Mean      none: no two readings are within %g minutes of each other\n", o.maxGap.Minutes())
	case o.equal:
		fmt.Fprintf(b, "  Mean      %.3f °C, mean kinetic temperature %.3f °C, every reading counted alike\n", *s.MeanCelsius, *s.MKTCelsius)
	default:
		fmt.Fprintf(b, "  Mean      %.3f °C, mean kinetic temperature %.3f °C\n", *s.MeanCelsius, *s.MKTCelsius)
	}
	if w := s.Worst24h; w != nil {
		fmt.Fprintf(b, "  Worst     24 h from %s: mean kinetic temperature %.3f °C\n", o.at(w.From), w.MKTCelsius)
	}
	for i, x := range s.Excursions {
		if i == mostListed {
			fmt.Fprintf(b, "            and %d more (--json lists them)\n", len(s.Excursions)-i)
			break
		}
		fmt.Fprintf(b, "  %-8s  %s to %s, %.1f minutes, %s %g °C\n", strings.ToUpper(string(x.Kind)), o.at(x.From), o.at(x.To), x.Minutes,
			map[bool]string{true: "up to", false: "down to"}[x.Kind == thermal.Warm], x.ExtremeCelsius)
	}
	for i, g := range s.Gaps {
		if i == mostListed {
			fmt.Fprintf(b, "            and %d more (--json lists them)\n", len(s.Gaps)-i)
			break
		}
		fmt.Fprintf(b, "  NO DATA   %s to %s\n", o.at(g.From), o.at(g.To))
	}
	b.WriteString("\n")
}

func (o said) at(t time.Time) string { return walltime.Say(t, o.zone) }
