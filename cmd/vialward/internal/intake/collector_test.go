package intake

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/templog"
)

// desk is a collector over an invented database, which takes ten milliseconds for whatever comes.
type desk struct {
	Collector
	mu    sync.Mutex
	calls []string // who came together, by the names of their posts
	fails func(names []string) error
}

func newDesk() *desk {
	k := &desk{}
	k.Collector = Collector{Take: k.take, Log: slog.New(slog.DiscardHandler)}
	return k
}

func (k *desk) take(ctx context.Context, _ string, all []tracker.Arrival) ([]tracker.Taken, error) {
	var names []string
	taken := make([]tracker.Taken, len(all))
	for i, a := range all {
		names = append(names, a.Name)
		n, err := a.Values.Next(make([]templog.Value, 10))
		if err != nil {
			return nil, err // read to its end before: that is what is tried again
		}
		taken[i].Intake.Name, taken[i].Intake.Rows = a.Name, templog.Rows{Read: int64(n), Stored: int64(n)}
	}
	k.mu.Lock()
	k.calls = append(k.calls, strings.Join(names, " "))
	k.mu.Unlock()
	select {
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-time.After(10 * time.Millisecond):
	}
	if k.fails != nil {
		if err := k.fails(names); err != nil {
			return nil, err
		}
	}
	return taken, nil
}

// posted is a post's answer, and how long it took.
type posted struct {
	name string
	in   tracker.Intake
	err  error
	took time.Duration
}

// post joins one and answers when it is answered.
func (k *desk) post(name string) posted {
	begun := time.Now()
	one := &Whole{values: make([]templog.Value, 1)}
	in, err := k.TakeIn(context.Background(), "S", tracker.Rule, tracker.Delivery{Name: name}, one)
	return posted{name, in, err, time.Since(begun)}
}

// posts joins some, one right after the other, and answers when all are answered.
func (k *desk) posts(names ...string) []posted {
	all := make([]posted, len(names))
	var wait sync.WaitGroup
	for i, name := range names {
		wait.Go(func() { all[i] = k.post(name) })
		synctest.Wait()
	}
	wait.Wait()
	return all
}

func numbered(n int) (names []string) {
	for i := range n {
		names = append(names, fmt.Sprint("p", i))
	}
	return names
}

// A post that comes alone is taken at once, also right after another one, and each for itself.
func TestLonePostsDoNotWait(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		k := newDesk()
		for range 3 {
			require.Equal(t, 10*time.Millisecond, k.post("p").took)
		}
		require.Equal(t, []string{"p", "p", "p"}, k.calls)
	})
}

// What arrives while a transaction is under way goes together into the next, in its order, each with its own answer; the
// ones after them begin some milliseconds apart.
func TestPostsGoTogether(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		k := newDesk()
		for _, p := range k.posts("a", "b", "c", "d") {
			require.NoError(t, p.err)
			require.Equal(t, p.name, p.in.Name)
			require.Equal(t, int64(1), p.in.Rows.Stored)
			require.LessOrEqual(t, p.took, 20*time.Millisecond)
		}
		require.Equal(t, []string{"a", "b c d"}, k.calls)
		synctest.Wait()
		require.False(t, k.sites["S"].taking, "nobody is left to take from an empty line")
	})
	synctest.Test(t, func(t *testing.T) {
		var begun []time.Duration
		k, start := newDesk(), time.Now()
		k.Take = func(_ context.Context, _ string, all []tracker.Arrival) ([]tracker.Taken, error) {
			begun = append(begun, time.Since(start))
			time.Sleep(time.Millisecond) // here and below the clock of the bubble: no time passes
			return make([]tracker.Taken, len(all)), nil
		}
		var wait sync.WaitGroup
		for i := range 40 { // one each half millisecond
			wait.Go(func() { k.post(fmt.Sprint(i)) })
			time.Sleep(time.Millisecond / 2) // the clock of the bubble
		}
		wait.Wait()
		time.Sleep(apart) // the line ends, by the clock of the bubble
		require.Greater(t, len(begun), 5)
		for i := 4; i < len(begun); i++ { // the first ones come alone
			require.GreaterOrEqual(t, begun[i]-begun[i-1], apart)
		}
	})
}

