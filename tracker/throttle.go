package tracker

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"vialward/tracker/access"
)

// throttle decides, before anything is hashed, whether a try to prove oneself is looked at. It is kept in memory, one a
// daemon. Whoever comes from a device or an address where a password was right lately has
// buckets and a place at hashing of their own, which no stranger can empty: guessing from elsewhere keeps nobody out.
// What it answers depends on where a try comes from and on the name typed, never on whether anybody is called that.
type throttle struct {
	mu        sync.Mutex
	strangers buckets
	everyone  access.Bucket // all strangers together
	familiar  buckets
	said      time.Time              // when the log last said that tries are not looked at
	known     map[string]*acquainted // by site

	knownHash   chan struct{} // a place for each hash that is computed at once
	strangeHash chan struct{}
}

// TooManyTries refuses a try that was not looked at.
type TooManyTries struct{ Wait time.Duration }

func (e *TooManyTries) Error() string {
	if s := e.Seconds(); s < 120 {
		return fmt.Sprintf("there were too many tries; wait %d seconds, then try again", s)
	}
	return fmt.Sprintf("there were too many tries; wait %d minutes, then try again", (e.Seconds()+59)/60)
}

// Seconds to wait, whole ones and at least one, as a Retry-After has them (RFC 9110, 10.2.3).
func (e *TooManyTries) Seconds() int { return max(1, int((e.Wait+time.Second-1)/time.Second)) }

// A hash costs 64 MiB and a part of a second on all cores: one at once for strangers and one for the others, and nobody
// waits for it longer than a person waits for an answer.
const (
	hashesAtOnce = 1
	waitForHash  = 5 * time.Second
)

// admit lets a try through, or refuses it with *TooManyTries. done is told how it ended: one that was right is given back.
func (t *Tracker) admit(ctx context.Context, site, person string, from From) (done func(right bool), err error) {
	if t.Door == nil {
		return nil, errNoDoor
	}
	h, now := &t.Door.tries, t.Now()
	c := t.comesFrom(ctx, site, from, now)
	taken, wait := h.take(c, site, person, from, now)
	if wait > 0 {
		t.Door.notLookedAt.Add(1)
		if h.toBeSaid(now) {
			t.Log.Warn("tries to sign in are not looked at: there are too many", "site", site, "from", from.Address, "since_start", t.Door.notLookedAt.Load())
		}
		return nil, &TooManyTries{wait}
	}
	place := h.knownHash
	if c == stranger {
		place = h.strangeHash
	}
	timer := time.NewTimer(waitForHash)
	defer timer.Stop()
	select {
	case place <- struct{}{}:
		return func(right bool) {
			<-place
			if right {
				h.giveBack(taken)
			}
			t.Door.count(site, right)
		}, nil
	case <-timer.C:
		t.Door.notLookedAt.Add(1)
		err = &TooManyTries{waitForHash}
	case <-ctx.Done():
		err = ctx.Err()
	}
	h.giveBack(taken)
	return nil, err
}

var errNoDoor = errors.New("nobody can sign in here")

// count a try that was looked at; hashing what nobody tried is of no site.
func (d *Door) count(site string, right bool) {
	switch {
	case site == "":
	case right:
		d.right.Add(1)
	default:
		d.wrong.Add(1)
	}
}

// caller is what is known of where a try comes from.
type caller int

const (
	stranger caller = iota
	knownAddress
	knownDevice
	thisMachine
)

