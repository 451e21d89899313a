// Package demo is an invented pharmacy and thirty days of its life, told through the operations everybody uses: what
// people and the world do (demand, preparations, faults, decisions) stands here; what the system makes of it (holds,
// lists, mails, refusals) follows from its rules. People read lists and cases and act on them, mostly well.
//
// Everything in it is invented: site, persons, beyond-use figures, prices, faults.
package demo

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"time"

	"vialward/cmd/vialward/internal/config"
	"vialward/tracker"
	"vialward/tracker/stock"
)

//go:embed site.toml
var siteFile []byte

// Site is the code of the invented site.
const Site = "QUILLMERE"

// Token is the demo's API token. It opens nothing but the demo, which listens on loopback only.
const Token = "demo"

// Version names this telling of the story: a change in what happens is a new one, so that no older telling is shown.
const Version = "1"

// Story is the site's people, loggers and faults, playing on a tracker.
type Story struct {
	t      *tracker.Tracker
	clock  *Clock
	gate   *Gate
	zone   *time.Location
	set    stock.Site
	agenda agenda
	logs   map[string]*logger

	declared form // T5's, once its zone is known

	posted bool // mails may be waiting that were not seen to be sent

	batches map[batchKey]string // batch codes by product and day, first batch of the day
	missing map[string]bool     // vials that are not where the record says
	open    map[string]bool     // issued vials no ward will confirm by itself
	keep    map[string]int      // by product: so many of the next issued are not given by themselves
	carried string              // the vial somebody carried off
	tried   map[string]bool     // holds somebody has run into already

	// Told is what no event says: asked for and not there, and refused at the door.
	Told Told
}

// Told counts what happened beside the record.
type Told struct {
	Short   map[string]int `json:"short"`   // by product: asked for, and nothing could be issued
	Refused map[string]int `json:"refused"` // by the refusal's code
}

type batchKey struct {
	product string
	day     int
}

// New is a story told on a tracker whose Now is the clock's. The gate is the one the sender dials through.
func New(t *tracker.Tracker, clock *Clock, gate *Gate) (*Story, error) {
	set, problems := config.ReadSite(siteFile)
	if len(problems) > 0 {
		return nil, fmt.Errorf("the demo's site file: %w", config.Problems(problems))
	}
	logs, err := loggers()
	if err != nil {
		return nil, err
	}
	declared, err := readForm("T5-declared")
	if err != nil {
		return nil, err
	}
	s := &Story{
		declared: declared,
		clock:    clock, gate: gate, zone: set.Location(), set: set, logs: logs,
		batches: map[batchKey]string{}, missing: map[string]bool{}, open: map[string]bool{}, tried: map[string]bool{}, keep: map[string]int{},
		Told: Told{Short: map[string]int{}, Refused: map[string]int{}},
	}
	watched := *t
	watched.Store = watchedStore{t.Store, func() { s.posted = true }}
	s.t = &watched
	return s, nil
}

// Play tells the thirty days from an empty database to the morning. The caller runs the sender, through the gate.
func (s *Story) Play(ctx context.Context, progress func(day, of int)) error {
	s.clock.Set(s.at(firstDay, 6, 0))
	if err := s.begin(ctx); err != nil {
		return err
	}
	for day := firstDay; day <= morningDay; day++ {
		if progress != nil {
			progress(min(day, StoryOfDays), StoryOfDays)
		}
		s.routine(day)
		s.loggersOf(day)
		if chapter, ok := chapters[day]; ok {
			chapter(s, day)
		}
		until := s.at(day+1, 0, 0).Add(-time.Microsecond)
		if day == morningDay {
			until = s.Morning()
		}
		for {
			next, ok := s.agenda.next(until)
			if !ok {
				break
			}
			if next.at.Before(s.clock.Now()) {
				return fmt.Errorf("%s was planned for %s, when it was already past", next.what, next.at.In(s.zone).Format(time.RFC3339))
			}
			s.clock.Set(next.at)
			if err := next.do(ctx); err != nil {
				return fmt.Errorf("%s at %s: %w", next.what, next.at.In(s.zone).Format(time.RFC3339), err)
			}
		}
	}
	s.clock.Set(s.Morning())
	return s.mailed(ctx)
}

// Live goes on from the morning at the clock's speed, until ctx ends. A step that fails is logged: the site lives on.
func (s *Story) Live(ctx context.Context) {
	s.resume()
	for day := morningDay; ; day++ {
		s.routine(day)
		s.alive(day)
		if day == morningDay {
			s.doorAjarAgain(day)
		}
		for day == morningDay { // what is over by the morning was played
			if _, ok := s.agenda.next(s.Morning()); !ok {
				break
			}
		}
		for {
			next, ok := s.agenda.next(s.at(day+1, 0, 0).Add(-time.Microsecond))
			if !ok {
				break
			}
			if err := sleep(ctx, s.clock.Until(next.at)); err != nil {
				return
			}
			if err := next.do(ctx); err != nil && ctx.Err() == nil {
				s.t.Log.Warn("a step of the demo failed", "step", next.what, "error", err)
			}
		}
	}
}

func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// who acts, by code. A code the site file does not have is a mistake in the story.
func (s *Story) who(code string) tracker.Actor {
	p, ok := s.set.Person(code)
	if !ok {
		panic("demo: nobody is called " + code)
	}
	return tracker.Actor{Person: p, Via: "demo"}
}

// refused counts a refusal the story expects as what it is: an answer. Any other error comes back.
func (s *Story) refused(err error) error {
	var r *stock.Refusal
	if errors.As(err, &r) {
		s.Told.Refused[r.Code]++
		return nil
	}
	return err
}

func (s *Story) read(ctx context.Context, f func(tracker.View) error) error {
	return s.t.Store.Read(ctx, Site, f)
}

// find lists vials that are where the record says.
func (s *Story) find(ctx context.Context, q tracker.VialQuery) (out []stock.Vial, err error) {
	err = s.read(ctx, func(v tracker.View) error {
		all, err := v.Find(ctx, q)
		for _, x := range all {
			if !s.missing[x.Code] {
				out = append(out, x)
			}
		}
		return err
	})
	return out, err
}

func codes(vials []stock.Vial) []string {
	out := make([]string, len(vials))
	for i, v := range vials {
		out[i] = v.Code
	}
	return out
}

func held(v stock.Vial) bool { return len(v.Holds) > 0 || len(v.Touches) > 0 }
