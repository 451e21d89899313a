package web

import (
	"fmt"
	"time"

	"vialward/tracker/stock"
)

// mixtureFacts is the calculation of a batch, as its record keeps it.
func mixtureFacts(m *stock.Mixture, p stock.Product) []fact {
	if m == nil {
		return nil
	}
	unit := "mg"
	if p.AmountUnit != "" {
		unit = p.AmountUnit
	}
	in := fmt.Sprintf("%d of %s, %s %s each", m.SourceVials, m.Powder, stock.SayMilli(int64(m.PerVial)), unit)
	dissolved := millilitres(m.DiluentEach) + " into each"
	if m.Withdrawn != nil {
		dissolved += ", " + millilitres(*m.Withdrawn) + " withdrawn from each"
	}
	if m.LabelLine != nil {
		dissolved += ". Label line: " + m.LabelLine.Source
	}
	pool := millilitres(m.Pool)
	if m.BringTo != nil {
		pool = "brought to " + pool
	}
	out := []fact{
		{"Source vials", in}, {"Dissolved", dissolved}, {"Pool", fmt.Sprintf("%s of %s %s/mL", pool, stock.SayMilli(int64(m.UgPerML)), unit)},
		{"Full vials expected", fmt.Sprintf("%d, and %s left", m.FullVials, millilitres(m.Left))},
		{"Mass balance", fmt.Sprintf("%s %%, within 100 %% ± %s %%", stock.SayMilli(m.MassBalance), stock.SayMilli(m.Tolerance))},
	}
	for _, w := range m.Warnings {
		out = append(out, fact{"Note", w})
	}
	return out
}

func millilitres(n stock.Microlitres) string { return stock.SayMilli(int64(n)) + " mL" }

// stepLine says who did a step and when; and who entered it, where that was somebody else or much later.
func (v *visit) stepLine(s stock.Step) stepLine {
	l := stepLine{Name: s.Name, By: v.who(s.By), At: v.at(s.At)}
	late := s.EnteredAt.Sub(s.At) > time.Duration(v.site.LateEntryHours)*time.Hour
	if s.EnteredBy != s.By || late {
		l.Entered = "entered by " + v.who(s.EnteredBy) + ", " + v.at(s.EnteredAt).Say
	}
	return l
}

// closingFacts is how a batch's record ended: vials, yield, and where what was left over went.
func (v *visit) closingFacts(c *stock.Closing) []fact {
	if c == nil {
		return nil
	}
	by := v.who(c.By) + ", " + v.at(c.At).Say
	if c.Witness != "" {
		by += "; witness " + v.who(c.Witness)
	}
	out := []fact{{"Closed by", by}, {"Vials", fmt.Sprintf("%d filled = %d labelled + %d rejected + %d samples", c.Filled, c.Labelled, c.Rejected, c.Samples)}}
	if y := c.Yield; y != nil {
		say := fmt.Sprintf("%s %% of the expected volume found again, %d of %d vials for stock", stock.SayMilli(y.MilliPercent), y.ForStock, y.ExpectedVials)
		if c.Left != nil {
			say += ", " + millilitres(*c.Left) + " left in the pool"
		}
		within := fmt.Sprintf("; within 100 %% ± %s %%", stock.SayMilli(y.Tolerance))
		if y.Outside {
			within = fmt.Sprintf("; OUTSIDE 100 %% ± %s %%", stock.SayMilli(y.Tolerance))
		}
		out = append(out, fact{"Yield", say + within})
	}
	if c.Explains != "" {
		out = append(out, fact{"Explanation", c.Explains})
	}
	for _, d := range c.Disposed {
		amount := fmt.Sprint(d.Count)
		if d.What == stock.Residue {
			amount = millilitres(d.Volume)
		}
		out = append(out, fact{upperFirst(d.What), amount + " into " + d.Container})
	}
	if c.Note != "" {
		out = append(out, fact{"Note", c.Note})
	}
	return out
}
