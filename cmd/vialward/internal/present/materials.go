package present

import (
	"fmt"
	"strings"

	"vialward/tracker"
	"vialward/tracker/mixing"
	"vialward/tracker/stock"
)

// Materials is what so many finished vials take. Volumes are decimals of mL.
type Materials struct {
	Product string `json:"product"`
	Name    string `json:"name"`
	Version int    `json:"version"`
	Vials   int    `json:"vials"`

	Powder      string        `json:"powder"`
	SourceVials int           `json:"source_vials"`
	DiluentEach string        `json:"diluent_each_ml"` // into a source vial
	Diluents    []string      `json:"diluents"`        // any one of them; none = nothing is said of it
	Dissolving  string        `json:"dissolving_ml"`   // into all source vials
	Concentrate string        `json:"concentrate_ml"`  // drawn from them
	MakeUp      string        `json:"make_up_ml"`
	Pool        string        `json:"pool_ml"`
	Diluent     string        `json:"diluent_ml"` // in all
	Unused      string        `json:"unused_ml"`  // of the dissolved source vials
	Loss        MaterialsLoss `json:"loss"`
	Containers  int           `json:"containers"`
	Container   string        `json:"container"`
	Labels      int           `json:"labels"` // one of them for the record
	Syringes    []SyringeLine `json:"syringes"`
	OtherNeeded []string      `json:"other_components"` // of the master record, needed as well
}

// MaterialsLoss is what the master record allows to be lost.
type MaterialsLoss struct {
	PerSource string `json:"per_source_vial_ml"`
	PerVial   string `json:"per_vial_ml"`
	Pool      string `json:"pool_ml"`
}

// SyringeLine is syringes of one step.
type SyringeLine struct {
	Step    string `json:"step"`
	Size    string `json:"size_ml"`
	Count   int    `json:"count"`
	Strokes int    `json:"strokes"` // with each of them
}

func inML(v stock.Microlitres) string { return stock.SayMilli(int64(v)) }

// MaterialsOf an answer.
func MaterialsOf(m tracker.Materials) Materials {
	out := Materials{
		Product: m.Of.Code, Name: m.Of.FullName(), Version: m.Of.Version, Vials: m.Vials, Powder: m.Source.Name, SourceVials: m.SourceVials,
		DiluentEach: inML(m.DiluentEach), Diluents: append([]string{}, m.Into...), Dissolving: inML(m.Dissolving), Concentrate: inML(m.Concentrate),
		MakeUp: inML(m.MakeUp), Pool: inML(m.BringTo), Diluent: inML(m.Diluent), Unused: inML(m.Unused), Containers: m.Containers,
		Container: m.Of.Container, Labels: m.Labels, OtherNeeded: []string{},
		Loss:     MaterialsLoss{inML(m.Of.Loss.PerSource), inML(m.Of.Loss.PerVial), inML(m.Of.Loss.Pool)},
		Syringes: each(m.Syringes, func(s mixing.Syringe) SyringeLine { return SyringeLine{s.Step, inML(s.Size), s.Count, s.Strokes} }),
	}
	for _, c := range m.Of.Components {
		if c.Name != m.Source.Name && !c.Diluent && !c.Container && !c.Optional {
			out.OtherNeeded = append(out.OtherNeeded, c.Name)
		}
	}
	return out
}

// Text is the list as it is taken along.
func (m Materials) Text() string {
	var s strings.Builder
	fmt.Fprintf(&s, "%d vials of %s, by version %d of its master record\n\n", m.Vials, m.Name, m.Version)
	fmt.Fprintf(&s, "  %4d  source vials of %s, each dissolved in %s mL\n", m.SourceVials, m.Powder, m.DiluentEach)
	of := ""
	if len(m.Diluents) > 0 {
		of = " of " + strings.Join(m.Diluents, " or ")
	}
	fmt.Fprintf(&s, "        diluent: %s mL%s; %s mL to dissolve, %s mL to make up\n", m.Diluent, of, m.Dissolving, m.MakeUp)
	fmt.Fprintf(&s, "        pool: %s mL drawn from the source vials, brought to %s mL; %s mL of them stay unused\n", m.Concentrate, m.Pool, m.Unused)
	fmt.Fprintf(&s, "  %4d  containers: %s\n", m.Containers, m.Container)
	fmt.Fprintf(&s, "  %4d  labels, one of them for the record\n", m.Labels)
	for _, x := range m.Syringes {
		fmt.Fprintf(&s, "  %4d  syringes of %s mL to %s, %s\n", x.Count, x.Size, x.Step, strokes(x.Strokes))
	}
	for _, name := range m.OtherNeeded {
		fmt.Fprintf(&s, "        %s\n", name)
	}
	fmt.Fprintf(&s, "\n  Loss allowed: %s mL in a source vial, %s mL at a filling, %s mL of the pool.\n", m.Loss.PerSource, m.Loss.PerVial, m.Loss.Pool)
	return s.String() + "\n" + stock.Caution + "\n"
}

func strokes(n int) string {
	if n == 1 {
		return "one stroke each"
	}
	return fmt.Sprintf("%d strokes each", n)
}