// However many wait, a transaction takes a bounded number, and beyond another bound a post is told to come back.
func TestBounds(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		k := newDesk()
		all := k.posts(numbered(2*mostAtOnce + 2)...)
		require.False(t, slices.ContainsFunc(all, func(p posted) bool { return p.err != nil }))
		var sizes []int
		for _, c := range k.calls {
			sizes = append(sizes, len(strings.Fields(c)))
		}
		require.Equal(t, []int{1, mostAtOnce, mostAtOnce, 1}, sizes)
	})
	synctest.Test(t, func(t *testing.T) {
		k := newDesk()
		all := k.posts(numbered(mostWaiting + 3)...) // the first of them is under way
		refused := slices.DeleteFunc(slices.Clone(all), func(p posted) bool { return p.err == nil })
		require.Len(t, refused, 2)
		for _, p := range refused {
			require.ErrorIs(t, p.err, ErrBusy)
			require.Zero(t, p.took)
		}
	})
}

// One post that cannot be taken, for whatever reason, keeps no other out, and costs a few tries.
func TestOnePostSpoilsNoOther(t *testing.T) {
	t.Parallel()
	for reason, err := range map[string]error{"a fault": errors.New("no"), "its connection is cut": tracker.ErrAway, "panic": nil} {
		synctest.Test(t, func(t *testing.T) {
			k := newDesk()
			k.fails = func(names []string) error {
				if !slices.Contains(names, "p33") {
					return nil
				}
				if err == nil {
					panic("a fault of the program")
				}
				return err
			}
			for _, p := range k.posts(numbered(101)...) {
				if p.name != "p33" {
					require.NoError(t, p.err, reason)
					require.Equal(t, p.name, p.in.Name)
				} else if require.Error(t, p.err, reason); err != nil {
					require.ErrorIs(t, p.err, err)
				}
			}
			require.Less(t, len(k.calls), 20)
		})
	}
}

// A database that is away is not asked once for each post: all are told soon.
func TestAwayIsNotAskedForEach(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		k := newDesk()
		k.fails = func([]string) error { return tracker.ErrAway }
		for _, p := range k.posts(numbered(101)...) {
			require.ErrorIs(t, p.err, tracker.ErrAway)
		}
		require.Less(t, len(k.calls), 12)
		k.fails = nil
		require.NoError(t, k.post("later").err, "it is asked again for the next")
	})
}

// A database that neither answers nor refuses is given up on.
func TestHangingIsGivenUp(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		k := newDesk()
		k.Take = func(ctx context.Context, _ string, _ []tracker.Arrival) ([]tracker.Taken, error) {
			<-ctx.Done()
			return nil, ctx.Err()
		}
		for _, p := range k.posts("a", "b", "c") {
			require.ErrorIs(t, p.err, context.DeadlineExceeded)
			require.LessOrEqual(t, p.took, 2*longestTake)
		}
	})
}

// A small log read whole is the log itself, however often it is read.
func TestWholeIsReadAgain(t *testing.T) {
	t.Parallel()
	text := "sensor,at,celsius\nA,2025-11-12T08:00:00Z,5\nA,2025-11-12T08:05:00Z,\nB,2025-11-12T08:00:00Z,warm\nB,2025-11-12T08:05:00Z,6\n"
	p, err := templog.NewParser(strings.NewReader(text), nil, templog.Options{})
	require.NoError(t, err)
	w, err := ReadWhole(p)
	require.NoError(t, err)
	for range 2 {
		v, buf := w.fromStart(), make([]templog.Value, 1)
		var lines []int32
		for {
			n, err := v.Next(buf)
			if err != nil {
				break
			}
			lines = append(lines, buf[:n][0].Line)
		}
		require.Equal(t, []int32{2, 5}, lines)
		require.Equal(t, []string{"A", "B"}, v.Sensors())
		require.Equal(t, templog.Rows{Read: 4, Missing: 1, Refused: 1}, v.Rows())
		require.Len(t, v.Refused(), 1)
	}
}
