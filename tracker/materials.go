package tracker

import (
	"context"

	"vialward/tracker/mixing"
	"vialward/tracker/stock"
)

// Wanted is so many finished vials of a product. What is left out stands in the master record.
type Wanted struct {
	Product     string
	Vials       int
	Powder      string            // name of the component; the product's only one
	DiluentEach stock.Microlitres // into each source vial
	Spare       int               // containers and labels beyond the vials
	FillEach    bool              // a fresh syringe for every vial
}

// Materials is what they take, by the product's newest version.
type Materials struct {
	Wanted
	mixing.Takes

	Of     stock.Product
	Source stock.ComponentUse
	Into   []string // the diluents the drug may end in; any one of them
}

// MaterialsFor lists what n finished vials of a product take, with the losses its master record allows and one label for the
// record. It records nothing. The area, the lots and their ends are looked at when the batch is prepared.
func MaterialsFor(ctx context.Context, v View, w Wanted) (Materials, error) {
	out := Materials{Wanted: w}
	p, err := v.Product(ctx, w.Product, 0)
	if err != nil {
		return out, err
	}
	source, err := powderOf(p, w.Powder)
	if err != nil {
		return out, err
	}
	if out.DiluentEach == 0 {
		out.DiluentEach = source.DissolveIn()
	}
	if out.DiluentEach == 0 {
		return out, stock.Refuse("diluent", "", "the master record of %s does not say how much diluent goes into a source vial of %s; say it", p.FullName(), source.Name)
	}
	wanted := mixing.Wanted{
		Source: mixing.Source{Mass: source.PerVial, Diluent: out.DiluentEach}, Vials: w.Vials, Amount: p.Amount, Fill: p.Volume, Container: p.ContainerL,
		Loss: p.Loss, Syringes: v.Site().Syringes, FillEach: w.FillEach, Spare: w.Spare, RecordLabel: true,
	}
	if source.LabelLine != nil && source.LabelLine.Diluent == out.DiluentEach {
		wanted.LabelLine = source.LabelLine
	}
	out.Of, out.Source, out.Into, out.Powder = p, source, p.EndsIn(), source.Name
	out.Takes, err = mixing.Materials(wanted)
	return out, err
}
