package tracker_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
)

// guess tries wrong passwords until one is not looked at, and answers how many were.
func (d *door) guess(t *testing.T, person string, from tracker.From) (looked int) {
	t.Helper()
	for {
		before := d.hashing.checks.Load()
		_, err := d.SignIn(t.Context(), site, person, "kettle moss none", from)
		var wait *tracker.TooManyTries
		if errors.As(err, &wait) {
			require.Equal(t, before, d.hashing.checks.Load(), "nothing is hashed")
			require.Positive(t, wait.Seconds())
			require.Contains(t, wait.Error(), "try again")
			return looked
		}
		require.ErrorIs(t, err, tracker.ErrWrong)
		looked++
		require.Less(t, looked, 1000, "it never ends")
	}
}

// Somebody guesses the on-call person's password from everywhere. They still get in: from their phone, which signed them in
// before, from home without it, and after the daemon was started again.
func TestNobodyLocksTheOnCallPersonOut(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	phone := d.in(t, "call-1", home("")).Device
	for n := range 40 {
		d.guess(t, "call-1", tracker.From{Address: fmt.Sprintf("203.0.113.%d", n)})
		d.guess(t, fmt.Sprintf("nobody-%d", n), tracker.From{Address: fmt.Sprintf("203.0.113.%d", n)})
	}
	stranger := tracker.From{Address: "198.51.100.7"}
	require.Zero(t, d.guess(t, "call-1", stranger), "from a new place it has to wait")
	d.in(t, "call-1", tracker.From{Address: "198.51.100.7", Device: phone})
	d.in(t, "call-1", home(""))

	d.guess(t, "call-1", home("")) // and somebody behind the same address
	require.Zero(t, d.guess(t, "call-1", home("")))
	d.in(t, "call-1", home(phone))

	again := d.second(t) // all it knows is in the record
	again.Door = tracker.NewDoor(d.hashing)
	for n := range 40 {
		_, err := again.SignIn(t.Context(), site, "call-1", "kettle moss none", tracker.From{Address: fmt.Sprintf("203.0.113.%d", n)})
		require.Error(t, err)
	}
	_, err := again.SignIn(t.Context(), site, "call-1", secret("call-1"), tracker.From{Address: "198.51.100.8", Device: phone})
	require.NoError(t, err)
	_, err = again.SignIn(t.Context(), site, "call-1", secret("call-1"), home(""))
	require.NoError(t, err)
}

// What is known wears off: a device that signed nobody in for ninety days is a stranger's again.
func TestAcquaintanceWearsOff(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	phone := d.in(t, "call-1", home("")).Device
	for _, x := range []struct {
		pass  time.Duration
		known bool
	}{{89 * 24 * time.Hour, true}, {2 * 24 * time.Hour, false}} {
		d.pass(x.pass)
		for n := range 20 {
			d.guess(t, "call-1", tracker.From{Address: fmt.Sprintf("203.0.113.%d", n)})
		}
		require.Equal(t, x.known, d.guess(t, "call-1", home(phone)) > 0)
	}
}

// On one account strangers have ten tries and one every two minutes, wherever they come from (fewer than the hundred an
// hour of OWASP ASVS 4.0, 2.2.1: M); from one address twenty and one every twenty seconds; a device has its own for each
// person, so that one who is spiteful at the tablet keeps nobody else from it.
func TestHowManyTries(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	tablet := d.in(t, "tech-2", tablet("")).Device
	total := 0
	for n := range 9 {
		total += d.guess(t, "rph-1", tracker.From{Address: fmt.Sprintf("203.0.113.%d", n)})
	}
	require.Equal(t, 10, total)
	d.pass(2 * time.Minute)
	require.Equal(t, 1, d.guess(t, "rph-1", tracker.From{Address: "203.0.113.99"}))
	d.pass(time.Hour)
	total = 0
	for n := range 9 {
		total += d.guess(t, fmt.Sprintf("nobody-%d", n), tracker.From{Address: "203.0.113.77"})
	}
	require.Equal(t, 20, total)
	d.pass(time.Hour)
	total = 0
	for n := range 9 { // one machine, an address for each try
		total += d.guess(t, fmt.Sprintf("none-%d", n), tracker.From{Address: fmt.Sprintf("2001:db8::%d", n)})
	}
	require.Equal(t, 20, total)
	d.pass(time.Hour)
	require.Equal(t, 10, d.guess(t, "rph-1", tracker.From{Address: "10.0.0.9", Device: tablet}))
	d.in(t, "tech-1", tracker.From{Address: "10.0.0.9", Device: tablet})
	total = 0
	for n := range 200 { // all strangers of the world
		total += d.guess(t, fmt.Sprintf("nowhere-%d", n), tracker.From{Address: fmt.Sprintf("100.64.%d.1", n)})
	}
	require.Equal(t, 30, total)
	n := d.Door.Count()
	require.Equal(t, d.hashing.checks.Load(), n.Right+n.Wrong)
	require.Positive(t, n.NotLookedAt)
}

// A shift that signs in from behind one address, nobody mistaken, finds room.
func TestAShiftBehindOneAddress(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	for n := range 60 {
		person := []string{"tech-1", "tech-2", "rph-1"}[n%3]
		d.in(t, person, tracker.From{Address: "10.1.1.1"})
	}
}

// However many try at once, one hash is computed for strangers and one for the others; who waits too long is told so, and a
// request that was given up gives its place back.
func TestHashesAtOnce(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	phone := d.in(t, "call-1", home("")).Device
	held, let := make(chan struct{}, 100), make(chan struct{})
	d.hashing.during = func() { held <- struct{}{}; <-let }
	var all sync.WaitGroup
	try := func(ctx context.Context, n int, from tracker.From) {
		all.Go(func() { _, _ = d.SignIn(ctx, site, fmt.Sprintf("nobody-%d", n), "kettle moss none", from) })
	}
	for n := range 20 {
		try(t.Context(), n, tracker.From{Address: fmt.Sprintf("203.0.113.%d", n)})
	}
	<-held
	given, giveUp := context.WithCancel(t.Context())
	giveUp()
	_, err := d.SignIn(given, site, "nobody", "kettle moss none", tracker.From{Address: "203.0.113.99"})
	require.ErrorIs(t, err, context.Canceled)
	try(t.Context(), 0, tracker.From{Address: "203.0.113.1", Device: phone})
	<-held // the known one has a place, although strangers wait
	close(let)
	all.Wait()
	require.Equal(t, int64(2), d.hashing.most.Load())
}
