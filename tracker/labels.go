package tracker

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"vialward/tracker/access"
	"vialward/tracker/label"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// PrintLabels is the arguments of printing labels.
type PrintLabels struct {
	Vials  []string `json:"vials"`
	Size   string   `json:"size"`
	Each   int      `json:"each,omitempty"`   // of every vial; 1 if left out
	Reason string   `json:"reason,omitempty"` // needed where the same label was printed before
}

// PrintedLabel is one as it is printed: what stands on it comes from the record.
type PrintedLabel struct {
	Vial   string
	Number int
	Each   int
	Facts  label.Facts
	GTIN   string
}

// Text is what the code on it says: GS1 data where the product has a GTIN, else the vial's own code with the label's number.
func (p PrintedLabel) Text() (text string, gs1 bool, err error) {
	if p.GTIN == "" {
		return label.Own(p.Vial, p.Number), false, nil
	}
	code, err := label.ParseCode(p.Vial)
	if err != nil {
		return "", true, err
	}
	e := label.VialElements(p.GTIN, code, p.Number)
	e.BUD = label.BUDWall(p.Facts.BUD, p.Facts.Zone)
	list, err := e.List()
	if err != nil {
		return "", true, err
	}
	text, err = label.Encode(list)
	return text, true, err
}

// printing is what the record knows of the labels of a vial.
type printing struct {
	number int             // of the newest that was printed; 0 = none here
	sizes  map[string]bool // in which that one was printed
	bud    time.Time       // on it
	total  int             // printed so far, all numbers
	used   int             // of those, on the vial
	on     []int           // numbers that were put on it
}

func printingOf(ctx context.Context, v View, vial string) (printing, error) {
	var p printing
	life, err := v.Life(ctx, vial)
	each := map[int]map[string]int{} // of each number and size, as printed last
	for _, e := range life {
		switch b := e.Body; e.Kind { //nolint:exhaustive // nothing else is about labels
		case stock.LabelsPrinted:
			if each[b.Label] == nil {
				each[b.Label], p.sizes = map[string]int{}, map[string]bool{}
			}
			each[b.Label][b.Note], p.sizes[b.Note], p.number = b.Number, true, b.Label
			p.total += b.Number
			if b.BUD != nil {
				p.bud = *b.BUD
			}
		case stock.Labelled, stock.Relabel:
			p.on = append(p.on, b.Label)
		}
	}
	for _, number := range p.on { // a second one, for the overwrap, goes on with the first
		for _, n := range each[number] {
			p.used += n
		}
	}
	return p, err
}

// NextLabel is the number the vial's next printed label bears, and whether it only repeats one that was printed in that
// size ("" = in any): a label that says something new gets a number of its own, so that the old one is known by its code.
func NextLabel(ctx context.Context, v View, x stock.Vial, size string) (number int, again bool, err error) {
	p, err := printingOf(ctx, v, x.Code)
	switch {
	case err != nil:
		return 0, false, err
	case p.number == 0, p.number < x.Label:
		return x.Label + 1, false, nil
	case !p.bud.Equal(x.BUD):
		return p.number + 1, false, nil
	}
	return p.number, size == "" || p.sizes[size], nil
}

// NewestLabel is the number of the vial's newest label, printed or on it.
func NewestLabel(ctx context.Context, v View, x stock.Vial) (int, error) {
	p, err := printingOf(ctx, v, x.Code)
	return max(p.number, x.Label), err
}

// sameNumber is the number of the labels that go onto vials: of those printed last, which must be the same for all.
func sameNumber(ctx context.Context, v View, vials []stock.Vial, e *stock.Event) error {
	for i, x := range vials {
		p, err := printingOf(ctx, v, x.Code)
		if err != nil {
			return err
		}
		number := x.Label + 1
		if p.number > x.Label {
			number = p.number
			if !p.bud.Equal(x.BUD) {
				return stock.Refuse("label", x.Code, "its newest label does not say %s, which is its date now; print it anew", walltime.Say(x.BUD, v.Site().Location()))
			}
		}
		if i > 0 && number != e.Body.Label {
			return stock.Refuse("labels", x.Code, "its label is number %d and that of %s number %d; put them on one after the other", number, vials[0].Code, e.Body.Label)
		}
		e.Body.Label = number
	}
	return nil
}

// FactsFor is what a label of a vial says, by the record.
func FactsFor(ctx context.Context, v View, x stock.Vial, number int) (label.Facts, stock.Product, error) {
	p, err := v.Product(ctx, x.Product, x.Version)
	if err != nil {
		return label.Facts{}, p, err
	}
	return label.Facts{
		Name: p.Name, Strength: p.Strength(), Route: p.Route, Warning: p.Warning, Storage: p.Storage, Light: p.Light, Hazard: p.Hazardous, Alert: p.HighAlert,
		BUD: x.BUD, Zone: v.Site().Location(), Code: x.Code, Label: number,
	}, p, nil
}

