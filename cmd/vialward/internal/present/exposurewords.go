package present

import (
	"fmt"
	"strings"
	"time"

	"vialward/tracker"
	"vialward/tracker/thermal"
	"vialward/tracker/walltime"
)

// ExposureMeaning stands beside every exposure for a person.
const ExposureMeaning = "What is proposed waits for a pharmacist: nothing here releases a vial, and no figure makes a beyond-use date later. A chemical limit says nothing about sterility."

// ExposureFact is a line of an exposure for a person.
type ExposureFact struct{ Name, Value string }

var proposalWords = map[thermal.Action]string{
	thermal.HoldIt: "HOLD", thermal.DiscardIt: "DISCARD", thermal.ShortenIt: "SHORTEN", thermal.WithinAllowance: "WITHIN ALLOWANCE",
	thermal.AskFirst: "ASK", thermal.NoNumber: "NO NUMBER",
}

// ExposureWords says an exposure line by line: figures, what is proposed, on what it stands. Where time is unknown,
// what is known is a least figure and says so.
func ExposureWords(x tracker.VialExposure, zone *time.Location) (lines []ExposureFact) {
	line := func(name, format string, args ...any) {
		lines = append(lines, ExposureFact{name, fmt.Sprintf(format, args...)})
	}
	if !x.Known {
		line("Not known", "%s", x.Why)
	} else {
		figures(x, zone, line)
	}
	for _, s := range x.Basis {
		line("Source", "%s", s)
	}
	for _, s := range x.Assumed {
		line("Assumed", "%s", s)
	}
	return lines
}

func figures(x tracker.VialExposure, zone *time.Location, line func(name, format string, args ...any)) {
	e := x.Thermal
	least := ""
	if e.Unknown > 0 {
		least = "at least "
	}
	at := func(micros int64) string { return walltime.Say(time.UnixMicro(micros), zone) }
	line("Followed", "%s to %s", at(e.AtMicros-e.Followed.Microseconds()), at(e.AtMicros))
	line("Unknown", "%.1f of %.1f minutes", e.Unknown.Minutes(), e.Followed.Minutes())
	line("Above 8 °C", "%s%.1f minutes; above 15 °C %.1f, above 25 °C %.1f", least, e.Above8.Minutes(), e.Above15.Minutes(), e.Above25.Minutes())
	if x.Product.AllowedOutMinutes != nil && x.Product.AllowedOutSource != "" {
		line("Debited", "%s%.1f of %d minutes allowed", least, e.Debited.Minutes(), *x.Product.AllowedOutMinutes)
	} else {
		line("Debited", "%s%.1f minutes; the product has no sourced allowance", least, e.Debited.Minutes())
	}
	line("Below 2 °C", "%s%.1f minutes; %d readings at or below the freeze limit of %v °C", least, e.Below2.Minutes(), e.FreezeReadings, thermal.MilliC(x.Product.FreezeMilliC))
	if e.Measured {
		line("Extremes", "%.3f to %.3f °C", e.MinCelsius, e.MaxCelsius)
	} else {
		line("Extremes", "no temperature is known")
	}
	if e.Modelled {
		line("Stability used", "%s%.1f %%", least, 100*e.StabilityUsed)
	}
	if e.Limited {
		line("Chemical limit", "%s; beyond-use date %s", at(e.ChemicalLimitMicros), at(e.BeyondUseMicros))
	}
	for _, p := range e.Proposals {
		line("Proposed", "%s: %s", proposalWords[p.Action], p.Why)
	}
	if len(e.Proposals) == 0 {
		line("Proposed", "nothing: its exposure gives no reason to decide anything")
	}
}

// ExposureText is an exposure for a terminal.
func ExposureText(x tracker.VialExposure, zone *time.Location) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s  batch %s  %s\n", x.Vial.Code, x.Vial.Batch, x.Product.FullName())
	for _, l := range ExposureWords(x, zone) {
		fmt.Fprintf(&b, "  %-15s %s\n", l.Name, l.Value)
	}
	return b.String() + ExposureMeaning + "\n"
}