// take one try from every bucket it comes under, or none, and how long to wait.
func (h *throttle) take(c caller, site, person string, from From, now time.Time) (taken []drawn, wait time.Duration) {
	h.mu.Lock()
	defer h.mu.Unlock()
	person = person[:min(len(person), 64)]
	source := access.Source(from.Address)
	var all []drawn
	switch c {
	case stranger:
		all = []drawn{
			{h.strangers.named(now, "address", source), access.ByAddress},
			{h.strangers.named(now, "account", site, person), access.ByAccount},
			{&h.everyone, access.ByStrangers},
		}
	case knownAddress:
		all = []drawn{
			{h.familiar.named(now, "address", site, source), access.ByAddress},
			{h.familiar.named(now, "account", site, source, person), access.ByAccount},
		}
	case knownDevice:
		all = []drawn{{h.familiar.named(now, "device", site, string(HashToken(from.Device)), person), access.ByAccount}}
	case thisMachine: // whoever is on it can ask the database itself
	}
	for i, d := range all {
		if wait, ok := d.bucket.Take(d.rate, now); !ok {
			for _, d := range all[:i] {
				d.bucket.Return(d.rate)
			}
			return nil, wait
		}
	}
	return all, 0
}

// toBeSaid once a minute.
func (h *throttle) toBeSaid(now time.Time) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if now.Sub(h.said).Abs() < time.Minute {
		return false
	}
	h.said = now
	return true
}

// drawn is a bucket from which a try was taken.
type drawn struct {
	bucket *access.Bucket
	rate   access.Rate
}

func (h *throttle) giveBack(taken []drawn) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, d := range taken {
		d.bucket.Return(d.rate)
	}
}

// buckets by name, a bounded number of them: when there are too many, those that are full again are forgotten, and whoever
// finds no room shares one.
type buckets struct {
	all   map[string]*access.Bucket
	swept time.Time
}

const mostBuckets = 20_000 // about 3 MB

func (b *buckets) named(now time.Time, parts ...string) *access.Bucket {
	name := strings.Join(parts, "\x00")
	if x, ok := b.all[name]; ok {
		return x
	}
	if b.all == nil {
		b.all = map[string]*access.Bucket{}
	}
	if len(b.all) >= mostBuckets && now.Sub(b.swept).Abs() >= time.Second {
		b.swept = now
		for n, x := range b.all {
			if x.Full(now) {
				delete(b.all, n)
			}
		}
	}
	if len(b.all) >= mostBuckets {
		if x, ok := b.all[""]; ok {
			return x
		}
		name = ""
	}
	x := &access.Bucket{}
	b.all[name] = x
	return x
}

// acquainted is what the record knew of a site's devices and addresses lately.
type acquainted struct {
	at                 time.Time
	devices, addresses map[string]bool
}

const askAgain = time.Minute // another daemon may have signed somebody in

// comesFrom says what is known of a try's origin. It is asked of the record once a minute, not once a try.
func (t *Tracker) comesFrom(ctx context.Context, site string, from From, now time.Time) caller {
	if from.Address == "" {
		return thisMachine
	}
	h := &t.Door.tries
	h.mu.Lock()
	k := h.known[site]
	stale := k == nil || now.Sub(k.at).Abs() >= askAgain
	if stale && k != nil {
		k.at = now // the others go by what is there until it has been asked for
	}
	h.mu.Unlock()
	if stale {
		k = t.askAcquainted(ctx, site, k, now)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case k == nil:
		return stranger
	case from.Device != "" && k.devices[string(HashToken(from.Device))]:
		return knownDevice
	case k.addresses[access.Source(from.Address)]:
		return knownAddress
	}
	return stranger
}

// askAcquainted asks the record. Where it does not answer, what was known before stands.
func (t *Tracker) askAcquainted(ctx context.Context, site string, before *acquainted, now time.Time) *acquainted {
	a, err := t.Store.Acquainted(ctx, site, now.Add(-access.Known))
	if err != nil {
		return before
	}
	k := &acquainted{now, map[string]bool{}, map[string]bool{}}
	for _, d := range a.Devices {
		k.devices[string(d)] = true
	}
	for _, s := range a.Addresses {
		k.addresses[s] = true
	}
	h := &t.Door.tries
	h.mu.Lock()
	defer h.mu.Unlock()
	h.known[site] = k
	return k
}

// meet remembers at once where a password was right.
func (h *throttle) meet(site string, device []byte, source string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if k := h.known[site]; k != nil {
		k.devices[string(device)] = true
		k.addresses[source] = true
	}
}
