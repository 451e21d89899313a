package intake

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"sync"
	"time"

	"vialward/tracker"
)

// Collector takes the small posts of many loggers in few transactions: what arrives while one is under way goes together
// into the next. A commit costs about the same whether it carries one reading or two hundred.
//
// Nobody waits for company: a post that finds nothing under way is taken at once. Only while posts do come together are
// transactions begun a few milliseconds apart, so that each carries more. Every post is answered for itself, after the
// commit. What has joined is taken whether or not its sender still waits: the transaction is nobody's in particular.
type Collector struct {
	// Take takes all in one transaction, or answers an error and has taken none (tracker.TakeInMany).
	Take func(ctx context.Context, site string, all []tracker.Arrival) ([]tracker.Taken, error)
	Log  *slog.Logger

	mu    sync.Mutex
	sites map[string]*line
}

const (
	apart       = 5 * time.Millisecond // transactions, while posts come together
	mostAtOnce  = 100                  // posts in one transaction: some tens of milliseconds
	mostWaiting = 5000                 // posts of one site; those after them are told to come back
	longestTake = time.Minute          // of a transaction, when the database neither answers nor refuses
)

// ErrBusy is for a post that was not taken because too many were waiting.
var ErrBusy = errors.New("more readings arrive than can be stored")

// line is the posts of one site that wait.
type line struct {
	waiting []joined
	taking  bool // somebody takes from it
}

// joined is a post that waits for its answer.
type joined struct {
	by     tracker.Actor
	d      tracker.Delivery
	values *Whole
	answer chan tracker.Taken // holds one: nobody has to be there to receive it
}

// TakeIn joins a post to those of its site and waits for its answer, also when ctx has ended: then it may still be taken.
// Its values are given apart, since they may have to be read again.
func (c *Collector) TakeIn(ctx context.Context, site string, by tracker.Actor, d tracker.Delivery, values *Whole) (tracker.Intake, error) {
	j := joined{by, d, values, make(chan tracker.Taken, 1)}
	if !c.join(context.WithoutCancel(ctx), site, j) {
		return tracker.Intake{}, ErrBusy
	}
	taken := <-j.answer
	return taken.Intake, taken.Err
}

func (c *Collector) join(ctx context.Context, site string, j joined) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.sites == nil {
		c.sites = map[string]*line{}
	}
	l := c.sites[site]
	if l == nil {
		l = &line{}
		c.sites[site] = l
	}
	if len(l.waiting) >= mostWaiting {
		return false
	}
	l.waiting = append(l.waiting, j)
	if !l.taking {
		l.taking = true
		go c.run(ctx, site, l) // until nobody waits any more
	}
	return true
}

// next is the first in line; none when nobody waits, and then nobody takes from the line.
func (c *Collector) next(l *line) []joined {
	c.mu.Lock()
	defer c.mu.Unlock()
	n := min(len(l.waiting), mostAtOnce)
	first := l.waiting[:n:n]
	if l.waiting = l.waiting[n:]; len(l.waiting) == 0 {
		l.waiting = nil
	}
	l.taking = n > 0
	return first
}

func (c *Collector) run(ctx context.Context, site string, l *line) {
	for {
		posts := c.next(l)
		if len(posts) == 0 {
			return
		}
		pace := time.NewTimer(apart)
		c.take(ctx, site, posts)
		if len(posts) > 1 && len(posts) < mostAtOnce {
			<-pace.C
		}
		pace.Stop()
	}
}

func (c *Collector) take(ctx context.Context, site string, posts []joined) {
	ctx, cancel := context.WithTimeout(ctx, longestTake)
	defer cancel()
	t := &taking{c: c, site: site}
	t.take(ctx, posts)
	if t.apart != nil {
		c.Log.Warn("posts of readings could not be taken together", "site", site, "posts", len(posts), "error", t.apart)
	}
}

// taking is some posts on their way into the record.
type taking struct {
	c     *Collector
	site  string
	apart error // why they were not taken together
	away  int   // single posts in a row for which the database was away
	last  error
}

// take answers every post. Where they cannot be taken together, each half is tried, down to single ones: a post that
// cannot be taken keeps no other out. A database that is away is not asked once for each of them.
func (t *taking) take(ctx context.Context, posts []joined) {
	if t.away < 2 && ctx.Err() == nil {
		taken, err := t.attempt(ctx, posts)
		if err == nil {
			t.away = 0
			for i, j := range posts {
				j.answer <- taken[i]
			}
			return
		}
		t.last = err
		if len(posts) > 1 && ctx.Err() == nil {
			if t.apart == nil {
				t.apart = err
			}
			t.take(ctx, posts[:len(posts)/2])
			t.take(ctx, posts[len(posts)/2:])
			return
		}
		if t.away++; !errors.Is(err, tracker.ErrAway) {
			t.away = 0
		}
	}
	for _, j := range posts {
		j.answer <- tracker.Taken{Err: t.last}
	}
}

// attempt takes all or none. A fault of the program in one post ends neither the others nor the daemon.
func (t *taking) attempt(ctx context.Context, posts []joined) (taken []tracker.Taken, err error) {
	defer func() {
		if fault := recover(); fault != nil {
			err = fmt.Errorf("panic while readings were taken in: %v\n%s", fault, debug.Stack())
		}
	}()
	all := make([]tracker.Arrival, len(posts))
	for i, j := range posts {
		all[i] = tracker.Arrival{By: j.by, Delivery: j.d}
		all[i].Values = j.values.fromStart()
	}
	return t.c.Take(ctx, t.site, all)
}
