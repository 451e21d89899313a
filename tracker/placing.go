package tracker

import (
	"context"
	"fmt"
	"slices"
	"time"

	"vialward/tracker/access"
	"vialward/tracker/beyonduse"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Place is the arguments of placing and moving.
type Place struct {
	Vials []string  `json:"vials"`
	To    string    `json:"to"` // "R1/A"
	At    time.Time `json:"at,omitzero"`
	Note  string    `json:"note,omitempty"`

	// That it was said before, and is accepted, that a warmer class ends the vials earlier. Placing and moving ask for it;
	// what is returned or found was placed by others, and only recorded.
	AcceptShorter bool `json:"accept_shorter,omitempty"`
}

// Placing is what a place would make of a vial.
type Placing struct {
	Vial       stock.Vial // as it stands
	BeyondUse  time.Time  // once it stands there: as it is, or earlier
	GovernedBy string     // limit of the class, where it is earlier; else ""
	Source     string     // whose figure that is
	Bench      string     // why it would be held for its bench time; "" = it would not
	Refused    *stock.Refusal
}

// Shorter says whether the place would end the vial earlier.
func (p Placing) Shorter() bool { return p.BeyondUse.Before(p.Vial.BUD) }

// Place puts vials into a storage unit, or moves them. A vial that is only carried past a warm place is not placed there.
// A warmer class, or thawing, shortens the BUD for good: that is refused, with both dates, until it is accepted; then the
// vials wait on the relabel hold. Moving back changes nothing, and nothing is refrozen.
func (t *Tracker) Place(ctx context.Context, site string, a Actor, p Place) (Handled, error) {
	return t.handle(ctx, site, a, act{access.Place, stock.Placed, p.Vials, p.At, stock.Body{To: p.To, Note: p.Note}}, func(tx Tx, vials []stock.Vial, e *stock.Event) error {
		unit, err := storageFor(tx.Site(), p.To)
		if err != nil {
			return err
		}
		var shorter []Placing
		for _, v := range vials {
			if v.Unit != "" {
				e.Kind = stock.Moved
			}
			x, err := placing(ctx, tx, v, unit, p.To, e.At)
			if err != nil {
				return err
			}
			if x.Refused != nil {
				return x.Refused
			}
			if x.Bench != "" {
				e.Body.Hold, e.Body.Reason = stock.HoldBench, x.Bench
			}
			if !x.Shorter() {
				continue
			}
			shorter = append(shorter, x)
			if e.Body.BUD == nil || x.BeyondUse.Before(*e.Body.BUD) {
				e.Body.BUD, e.Body.Governs = stock.Ref(x.BeyondUse), x.GovernedBy+" in "+string(unit.Class)+" storage"
			}
		}
		if len(shorter) > 0 && !p.AcceptShorter {
			return asksFirst(tx.Site(), shorter, unit)
		}
		e.Body.From = placeOf(vials)
		return oneBatchIfShortened(vials, e)
	})
}

// asksFirst is the refusal that says what a warmer place would do, before it is done.
func asksFirst(s *stock.Site, shorter []Placing, u stock.Unit) error {
	x, zone := shorter[0], s.Location()
	if len(shorter) > 1 {
		x = slices.MinFunc(shorter, func(a, b Placing) int { return a.BeyondUse.Compare(b.BeyondUse) })
	}
	return stock.Refuse("shorter", x.Vial.Code, "%s is %s storage, so %s would end %s instead of %s (%s: %s), for good. Nothing is recorded yet: carrying past is no placing; if it is really placed there, accept the earlier date",
		u.Code, u.Class, vialsInWords(len(shorter)), walltime.Say(x.BeyondUse, zone), walltime.Say(x.Vial.BUD, zone), x.GovernedBy, x.Source)
}

func vialsInWords(n int) string {
	if n == 1 {
		return "it"
	}
	return fmt.Sprintf("%d vials, this one first,", n)
}

// PreviewPlace says what Place would make of each vial, in their order, and records nothing. What is wrong with a vial
// stands beside it; the place itself is refused.
func (t *Tracker) PreviewPlace(ctx context.Context, v View, p Place) ([]Placing, error) {
	now := walltime.Cut(t.Now())
	at, err := when(p.At, now)
	if err != nil {
		return nil, err
	}
	unit, err := storageFor(v.Site(), p.To)
	if err != nil {
		return nil, err
	}
	found, err := v.Find(ctx, VialQuery{Codes: p.Vials})
	if err != nil {
		return nil, err
	}
	out := make([]Placing, len(p.Vials))
	for i, code := range p.Vials {
		k := slices.IndexFunc(found, func(x stock.Vial) bool { return x.Code == code })
		if k < 0 {
			return nil, NotFound("vial", code)
		}
		if out[i], err = placing(ctx, v, found[k], unit, p.To, at); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// placing looks at one vial and one place. What is wrong with the two is in the answer; the error is for the database.
func placing(ctx context.Context, v View, vial stock.Vial, u stock.Unit, to string, at time.Time) (Placing, error) {
	out := Placing{Vial: vial, BeyondUse: vial.BUD}
	err := notBefore(vial, at, v.Site().Location())
	if err == nil && vial.Place() == to {
		err = stock.Refuse("there", vial.Code, "is recorded at %s already", to)
	}
	if err == nil {
		_, err = vial.Apply(stock.Event{Kind: stock.Moved, At: at, Body: stock.Body{To: to}})
	}
	if err == nil && vial.Unit == "" {
		out.Bench, err = stoodTooLong(ctx, v, vial, at)
	}
	var there beyonduse.Answer
	if err == nil {
		there, err = mayStay(ctx, v, vial, u, at)
	}
	if no, ok := refusalOf(err); ok {
		out.Refused = no
		return out, nil
	}
	if there.BeyondUse.Before(vial.BUD) {
		out.BeyondUse, out.GovernedBy = there.BeyondUse, there.GovernedBy
		for _, c := range there.Candidates {
			if c.Limit == there.GovernedBy && c.BeyondUse.Equal(there.BeyondUse) {
				out.Source = c.Source
			}
		}
	}
	return out, err
}

// stoodTooLong says by how much a vial that has not been placed yet is over its product's bench time; "" = it is not.
func stoodTooLong(ctx context.Context, v View, vial stock.Vial, at time.Time) (string, error) {
	p, err := v.Product(ctx, vial.Product, vial.Version)
	if err != nil || p.BenchMinutes == 0 {
		return "", err
	}
	b, err := v.Batch(ctx, vial.Batch)
	if err != nil {
		return "", err
	}
	stood := at.Sub(b.CompletedAt)
	if stood <= time.Duration(p.BenchMinutes)*time.Minute {
		return "", nil
	}
	return fmt.Sprintf("stood %d minutes before it was placed; the product allows %d", int(stood.Minutes()), p.BenchMinutes), nil
}

// oneBatchIfShortened: a shortening carries one date, so vials of several batches are moved batch by batch.
func oneBatchIfShortened(vials []stock.Vial, e *stock.Event) error {
	if e.Body.BUD == nil {
		return nil
	}
	for _, v := range vials {
		if v.Batch != vials[0].Batch {
			return stock.Refuse("batches", v.Code, "the move shortens beyond-use dates; move each batch by itself so that each gets its own date")
		}
	}
	return nil
}

// storageFor finds the unit and shelf of "R1/A".
func storageFor(s *stock.Site, place string) (stock.Unit, error) {
	unit, shelf := stock.SplitPlace(place)
	u, _, ok := s.UnitAt(unit)
	if !ok {
		return u, stock.Refuse("place", "", "there is no storage unit %q at %s; name one of the site's, as UNIT/SHELF", unit, s.Code)
	}
	if _, ok := u.Shelf(shelf); !ok {
		return u, stock.Refuse("place", "", "%s has no shelf %q; name one of its shelves, as %s/SHELF", unit, shelf, unit)
	}
	return u, nil
}

// mayStay refuses a place that is wrong for the vial and answers its date there: as it is, or earlier in a warmer class.
func mayStay(ctx context.Context, v View, vial stock.Vial, u stock.Unit, at time.Time) (beyonduse.Answer, error) {
	as := beyonduse.Answer{BeyondUse: vial.BUD}
	p, err := v.Product(ctx, vial.Product, vial.Version)
	if err != nil {
		return as, err
	}
	if err := apart(p, u, vial.Code); err != nil {
		return as, err
	}
	if u.Class != stock.Freezer && u.Class.Warmth() <= p.Storage.Warmth() {
		return as, nil
	}
	class, err := warmestSoFar(ctx, v, vial, p.Storage)
	if err != nil {
		return as, err
	}
	switch {
	case u.Class == stock.Freezer && class != stock.Freezer:
		return as, stock.Refuse("refreeze", vial.Code, "nothing is frozen after it was stored unfrozen; leave it in %s storage", class)
	case u.Class == stock.Freezer && vial.State == stock.WithWard:
		return as, stock.Refuse("refreeze", vial.Code, "was handed out, so nobody knows that it stayed frozen; nothing is refrozen")
	case u.Class.Warmth() <= class.Warmth():
		return as, nil
	}
	b, err := v.Batch(ctx, vial.Batch)
	if err != nil {
		return as, err
	}
	return warmerBUD(v.Site(), p, b, vial, u.Class, at)
}

// apart keeps hazardous drugs and others in units of their own.
func apart(p stock.Product, u stock.Unit, vial string) error {
	switch {
	case p.Hazardous && !u.HazardousOnly:
		return stock.Refuse("hazard", vial, "is hazardous; %s is an ordinary unit. Put it into a unit for hazardous drugs", u.Code)
	case !p.Hazardous && u.HazardousOnly:
		return stock.Refuse("hazard", vial, "is not hazardous; %s is for hazardous drugs only", u.Code)
	}
	return nil
}

// warmestSoFar is the warmest class the vial was ever stored in: its product's, or that of any of its stays.
func warmestSoFar(ctx context.Context, v View, vial stock.Vial, class stock.Storage) (stock.Storage, error) {
	stays, err := v.Stays(ctx, vial.Code)
	for _, s := range stays {
		if u, _, ok := v.Site().UnitAt(s.Unit); ok && u.Class.Warmth() > class.Warmth() {
			class = u.Class
		}
	}
	return class, err
}
