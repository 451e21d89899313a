package tracker

import (
	"cmp"
	"context"
	"fmt"
	"time"

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
	At() (line int, bytes int64) // before which reading stopped, and what stands before it
}

// Delivery is a file or a post of readings as it arrives.
type Delivery struct {
	Source  string // http, folder, command, mail
	Name    string
	Digest  []byte // SHA-256 of its bytes, when known
	Bytes   int64  // its length, when known
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

// mostUnwanted is how many values in a row may be refused, for sensors the site does not have say, before the rest is not
// looked at: two years of one-minute readings of one sensor.
const mostUnwanted = 1_000_000

// longestFinish is how long what is kept of a delivery that broke off may take to be stored.
const longestFinish = time.Minute

// TakeIn stores what is new of a delivery, finds the excursions in it and holds the stock they touched. Every value is
// stored, known already, conflicting, missing or refused, and the sum is what was read. Sending it again is harmless.
//
// An error with an intake that has a number says that the delivery was taken in part, the answer's rows what of it. Where
// it could not be read on, NotRead says from where and why, and the rows are all that stands before: either it is sound up
// to there, or so much of it had been stored by then that it stays. Where it could not be stored, the rows are what was
// stored. Without a number, nothing of it was.
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
	stop, err := k.read(ctx, make([]templog.Value, readAtOnce))
	if stop != nil && k.keeps(stop) {
		k.stopped(stop)
		// Whoever sends may be gone; what is kept of it is accounted for all the same.
		whole, cancel := context.WithTimeout(context.WithoutCancel(ctx), longestFinish)
		defer cancel()
		ctx = whole
	} else if stop != nil {
		return k.in, fmt.Errorf("take in %s: %w", d.Name, stop)
	}
	if err == nil {
		err = t.finish(ctx, site, []*taking{k})
	}
	if err != nil {
		k.in.NotRead = nil
		r := &k.in.Rows
		r.Read, r.Missing, r.Refused = r.Stored+r.Duplicate+r.Conflicting, 0, 0
		return k.in, fmt.Errorf("take in %s: %w", d.Name, err)
	}
	if stop != nil {
		return k.in, fmt.Errorf("take in %s: %w", d.Name, stop)
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
		if stop, err := k.read(ctx, buf); stop != nil || err != nil {
			taken[i].Err = cmp.Or(stop, err)
			continue
		}
		whole, at = append(whole, k), append(at, i)
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
