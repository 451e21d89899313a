package tracker

import (
	"context"
	"slices"
	"strings"
	"time"

	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Steps of a preparation's record, in the order in which they are signed.
func Steps() []string {
	return []string{"area fit and cleaned", "stoppers disinfected", "dissolved", "inspected: clear, no particles", "mixed"}
}

// StepDone is a step as it is signed: which, who did it (left out: whoever enters it) and when.
type StepDone struct {
	Name string    `json:"name"`
	By   string    `json:"by,omitempty"`
	At   time.Time `json:"at"`
}

// next settles the next step of a batch's record: it is the one whose turn it is, done by somebody who may, not before the
// step above it and not after the batch was completed.
func next(s *stock.Site, a Actor, b stock.Batch, d StepDone, now time.Time) (stock.Step, error) {
	step := stock.Step{By: orWords(d.By, a.Person.Code), At: walltime.Cut(d.At), EnteredBy: a.Person.Code, EnteredAt: now}
	if len(b.Steps) == len(Steps()) {
		return step, stock.Refuse("steps", "", "every step of batch %s is signed", b.Code)
	}
	step.Name = Steps()[len(b.Steps)]
	zone := s.Location()
	known := slices.ContainsFunc(Steps(), func(n string) bool { return stock.NameKey(n) == stock.NameKey(d.Name) })
	switch {
	case !known:
		return step, stock.Refuse("steps", "", "there is no step %q; they are, in this order: %s", d.Name, strings.Join(Steps(), "; "))
	case stock.NameKey(d.Name) != stock.NameKey(step.Name):
		return step, stock.Refuse("steps", "", "step %q is out of order; the next to be signed is %q", d.Name, step.Name)
	case d.At.IsZero():
		return step, stock.Refuse("steps", "", "say when step %q was done", step.Name)
	case step.At.After(b.CompletedAt):
		return step, stock.Refuse("steps", "", "step %q was done before the batch was completed, %s; say when", step.Name, walltime.Say(b.CompletedAt, zone))
	case len(b.Steps) > 0 && step.At.Before(b.Steps[len(b.Steps)-1].At):
		return step, stock.Refuse("steps", "", "step %q was not done before the one above it, %s; check the time", step.Name, walltime.Say(b.Steps[len(b.Steps)-1].At, zone))
	}
	return step, access.May(s, step.By, access.SignStep, now, step.At)
}

// signed are the steps given with a preparation.
func (p Prepare) signed(s *stock.Site, a Actor, b stock.Batch, now time.Time) ([]stock.Step, error) {
	for _, d := range p.Steps {
		step, err := next(s, a, b, d, now)
		if err != nil {
			return nil, err
		}
		b.Steps = append(b.Steps, step)
	}
	return b.Steps, nil
}

// SignStep adds the next step to a batch's record.
func (t *Tracker) SignStep(ctx context.Context, site string, a Actor, batch string, d StepDone) (stock.Batch, error) {
	var b stock.Batch
	now := walltime.Cut(t.Now())
	at, err := when(d.At, now)
	if err != nil {
		return b, err
	}
	err = t.in(ctx, site, a, access.SignStep, now, func(tx Tx) error {
		if b, err = openBatch(ctx, tx, batch); err != nil {
			return err
		}
		step, err := next(tx.Site(), a, b, StepDone{d.Name, d.By, at}, now)
		if err != nil {
			return err
		}
		vials, err := tx.Find(ctx, VialQuery{Batch: b.Code})
		if err != nil {
			return err
		}
		for _, v := range vials {
			if v.VerifiedBy == step.By {
				return stock.Refuse("same_person", v.Code, "%s verified it and had no hand in its preparation; name whoever did the step", step.By)
			}
		}
		b.Steps = append(b.Steps, step)
		tx.SignStep(b.Code, len(b.Steps), step)
		e := event(tx, stock.StepSigned, a, step.At, now, stock.Body{Batch: b.Code, Number: len(b.Steps), Note: step.Name})
		return tx.Append(ctx, &e)
	}, at)
	return b, err
}

// openBatch is a batch whose record may still be added to, with the site's order held.
func openBatch(ctx context.Context, tx Tx, code string) (stock.Batch, error) {
	if err := tx.Order(ctx); err != nil {
		return stock.Batch{}, err
	}
	b, err := tx.Batch(ctx, code)
	switch {
	case err != nil:
		return b, err
	case b.TakenOver:
		return b, stock.Refuse("taken_over", "", "batch %s was there before the record began; it was prepared and closed elsewhere", code)
	case b.Closing != nil:
		return b, stock.Refuse("closed", "", "batch %s was closed %s; nothing is added to its record", code, walltime.Say(b.Closing.At, tx.Site().Location()))
	}
	return b, nil
}
