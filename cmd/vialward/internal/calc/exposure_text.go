package calc

import (
	"fmt"
	"math"
	"strings"
	"time"

	"vialward/tracker/thermal"
	"vialward/tracker/walltime"
)

// exposureMeaning stands under every exposure for a person.
const exposureMeaning = "What is proposed waits for a pharmacist: nothing here releases a vial, and no figure makes a beyond-use date later. " +
	"A chemical limit says nothing about sterility."

// sayExposure prints an exposure for a person. Where time is unknown, what is known is a least figure and says so.
func sayExposure(e thermal.Exposure, l exposureLog, d exposureDocument) string {
	var b strings.Builder
	at := func(micros int64) string { return walltime.Say(time.UnixMicro(micros), d.zone) }
	line := func(name, format string, args ...any) {
		fmt.Fprintf(&b, "%-15s %s\n", name, fmt.Sprintf(format, args...))
	}
	least := ""
	if e.Unknown > 0 {
		least = "at least "
	}
	line("Followed", "%s to %s", at(e.AtMicros-e.Followed.Microseconds()), at(e.AtMicros))
	line("Unknown", "%s of %s minutes", sayMinutes(e.Unknown), sayMinutes(e.Followed))
	for _, s := range l.silent {
		line("", "the log has no reading of %s", oneLine(s))
	}
	line("Above 8 °C", "%s%s minutes; above 15 °C %s, above 25 °C %s", least, sayMinutes(e.Above8), sayMinutes(e.Above15), sayMinutes(e.Above25))
	line("Below 2 °C", "%s%s minutes", least, sayMinutes(e.Below2))
	line("Freezing", "%d readings at or below %v °C", e.FreezeReadings, d.rules.FreezeMilliC)
	if e.Measured {
		line("Range", "%s to %s °C", sayCelsius(e.MinCelsius), sayCelsius(e.MaxCelsius))
	} else {
		line("Range", "no temperature is known")
	}
	switch {
	case !e.Modelled:
		line("Stability", "no data, so no figure")
	case e.BeyondModel > 0:
		line("Stability", "%s%.2f %% used, and %s minutes warmer than the data speaks for", least, 100*e.StabilityUsed, sayMinutes(e.BeyondModel))
	default:
		line("Stability", "%s%.2f %% used", least, 100*e.StabilityUsed)
	}
	if e.Limited {
		line("Chemical limit", "%s", at(e.ChemicalLimitMicros))
	} else {
		line("Chemical limit", "none can be given")
	}
	past := ""
	if e.BeyondUseMicros <= e.AtMicros {
		past = ", past by then: do not use"
	}
	line("Beyond use", "%s%s", at(e.BeyondUseMicros), past)
	b.WriteString("\nProposed\n")
	if len(e.Proposals) == 0 {
		b.WriteString("  nothing beyond what holds for every vial\n")
	}
	for _, p := range e.Proposals {
		fmt.Fprintf(&b, "  %-18s %s\n", strings.ToUpper(strings.ReplaceAll(string(p.Action), "_", " ")), p.Why)
	}
	b.WriteString("\n")
	sayRows(&b, l.rows, l.refused)
	return b.String() + "\n" + exposureMeaning + "\n" + Caution + "\n"
}

// sayMinutes prints to a tenth, and never nothing for something.
func sayMinutes(d time.Duration) string {
	if d > 0 && d < 3*time.Second {
		return "less than 0.1"
	}
	return fmt.Sprintf("%.1f", d.Minutes())
}

// sayCelsius prints a point of a line to the thousandth.
func sayCelsius(c float64) string { return thermal.MilliC(math.Round(c * 1000)).String() }
