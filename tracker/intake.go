package tracker

import (
	"context"
	"fmt"

	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/templog"
	"vialward/tracker/walltime"
)

// Values is a log being read; *templog.Parser is one.
type Values interface {
	Next(buf []templog.Value) (int, error)
	Sensors() []string
	Rows() templog.Rows
	Refused() []templog.Refusal
}

// Delivery is a file or a post of readings as it arrives.
type Delivery struct {
	Source  string // http, folder, command, mail
	Name    string
	Digest  []byte // SHA-256 of its bytes, when known
	Layout  string // as described now; "" = plain form
	Zone    string
	Live    bool     // it comes as it is measured: its clock can be judged by its arrival
	Sensors []string // the only ones this source may write; none = all
	Values  Values
}

// chunk is how many readings are kept before they are stored: 16 MB of them. A delivery that stays below it is one
// transaction; a larger one is a transaction for each sensor and chunk, so a large file locks nothing for long.
const chunk = 1 << 20

// mostRefused bounds the list that is kept; the count beside it is exact.
const mostRefused = 10_000

// readAtOnce is how many values are asked for at a time.
const readAtOnce = 4096

// TakeIn stores what is new of a delivery, finds the excursions in it and holds the stock they touched. Every value is
// stored, known already, conflicting, missing or refused, and the sum is what was read. Sending it again is harmless;
// interrupted halfway, what was taken stays and the rest is taken when it is sent again.
func (t *Tracker) TakeIn(ctx context.Context, site string, a Actor, d Delivery) (Intake, error) {
	now := walltime.Cut(t.Now())
	set, err := t.setUp(ctx, site)
	if err == nil {
		err = a.may(set, access.WriteReadings, now)
	}
	if err != nil {
		return Intake{}, err
	}
	k := t.taking(set, now, a, d)
	if err := k.read(ctx, make([]templog.Value, readAtOnce)); err != nil {
		return k.in, fmt.Errorf("take in %s: %w", d.Name, err)
	}
	if err := t.finish(ctx, site, []*taking{k}); err != nil {
		return k.in, fmt.Errorf("take in %s: %w", d.Name, err)
	}
	return k.in, nil
}

// Arrival is a delivery and who brings it.
type Arrival struct {
	By Actor
	Delivery
}

// Taken is what became of one delivery of several. Err says that it is not the log it should be, or that its sender may not
// bring any; it kept no other out.
type Taken struct {
	Intake Intake
	Err    error
}

// TakeInMany takes small deliveries that arrived about the same time in one transaction, each as TakeIn would, in their
// order: with a number, classes, refusals and a mail of its own. Where it answers an error none of them was taken.
func (t *Tracker) TakeInMany(ctx context.Context, site string, all []Arrival) ([]Taken, error) {
	set, err := t.setUp(ctx, site)
	if err != nil {
		return nil, err
	}
	now, buf := walltime.Cut(t.Now()), make([]templog.Value, readAtOnce)
	taken, whole, at := make([]Taken, len(all)), []*taking{}, []int{}
	for i, a := range all {
		if taken[i].Err = a.By.may(set, access.WriteReadings, now); taken[i].Err != nil {
			continue
		}
		k := t.taking(set, now, a.By, a.Delivery)
		if taken[i].Err = k.read(ctx, buf); taken[i].Err == nil {
			whole, at = append(whole, k), append(at, i)
		}
	}
	if len(whole) == 0 {
		return taken, nil
	}
	if err := t.finish(ctx, site, whole); err != nil {
		return nil, fmt.Errorf("take in %d deliveries: %w", len(whole), err)
	}
	for i, k := range whole {
		taken[at[i]].Intake = k.in
	}
	return taken, nil
}

// setUp is the site's document now, by which values are refused before a transaction is begun for the others.
func (t *Tracker) setUp(ctx context.Context, site string) (set *stock.Site, err error) {
	err = t.Store.Read(ctx, site, func(v View) error { set = v.Site(); return nil })
	return set, err
}
