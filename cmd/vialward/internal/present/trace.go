package present

import (
	"vialward/tracker"
	"vialward/tracker/stock"
)

// Trace of a component's lot: every batch, vial, place and issue. The vials of a batch have the batch's lots.
type Trace struct {
	AsOf    Instant       `json:"as_of"`
	Lot     string        `json:"lot"`
	Recalls []Event       `json:"recalls"`
	Batches []Batch       `json:"batches"`
	Vials   []TracedVial  `json:"vials"`
	Issues  []TracedIssue `json:"issues"`
}

// TracedVial is a vial as it stands, and everywhere it was.
type TracedVial struct {
	Vial
	Stays []Stay `json:"stays"`
}

// TracedIssue is a vial that left for a destination, whatever became of it since.
type TracedIssue struct {
	Vial string  `json:"vial"`
	To   string  `json:"destination"`
	At   Instant `json:"at"`
	By   string  `json:"by"`
}

// Trace in the site's time.
func (a As) Trace(t tracker.Trace) Trace {
	stays := map[string][]Stay{}
	for _, s := range t.Stays {
		stays[s.Vial] = append(stays[s.Vial], a.Stay(s))
	}
	return Trace{
		AsOf: a.Instant(a.Now), Lot: t.Lot, Recalls: each(t.Recalls, a.Event), Batches: each(t.Batches, a.Batch),
		Vials:  each(t.Vials, func(v stock.Vial) TracedVial { return TracedVial{a.Vial(v), append([]Stay{}, stays[v.Code]...)} }),
		Issues: each(t.Issues, func(i tracker.Issued) TracedIssue { return TracedIssue{i.Vial, i.To, a.Instant(i.At), i.By} }),
	}
}
