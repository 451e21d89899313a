package tracker

import (
	"context"
	"errors"
	"strings"
	"time"

	"vialward/tracker/access"
	"vialward/tracker/mixing"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// CloseBatch is the arguments of closing a batch: what was counted, measured and thrown away at its end.
type CloseBatch struct {
	Filled   int                `json:"filled"` // full vials, good or not
	Rejected int                `json:"rejected,omitempty"`
	Samples  int                `json:"samples,omitempty"`
	Left     *stock.Microlitres `json:"-"`                     // measured in the pool; needed where what went in was recorded
	Disposed []stock.Disposal   `json:"-"`                     // containers left out are those of the master record
	Explains string             `json:"explanation,omitempty"` // of a yield outside its tolerance
	Witness  string             `json:"witness,omitempty"`
	Note     string             `json:"note,omitempty"`
	At       time.Time          `json:"at,omitzero"`
}

// CloseBatch ends a batch's record. Every step is signed; vials labelled, rejected and kept as samples are those that were
// filled; what was found again is what was expected, within the product's tolerance, or a pharmacist explains why not; and
// everything left behind went into a container.
func (t *Tracker) CloseBatch(ctx context.Context, site string, a Actor, batch string, c CloseBatch) (stock.Batch, error) {
	var b stock.Batch
	now := walltime.Cut(t.Now())
	at, err := when(c.At, now)
	if err != nil {
		return b, err
	}
	err = t.in(ctx, site, a, access.CloseBatch, now, func(tx Tx) error {
		if b, err = openBatch(ctx, tx, batch); err != nil {
			return err
		}
		product, err := tx.Product(ctx, b.Product, b.Version)
		if err != nil {
			return err
		}
		if at.Before(b.CompletedAt) {
			return stock.Refuse("order", "", "batch %s was completed %s, after the time given; check the time", b.Code, walltime.Say(b.CompletedAt, tx.Site().Location()))
		}
		if n := len(b.Steps); n < len(Steps()) {
			return stock.Refuse("steps", "", "batch %s has steps nobody signed: %s", b.Code, strings.Join(Steps()[n:], "; "))
		}
		if no := access.Beside(tx.Site(), access.CloseBatch, a.Person.Code, c.Witness, product.TwoPersons, at); no != nil {
			return no
		}
		if b.Closing, err = c.closing(ctx, tx, a, b, product, at, now); err != nil {
			return err
		}
		if err := tx.CloseBatch(b.Code, *b.Closing); err != nil {
			return err
		}
		e := event(tx, stock.BatchClosed, a, at, now, stock.Body{
			Batch: b.Code, Product: b.Product, Version: b.Version, Reason: c.Explains, Note: c.Note, Witness: c.Witness, Counted: &b.Closing.Filled, Expected: expected(b),
		})
		return tx.Append(ctx, &e)
	}, at)
	return b, err
}

func expected(b stock.Batch) *int {
	if b.Mixture == nil {
		return nil
	}
	return &b.Mixture.FullVials
}

// closing sets the counts against the record and the yield against the plan.
func (c CloseBatch) closing(ctx context.Context, tx Tx, a Actor, b stock.Batch, p stock.Product, at, now time.Time) (*stock.Closing, error) {
	account, err := c.account(ctx, tx, b, p)
	if err != nil {
		return nil, err
	}
	refused := account.Check()
	out := &stock.Closing{
		By: a.Person.Code, At: at, EnteredAt: now, Witness: c.Witness, Filled: c.Filled, Labelled: account.Labelled, Rejected: c.Rejected, Samples: c.Samples,
		Left: c.Left, Disposed: account.Disposed, Explains: c.Explains, Note: c.Note,
	}
	if b.Mixture == nil {
		return out, refused
	}
	if c.Left == nil {
		return nil, errors.Join(refused, stock.Refuse("left", "", "measure what is left in the pool after the last full vial, 0 if nothing is, so that the yield can be compared"))
	}
	tolerance := p.Tolerance
	if tolerance == 0 {
		tolerance = b.Mixture.Tolerance
	}
	allowed := p.Loss.Pool + stock.Microlitres(b.Mixture.FullVials)*p.Loss.PerVial
	yield, err := mixing.CompareYield(b.Mixture.Pool, p.Volume, allowed, account.Measured, tolerance)
	out.Yield = &yield
	if !yield.Outside || c.Explains == "" {
		return out, errors.Join(refused, err)
	}
	return out, errors.Join(refused, a.may(tx.Site(), access.ExplainYield, now, at))
}

// account is the counts beside the batch's vials in the record. Vials whose record was voided were never there.
func (c CloseBatch) account(ctx context.Context, tx Tx, b stock.Batch, p stock.Product) (mixing.Account, error) {
	account := mixing.Account{Measured: mixing.Measured{Filled: c.Filled, Rejected: c.Rejected, Sampled: c.Samples}}
	vials, err := tx.Find(ctx, VialQuery{Batch: b.Code})
	if err != nil {
		return account, err
	}
	for _, v := range vials {
		switch {
		case v.State == stock.WasVoided:
			continue
		case v.Label > 0:
			account.Labelled++
		case v.State == stock.WasDiscarded:
			account.Unlabelled++
		}
		account.InRecord++
	}
	if account.InRecord == 0 {
		return account, stock.Refuse("voided", "", "the record of batch %s was wrong and is voided; close the one that was made in its place", b.Code)
	}
	if c.Left != nil {
		account.Left = *c.Left
	}
	if b.Mixture != nil {
		account.SourceVials = b.Mixture.SourceVials
	}
	_, err = powderOf(p, "")
	account.Dissolved = err == nil
	for _, d := range c.Disposed {
		own := p.Disposal
		if d.What == stock.Sharps {
			own = p.Sharps
		}
		if d.Container = orWords(strings.TrimSpace(d.Container), own); p.Hazardous && own != "" && d.Container != own {
			return account, stock.Refuse("container", "", "%s is hazardous; its %s go into %q, not %q", p.FullName(), d.What, own, d.Container)
		}
		account.Disposed = append(account.Disposed, d)
	}
	return account, nil
}
