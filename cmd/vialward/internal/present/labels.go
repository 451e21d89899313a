package present

import (
	"vialward/tracker"
	"vialward/tracker/label"
)

// Printed is labels that were printed.
type Printed struct {
	Record int64          `json:"record"`
	Labels []PrintedLabel `json:"labels"`
}

// PrintedLabel is one: what stands on it, the most important first, and what its DataMatrix says, with ASCII 29 for FNC1.
type PrintedLabel struct {
	Vial   string     `json:"vial"`
	Label  int        `json:"label"`
	Copies int        `json:"copies"`
	Lines  []TextLine `json:"lines"`
	Text   string     `json:"code_text"`
	GS1    bool       `json:"code_is_gs1"`
}

// TextLine is a line of a label; one that must stands on the smallest too.
type TextLine struct {
	Kind string `json:"kind"`
	Text string `json:"text"`
	Must bool   `json:"must"`
}

// PrintedOf an answer.
func PrintedOf(all []tracker.PrintedLabel, seq int64) (Printed, error) {
	out := Printed{Record: seq, Labels: []PrintedLabel{}}
	for _, p := range all {
		lines, err := label.Lines(p.Facts)
		if err != nil {
			return out, err
		}
		x := PrintedLabel{Vial: p.Vial, Label: p.Number, Copies: p.Each, Lines: each(lines, func(l label.Line) TextLine { return TextLine(l) })}
		if x.Text, x.GS1, err = p.Text(); err != nil {
			return out, err
		}
		out.Labels = append(out.Labels, x)
	}
	return out, nil
}
