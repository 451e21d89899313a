package calc

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode"

	"vialward/tracker/beyonduse"
	"vialward/tracker/walltime"
)

// BeyondUse is the document `calc bud` prints. Times are RFC 3339 in the document's zone, cut to the minute.
type BeyondUse struct {
	BeyondUse  string         `json:"beyond_use"`
	GovernedBy string         `json:"governed_by"` // sterility, stability, component or cap
	Candidates []BudCandidate `json:"candidates"`  // in that order; the first of equals governs
}

// BudCandidate is one limit. It is not confirmed where the shipped figure waits for someone to read the official text.
type BudCandidate struct {
	Limit     string `json:"limit"`
	BeyondUse string `json:"beyond_use"`
	Source    string `json:"source"`
	Confirmed bool   `json:"confirmed"`
}

// Bud is `vialward calc bud`: the beyond-use date by the shipped table, the document's stability, components and cap.
// An error means the input is not the document described; where no date is allowed the Result has Exit 3 and says why.
func Bud(in io.Reader) (Result, error) {
	input, err := readBudDocument(in)
	if err != nil {
		return Result{}, fmt.Errorf("calc bud: %w", err)
	}
	answer, err := beyonduse.Compute(input)
	var no *beyonduse.NoDate
	switch {
	case errors.As(err, &no):
		return refuseBud(no.Why), nil
	case err != nil:
		return Result{}, fmt.Errorf("calc bud: %w", err)
	}
	doc := BeyondUse{BeyondUse: answer.BeyondUse.In(input.Zone).Format(time.RFC3339), GovernedBy: answer.GovernedBy}
	for _, c := range answer.Candidates {
		doc.Candidates = append(doc.Candidates, BudCandidate{c.Limit, c.BeyondUse.In(input.Zone).Format(time.RFC3339), c.Source, c.Confirmed})
	}
	return Result{Document: doc, Text: sayBud(answer, input.Zone)}, nil
}

func sayBud(a beyonduse.Answer, zone *time.Location) string {
	var b strings.Builder
	fmt.Fprintf(&b, "Beyond use      %s (expired from this minute on)\n", walltime.Say(a.BeyondUse, zone))
	fmt.Fprintf(&b, "Governed by     %s\n\nAll limits\n", a.GovernedBy)
	for _, c := range a.Candidates {
		sure := "confirmed"
		if !c.Confirmed {
			sure = "not confirmed"
		}
		fmt.Fprintf(&b, "  %-10s    %-26s  %-13s  %s\n", c.Limit, walltime.Say(c.BeyondUse, zone), sure, oneLine(c.Source))
	}
	return b.String() + "\n" + Caution + "\n"
}

func refuseBud(why []string) Result {
	var doc Refused
	var text strings.Builder
	text.WriteString("NO BEYOND-USE DATE\n")
	for _, w := range why {
		doc.Refused = append(doc.Refused, Why{w})
		text.WriteString("  " + oneLine(w) + "\n")
	}
	return Result{Document: doc, Text: text.String() + "\n" + Caution + "\n", Exit: 3}
}

// oneLine keeps a text that came with the document from breaking lines or steering a terminal.
func oneLine(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == '\u2028' || r == '\u2029' {
			return ' '
		}
		return r
	}, s)
}