// Print records that labels of vials are printed, and answers what stands on them. Printing one again takes a reason and
// is counted; where what it says has changed it has a new number, and the old code answers "old label" once the new one is on.
func (t *Tracker) Print(ctx context.Context, site string, a Actor, p PrintLabels) ([]PrintedLabel, int64, error) {
	var out []PrintedLabel
	p.Each = max(p.Each, 1)
	if p.Each > 9 {
		return nil, 0, stock.Refuse("count", "", "%d labels of each vial are too many; at most 9", p.Each)
	}
	done, err := t.handle(ctx, site, a, act{access.Label, stock.LabelsPrinted, p.Vials, time.Time{}, stock.Body{Number: p.Each, Note: p.Size, Reason: strings.TrimSpace(p.Reason)}},
		func(tx Tx, vials []stock.Vial, e *stock.Event) error {
			out = nil
			if _, ok := tx.Site().LabelSize(p.Size); !ok {
				return stock.Refuse("size", "", "there is no label %q at %s; choose one of the site's", p.Size, site)
			}
			for i, x := range vials {
				number, again, err := NextLabel(ctx, tx, x, p.Size)
				switch {
				case err != nil:
					return err
				case again && e.Body.Reason == "":
					return stock.Refuse("reason", x.Code, "label %d of it was printed in this size before: say why it is printed again", number)
				case i > 0 && (number != e.Body.Label || !x.BUD.Equal(*e.Body.BUD)):
					return stock.Refuse("labels", x.Code, "its label says something else than that of %s; print them one after the other", vials[0].Code)
				}
				e.Body.Label, e.Body.BUD = number, &x.BUD
				facts, product, err := FactsFor(ctx, tx, x, number)
				if err != nil {
					return err
				}
				if _, err := label.Lines(facts); err != nil {
					return stock.Refuse("label", x.Code, "%s", strings.ReplaceAll(err.Error(), "\n", "; "))
				}
				out = append(out, PrintedLabel{x.Code, number, p.Each, facts, product.GTIN})
			}
			return nil
		})
	return out, done.Seq, err
}

// CountLabels is the arguments of setting a batch's labels off against each other.
type CountLabels struct {
	OnRecord int    `json:"on_record,omitempty"` // on the batch's paper record
	Spoiled  int    `json:"spoiled,omitempty"`
	Note     string `json:"note,omitempty"`
}

// LabelCount is how many labels of a batch were printed, and where they are.
type LabelCount struct {
	Printed  int `json:"printed"`
	OnVials  int `json:"on_vials"`
	OnRecord int `json:"on_record"`
	Spoiled  int `json:"spoiled"`
}

// LabelsOf a batch: how many were printed and how many of those are on its vials.
func LabelsOf(ctx context.Context, v View, batch string) (LabelCount, error) {
	var c LabelCount
	vials, err := v.Find(ctx, VialQuery{Batch: batch})
	for _, x := range vials {
		p, err := printingOf(ctx, v, x.Code)
		if err != nil {
			return c, err
		}
		c.Printed, c.OnVials = c.Printed+p.total, c.OnVials+p.used
	}
	return c, err
}

// CountLabels records that every printed label of a batch is accounted for: printed = on vials + on the record + spoiled.
func (t *Tracker) CountLabels(ctx context.Context, site string, a Actor, batch string, n CountLabels) (LabelCount, error) {
	var c LabelCount
	now := walltime.Cut(t.Now())
	err := t.in(ctx, site, a, access.Label, now, func(tx Tx) error {
		err := tx.Order(ctx)
		if err == nil {
			_, err = tx.Batch(ctx, batch)
		}
		if err == nil {
			c, err = LabelsOf(ctx, tx, batch)
		}
		if err != nil {
			return err
		}
		c.OnRecord, c.Spoiled = n.OnRecord, n.Spoiled
		used := c.OnVials + c.OnRecord
		switch missing := c.Printed - used - c.Spoiled; {
		case n.OnRecord < 0 || n.Spoiled < 0:
			return stock.Refuse("count", "", "a count is 0 or more")
		case c.Printed == 0:
			return stock.Refuse("count", "", "no label of batch %s was printed here", batch)
		case missing > 0:
			return stock.Refuse("count", "", "%d were printed, %d are on vials, %d on the record, %d spoiled: %d cannot be accounted for. Look for them before anything else is labelled", c.Printed, c.OnVials, c.OnRecord, c.Spoiled, missing)
		case missing < 0:
			return stock.Refuse("count", "", "%d were printed, and %d are more than that: count again", c.Printed, used+c.Spoiled)
		}
		details, err := json.Marshal(c)
		if err != nil {
			return fmt.Errorf("write down the labels of batch %s: %w", batch, err)
		}
		e := event(tx, stock.LabelsCounted, a, now, now, stock.Body{Batch: batch, Number: c.Printed, Counted: &used, Note: n.Note, Details: string(details)})
		return tx.Append(ctx, &e)
	})
	return c, err
}
