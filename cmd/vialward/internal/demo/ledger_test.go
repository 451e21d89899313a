package demo_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/stock"
)

// entry is one vial in a ledger kept by hand: written from what the words of the events mean, apart from the code that
// keeps the vial rows, so that the two can disagree.
type entry struct {
	product, batch string
	state          string // shelf, bench, ward, given, discarded, lost, voided
	verified       bool
	bud            time.Time
	unit, shelf    string
	holds          map[string]int
	stays          []stay
	released       map[int64]int64 // case -> seq
}

type stay struct {
	unit, shelf string
	from, to    time.Time // zero = still
}

func (e *entry) onHand() bool { return e.state == "shelf" || e.state == "bench" }

func (e *entry) leave(at time.Time) {
	if n := len(e.stays); n > 0 && e.stays[n-1].to.IsZero() {
		e.stays[n-1].to = at
	}
	e.unit, e.shelf = "", ""
}

func (e *entry) goTo(place string, at time.Time) {
	e.leave(at)
	e.unit, e.shelf = stock.SplitPlace(place)
	e.stays = append(e.stays, stay{e.unit, e.shelf, at, time.Time{}})
}

func (e *entry) shorter(bud *time.Time) {
	if bud != nil && bud.Before(e.bud) {
		e.bud = bud.Truncate(time.Minute)
		e.holds["relabel"] = 1
	}
}

// ledger adds up events one after the other.
type ledger map[string]*entry

func (l ledger) add(t *testing.T, e stock.Event) {
	t.Helper()
	b := e.Body
	for _, code := range e.Vials {
		v := l[code]
		if e.Kind == stock.Prepared || e.Kind == stock.TakenOver {
			require.Nil(t, v, code)
			v = &entry{product: b.Product, batch: b.Batch, state: "bench", bud: *b.BUD, holds: map[string]int{}, released: map[int64]int64{}}
			if e.Kind == stock.TakenOver {
				v.state, v.verified = "shelf", true
				v.goTo(b.To, e.At)
			}
			l[code] = v
			continue
		}
		require.NotNil(t, v, "%s of %s, which nobody made", e.Kind, code)
		require.Contains(t, []string{"shelf", "bench", "ward"}, v.state, "%s of %s after its end", e.Kind, code)
		switch e.Kind { //nolint:exhaustive // the others change nothing here
		case stock.Verified:
			require.NotContains(t, v.batch, "?")
			v.verified, v.state = true, "shelf"
		case stock.Placed, stock.Moved, stock.Found:
			v.goTo(b.To, e.At)
			v.shorter(b.BUD)
			if b.Hold != "" {
				v.holds[b.Hold]++
			}
		case stock.Issued:
			require.True(t, v.verified, code)
			require.True(t, e.At.Before(v.bud), "%s issued %s, good until %s", code, e.At, v.bud)
			require.Empty(t, v.holds, code)
			v.leave(e.At)
			v.state = "ward"
		case stock.Given:
			require.Equal(t, "ward", v.state, code)
			v.state = "given"
		case stock.Returned:
			v.state = "shelf"
			v.goTo(b.To, e.At)
			v.holds["return"]++
		case stock.Entered, stock.Shortened:
			v.shorter(b.BUD)
		case stock.Released:
			v.shorter(b.BUD)
			v.released[b.Case] = e.Seq
		case stock.Held:
			v.holds[b.Hold]++
		case stock.Lifted:
			delete(v.holds, b.Hold)
		case stock.Relabel:
			delete(v.holds, "relabel")
		case stock.Discarded, stock.Lost, stock.Voided:
			v.leave(e.At)
			v.state = map[stock.Kind]string{stock.Discarded: "discarded", stock.Lost: "lost", stock.Voided: "voided"}[e.Kind]
		}
	}
}

// The ledger agrees with the rows, and nothing is made or ends without a trace.
func (p *played) recounts(t *testing.T) {
	l, made := ledger{}, 0
	for _, e := range p.events {
		l.add(t, e)
		if e.Kind == stock.Prepared || e.Kind == stock.TakenOver {
			made += len(e.Vials)
		}
	}
	words := map[stock.State]string{
		stock.InPreparation: "bench", stock.Available: "shelf", stock.WithWard: "ward", stock.WasGiven: "given",
		stock.WasDiscarded: "discarded", stock.WasLost: "lost", stock.WasVoided: "voided",
	}
	sums := map[string]int{}
	require.Len(t, p.vials, len(l))
	for _, v := range p.vials {
		e := l[v.Code]
		require.NotNil(t, e, v.Code)
		require.Equal(t, words[v.State], e.state, v.Code)
		require.True(t, v.BUD.Equal(e.bud), "%s: %s in its row, %s by its events", v.Code, v.BUD, e.bud)
		require.Equal(t, v.Unit+v.Shelf, e.unit+e.shelf, v.Code)
		require.Len(t, e.holds, len(v.Holds), v.Code)
		sums[e.state]++
	}
	require.Equal(t, made, sums["ward"]+sums["given"]+sums["discarded"]+sums["lost"]+sums["voided"]+sums["shelf"]+sums["bench"],
		"made + taken over = issued (given or open) + discarded + lost + voided + on hand: %v", sums)
}
