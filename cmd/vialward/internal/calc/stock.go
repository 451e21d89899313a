package calc

import (
	"fmt"
	"io"
	"strings"

	"vialward/tracker/waste"
)

// Stock is the document `calc stock` prints: how many to prepare, and the table to choose from. Costs are in the
// document's money.
type Stock struct {
	CriticalRatio float64    `json:"critical_ratio"`
	Size          int        `json:"size"`
	Table         []StockRow `json:"table"`
	Seed          *uint64    `json:"seed,omitempty"` // where demand was drawn from past days
	Draws         int        `json:"draws,omitempty"`
}

// StockRow is what preparing so many comes to, on average.
type StockRow struct {
	Size             int     `json:"size"`
	ExpectedLeftOver float64 `json:"expected_left_over"`
	ExpectedShort    float64 `json:"expected_short"`
	ExpectedCost     float64 `json:"expected_cost"`
}

// stockMeaning stands under every advice.
const stockMeaning = "This costs least on average if demand goes on as described, each vial left over is discarded and what is on hand stays " +
	"usable. It knows no minimum kept for a critical drug: that is the pharmacist's, and comes first."

// StockAdvice is `vialward calc stock`. An error means the input is not the document described; figures from which
// nothing follows are a Result with Exit 3 that says why.
func StockAdvice(in io.Reader) (Result, error) {
	d, err := readStockDocument(in)
	if err != nil {
		return Result{}, fmt.Errorf("calc stock: %w", err)
	}
	demand, err := d.make()
	if err != nil {
		return refuse(err), nil
	}
	advice, err := waste.Advise(demand, d.costs, d.onHand)
	if err != nil {
		return refuse(err), nil
	}
	doc := Stock{CriticalRatio: advice.CriticalRatio, Size: advice.Size}
	for _, r := range advice.Table {
		doc.Table = append(doc.Table, StockRow{r.Size, r.LeftOver, r.Short, r.ExpectedCost})
	}
	if d.drawn {
		seed := uint64(demandSeed)
		doc.Seed, doc.Draws = &seed, waste.Draws
	}
	return Result{Document: doc, Text: doc.text(d)}, nil
}

func (s Stock) text(d stockDocument) string {
	var b strings.Builder
	fmt.Fprintf(&b, "Prepare         %d, with %d on hand\n", s.Size, d.onHand)
	fmt.Fprintf(&b, "Demand          %s, for a usable life of %s d\n", d.demand, d.days)
	fmt.Fprintf(&b, "Covers          demand in at least %.2f %% of times: the cost of a vial short, over that of one short and one left over\n\n", 100*s.CriticalRatio)
	fmt.Fprintf(&b, "    %10s  %12s  %12s  %14s\n", "size", "left over", "short", "cost")
	for _, r := range s.shown() {
		mark := "    "
		if r.Size == s.Size {
			mark = "  > "
		}
		fmt.Fprintf(&b, "%s%10d  %12.2f  %12.2f  %14.2f\n", mark, r.Size, r.ExpectedLeftOver, r.ExpectedShort, r.ExpectedCost)
	}
	return b.String() + "\n" + stockMeaning + "\n" + Caution + "\n"
}

// shown is the table for a person: some twenty rows from one end to the other, and those around the size advised.
func (s Stock) shown() (rows []StockRow) {
	step := (len(s.Table) + mostListed) / mostListed
	for i, r := range s.Table {
		if i%step == 0 || i >= s.Size-1 && i <= s.Size+1 || i == len(s.Table)-1 {
			rows = append(rows, r)
		}
	}
	return rows
}
