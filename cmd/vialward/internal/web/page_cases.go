package web

import (
	"context"
	"fmt"
	"strings"

	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/thermal"
)

// casesPage lists excursions, the newest first.
type casesPage struct {
	Cases []caseLine
	Cut   bool // there are more
}

// caseLine is a case in one line.
type caseLine struct {
	No          int64
	Unit, Link  string
	What, State string
	Open        bool
	From, To    moment
	Extreme     string
	Held        int // vials on hold for it now
	Late, Muted bool
}

func (casesPage) Title() string { return "Cases" }

const mostCases = 200

func casesPageOf(ctx context.Context, v *visit) (content, error) {
	found, err := v.view.Cases(ctx, tracker.CaseQuery{Limit: mostCases + 1})
	if err != nil {
		return nil, err
	}
	p := casesPage{Cut: len(found) > mostCases}
	held, err := v.heldByCase(ctx)
	if err != nil {
		return nil, err
	}
	for _, c := range found[:min(len(found), mostCases)] {
		p.Cases = append(p.Cases, v.caseLine(c, held[c.No]))
	}
	return p, nil
}

// heldByCase counts the vials each case holds now.
func (v *visit) heldByCase(ctx context.Context) (map[int64]int, error) {
	vials, err := v.view.Find(ctx, tracker.VialQuery{States: []stock.State{stock.InPreparation, stock.Available, stock.WithWard}})
	if err != nil {
		return nil, err
	}
	held := map[int64]int{}
	for _, x := range vials {
		seen := map[int64]bool{}
		for _, t := range x.Touches {
			if !seen[t.Case] {
				held[t.Case]++
			}
			seen[t.Case] = true
		}
	}
	return held, nil
}

func (v *visit) caseLine(c tracker.Case, held int) caseLine {
	l := caseLine{
		No: c.No, Unit: c.Unit, Link: v.link("/cases/", c.No), What: stock.ExcursionWord(c.Kind), State: stateWords(c), Open: c.State == "open",
		From: v.at(c.From), To: v.at(c.To), Extreme: v.extremeWords(c), Held: held, Late: c.Late, Muted: c.Muted,
	}
	return l
}

// stateWords says how a case stands. Back in range is not released.
func stateWords(c tracker.Case) string {
	switch c.State {
	case "open":
		return "OPEN"
	case "recovered":
		return "back in range"
	case "merged":
		return fmt.Sprintf("part of case %d", c.MergedInto)
	case "not borne out":
		return "not borne out by the readings as they are now"
	default:
		return c.State
	}
}

// extremeWords is the worst reading of a case: "highest 9.6 °C"; "" where there is none.
func (s shown) extremeWords(c tracker.Case) string {
	var lowest, highest *thermal.MilliC
	for _, x := range c.Excursions {
		m := x.Found.ExtremeMilliC
		switch {
		case x.MergedInto > 0 || x.NotBorneOut || x.Found.Kind == thermal.NoData:
		case x.Found.Kind == thermal.Warm:
			if highest == nil || m > *highest {
				highest = &m
			}
		default:
			if lowest == nil || m < *lowest {
				lowest = &m
			}
		}
	}
	var words []string
	if highest != nil {
		words = append(words, "highest "+s.degrees(*highest))
	}
	if lowest != nil {
		words = append(words, "lowest "+s.degrees(*lowest))
	}
	return strings.Join(words, ", ")
}

// caseWords is a case in a few words: "case 57 warm, highest 9.6 °C".
func (s shown) caseWords(c tracker.Case) string {
	words := fmt.Sprintf("case %d %s", c.No, stock.ExcursionWord(c.Kind))
	if x := s.extremeWords(c); x != "" {
		words += ", " + x
	}
	return words
}

func compareText(a, b string) int { return strings.Compare(a, b) }
