package tracker

import (
	"context"
	"fmt"
	"time"

	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Proof that a person is there now: they gave their password for the one thing that is asked for.
type Proof struct {
	Person string
	Method string
	At     time.Time
}

// ProveActor is an actor whose person has just proved who they are, by their password, and so may sign what is asked for.
func (t *Tracker) ProveActor(ctx context.Context, site, person, password, via string, from From) (Actor, error) {
	p, err := t.Prove(ctx, site, person, password, from)
	if err != nil {
		return Actor{}, err
	}
	return Actor{Person: p, Via: via, Proof: &Proof{person, ByPassword, walltime.Cut(t.Now())}}, nil
}

// sign puts the actor's signature under an event, if its operation is a signed one. What it covers is worked out when
// the event has its place (Tx.Append).
func (a Actor) sign(s *stock.Site, op access.Operation, e *stock.Event) error {
	rule, _ := access.Of(op)
	if rule.Signed == "" || !e.Signed() {
		return nil
	}
	proof := a.Proof
	if a.Via == ViaDemo { // nobody real signs there, and the record says so
		proof = &Proof{a.Person.Code, ViaDemo, e.EnteredAt}
	}
	switch {
	case proof == nil || proof.Person != a.Person.Code:
		return stock.Refuse("signature", "", "to %s is signed: %s gives their password with it; nothing was recorded", rule.Do, a.Person.Code)
	case !access.Fresh(proof.At, e.EnteredAt):
		return stock.Refuse("signature", "", "to %s is signed, and the password was given too long ago; give it again", rule.Do)
	}
	p, ok := s.Person(a.Person.Code)
	name := p.Name
	if !ok || name == "" {
		name = a.Person.Code
	}
	e.Body.Signature = &stock.Signature{Person: a.Person.Code, Name: name, Meaning: rule.Signed, At: e.EnteredAt, Method: proof.Method}
	return nil
}

// BrokenSignature says why the signature under an event does not stand, by the record as it is now; "" = it stands, or
// nobody had to sign.
func BrokenSignature(ctx context.Context, v View, e stock.Event) (string, error) {
	return SignatureStands(e, func() (string, error) { return v.SignedOver(ctx, e) })
}

// SignatureStands is BrokenSignature for whoever has another way to the record.
func SignatureStands(e stock.Event, signedOver func() (string, error)) (broken string, err error) {
	s := e.Body.Signature
	switch {
	case s == nil && e.Signed():
		return "it was taken off", nil
	case s == nil:
		return "", nil
	case s.Person != e.By:
		return "it is not that of " + e.By, nil
	}
	over, err := signedOver()
	if err == nil && over != s.Over {
		return "what was signed is not what the record has now", nil
	}
	return "", err
}

// BrokenSignatures says, a sentence each, which signatures in the lives of vials do not stand.
func BrokenSignatures(ctx context.Context, v View, vials []stock.Vial) ([]string, error) {
	var out []string
	seen := map[int64]bool{}
	for _, x := range vials {
		life, err := v.Life(ctx, x.Code)
		if err != nil {
			return nil, err
		}
		for _, e := range life {
			if seen[e.Seq] {
				continue
			}
			seen[e.Seq] = true
			why, err := BrokenSignature(ctx, v, e)
			if err != nil {
				return nil, err
			}
			if why != "" {
				out = append(out, fmt.Sprintf("signature broken under record %d (%s by %s): %s", e.Seq, e.Kind, e.By, why))
			}
		}
	}
	return out, nil
}

// BrokenListSignature says why the signature under a worked list does not stand, "" where it does or nobody signed yet.
func BrokenListSignature(ctx context.Context, v View, row SweepRow) (string, error) {
	if row.ConfirmedAt.IsZero() {
		return "", nil
	}
	signed, err := v.Events(ctx, EventQuery{Kinds: []stock.Kind{stock.SweepConfirmed}, From: row.ConfirmedAt, To: row.ConfirmedAt.Add(time.Microsecond)})
	if err != nil {
		return "", err
	}
	for _, e := range signed {
		if e.Body.Number == row.Number {
			return BrokenSignature(ctx, v, e)
		}
	}
	return "nobody signed it then", nil
}
