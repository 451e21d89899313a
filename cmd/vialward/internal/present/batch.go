package present

import (
	"vialward/tracker"
	"vialward/tracker/stock"
)

// Batch with every limit its beyond-use date was chosen from.
type Batch struct {
	Code        string            `json:"code"`
	Product     string            `json:"product"`
	Version     int               `json:"version"`
	Category    string            `json:"category,omitempty"`
	Area        string            `json:"area,omitempty"`
	StartedAt   Instant           `json:"started_at"`
	CompletedAt Instant           `json:"completed_at"`
	PreparedBy  string            `json:"prepared_by"`
	TakenOver   bool              `json:"taken_over"`
	Order       string            `json:"order,omitempty"`
	BeyondUse   Instant           `json:"beyond_use"`
	GovernedBy  string            `json:"governed_by"`
	Candidates  []Candidate       `json:"candidates"`
	Diluent     string            `json:"diluent,omitempty"`              // the drug ended in; none = not known, of stock taken over
	PerML       string            `json:"concentration_per_ml,omitempty"` // mg, or units where the product is measured in them
	Components  []stock.Component `json:"components"`
	Steps       []stock.Step      `json:"steps"`
	Closing     *Closing          `json:"closing"` // null = open
	Made        int               `json:"made"`
	Mixture     *Mixture          `json:"mixture,omitempty"` // what went in, and what that comes to
}

// Candidate is one limit.
type Candidate struct {
	Limit     string  `json:"limit"`
	BeyondUse Instant `json:"beyond_use"`
	Source    string  `json:"source"`
	Confirmed bool    `json:"confirmed"`
}

// Batch in the site's time.
func (a As) Batch(b stock.Batch) Batch {
	perML, _ := b.Concentration.PerML()
	return Batch{
		Diluent: b.Diluent, PerML: perML, Code: b.Code, Product: b.Product, Version: b.Version, Category: b.Category, Area: b.Area, StartedAt: a.Instant(b.StartedAt),
		CompletedAt: a.Instant(b.CompletedAt), PreparedBy: b.PreparedBy, TakenOver: b.TakenOver, Order: b.Order,
		BeyondUse: a.Instant(b.BUD), GovernedBy: b.Governs, Made: b.Made, Mixture: mixture(b.Mixture),
		Candidates: each(b.Candidates, func(c stock.Candidate) Candidate {
			return Candidate{c.Limit, a.Instant(c.BeyondUse), c.Source, c.Confirmed}
		}),
		Components: each(b.Components, func(c stock.Component) stock.Component {
			c.OpenedAt, c.UsedAt = a.local(c.OpenedAt), a.local(c.UsedAt)
			return c
		}),
		Steps: each(b.Steps, func(s stock.Step) stock.Step {
			s.At, s.EnteredAt = a.local(s.At), a.local(s.EnteredAt)
			return s
		}),
		Closing: a.closing(b.Closing),
	}
}

// Prepared is the answer of preparing a batch or taking one over.
type Prepared struct {
	Event int64  `json:"event"`
	Batch Batch  `json:"batch"`
	Vials []Vial `json:"vials"`
}

// Prepared in the site's time.
func (a As) Prepared(p tracker.Prepared) Prepared {
	return Prepared{p.Seq, a.Batch(p.Batch), a.Vials(p.Vials)}
}
