package db

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"vialward/tracker"
	"vialward/tracker/chain"
	"vialward/tracker/stock"
)

// eventRow is an event as its table has it.
type eventRow struct {
	seq           int64
	kind, by, via string
	at, entered   time.Time
	canonical     []byte
	content, hash chain.Hash
	event         stock.Event // as its line says
	unreadable    error
}

func scanEvent(r pgx.CollectableRow) (eventRow, error) {
	var e eventRow
	var hash []byte
	if err := r.Scan(&e.seq, &e.kind, &e.at, &e.entered, &e.by, &e.via, &e.canonical, &hash); err != nil {
		return e, err
	}
	copy(e.hash[:], hash)
	e.content = chain.Content(e.canonical)
	e.event, e.unreadable = stock.ParseEvent(e.canonical)
	return e, nil
}

func (e eventRow) row() chain.Row {
	return chain.Row{Seq: e.seq, Own: e.event.Seq, Content: e.content, Hash: e.hash}
}

// oddOrder is how much earlier than the one before an event may say it was entered: a long delivery is entered as of its
// beginning, and machines' clocks are set.
const oddOrder = 2 * time.Hour

// events walks the chain, folds every event into its vials, and holds what each brought against its digest.
func (v *verifier) events(ctx context.Context) error {
	rows, err := open(ctx, v, scanEvent, `select seq, kind, at, entered_at, by_person, via, canonical, hash from event where site = %d order by seq`, v.site.Site)
	if err != nil {
		return err
	}
	brought, err := v.openBrought(ctx)
	if err != nil {
		return err
	}
	var entered time.Time
	for {
		e, err := rows.peek(ctx, 0)
		if err != nil {
			return err
		}
		if e == nil {
			break
		}
		ahead, err := rows.peek(ctx, 1)
		if err != nil {
			return err
		}
		v.chained(e, ahead)
		v.itself(e, entered)
		if entered.Before(e.event.EnteredAt) {
			entered = e.event.EnteredAt
		}
		if err := v.bound(ctx, e, brought); err != nil {
			return err
		}
		if err := v.signed(ctx, e); err != nil {
			return err
		}
		v.remember(e)
		if v.out.Events++; v.o.Progress != nil && v.out.Events%100_000 == 0 {
			v.o.Progress(v.site.Code, v.out.Events)
		}
		rows.take()
	}
	v.closeChain()
	return v.unspokenFor(ctx, brought)
}

// chained looks at an event's place in the chain, and at the published heads.
func (v *verifier) chained(e *eventRow, ahead *eventRow) {
	var next *chain.Row
	if ahead != nil {
		r := ahead.row()
		next = &r
	}
	v.before = v.walker.Head.Hash
	v.out.Add(v.walker.Step(e.row(), next))
	for _, h := range v.o.Heads {
		if h.Seq == v.walker.Head.Seq && !v.passed[h.Seq] {
			v.passed[h.Seq] = true
			if h.Hash != v.walker.Head.Hash {
				v.out.Event(h.Seq, chain.Rewritten, "event %d or one before it was rewritten: the head published as %s is now %s", h.Seq, h, v.walker.Head)
			}
		}
	}
}

// itself looks at one event alone: its columns against its line, and its times.
func (v *verifier) itself(e *eventRow, entered time.Time) {
	if e.unreadable != nil {
		v.out.Event(e.seq, chain.Changed, "the line of event %d cannot be read: %s", e.seq, e.unreadable)
		return
	}
	l := e.event
	for _, c := range []struct {
		column     string
		have, want string
	}{{"kind", e.kind, string(l.Kind)}, {"by_person", e.by, l.By}, {"via", e.via, l.Via}, {"site", fmt.Sprint(v.site.Site), fmt.Sprint(l.Site)}} {
		if c.have != c.want {
			v.out.Event(e.seq, chain.Changed, "event %d: its column %s says %q, its line %q", e.seq, c.column, c.have, c.want)
		}
	}
	for _, c := range []struct {
		column     string
		have, want time.Time
	}{{"at", e.at, l.At}, {"entered_at", e.entered, l.EnteredAt}} {
		kind := chain.Changed
		if c.have.Before(c.want) {
			kind = chain.BackDated
		}
		if !c.have.Equal(c.want) {
			v.out.Event(e.seq, kind, "event %d: its column %s says %s, its line %s", e.seq, c.column, chain.Stamp(c.have), chain.Stamp(c.want))
		}
	}
	if l.At.After(l.EnteredAt.Add(time.Minute)) {
		v.out.Event(e.seq, chain.Changed, "event %d says that it happened after it was entered", e.seq)
	}
	if l.EnteredAt.Before(entered.Add(-oddOrder)) {
		v.out.Remark("event %d says that it was entered %s before one that stands before it: was the machine's clock set?", e.seq, entered.Sub(l.EnteredAt).Round(time.Minute))
	}
	if err := v.sums.Add(l); err != nil {
		v.out.Row(e.seq, chain.Disagrees, "%s", err)
	}
}

// signed looks at the signature under an event, against the record as it stands.
func (v *verifier) signed(ctx context.Context, e *eventRow) error {
	if e.unreadable != nil || !e.event.Signed() && e.event.Body.Signature == nil {
		return nil
	}
	why, err := tracker.SignatureStands(e.event, func() (string, error) { return signedNow(ctx, v.q, v.site.Site, e.event) })
	if err == nil && why != "" {
		v.broken = append(v.broken, chain.Fault{Seq: e.seq, Kind: chain.Disagrees, Row: true, Say: fmt.Sprintf("signature broken under event %d (%s by %s): %s", e.seq, e.kind, e.by, why)})
	}
	return err
}

// remember keeps what the rows of other tables have to agree with later.
func (v *verifier) remember(e *eventRow) {
	b := e.event.Body
	switch k := e.event.Kind; {
	case k == stock.SweepConfirmed:
		s := v.sweeps[int64(b.Number)]
		s.confirmedAt, s.confirmedBy, s.confirmed = e.event.At, e.event.By, e.seq
		v.sweeps[int64(b.Number)] = s
	case k == stock.SweepMissed && b.Number > 0:
		s := v.sweeps[int64(b.Number)]
		s.missedAt, s.missed = e.event.EnteredAt, e.seq
		v.sweeps[int64(b.Number)] = s
	case k == stock.IntakeWithdrawn:
		v.withdrawn[b.Intake] = e.seq
	case k == stock.IntakePart, k == stock.IntakeTaken:
		v.intakes = append(v.intakes, newIntakeEvent(e))
	}
	if !e.event.Kind.KeepsRows() || b.Details == "" {
		return
	}
	var lines []json.RawMessage
	err := json.Unmarshal([]byte(b.Details), &lines)
	for _, l := range lines {
		var cells []json.RawMessage
		if err = errors.Join(err, json.Unmarshal(l, &cells)); err != nil || len(cells) < 2 {
			break
		}
		v.kept[strings.Trim(string(cells[0]), `"`)+" "+strings.Trim(string(cells[1]), `"`)] = keptRow{string(l), e.seq}
	}
	if err != nil {
		v.out.Event(e.seq, chain.Changed, "how rows stand by event %d cannot be read: %s", e.seq, err)
	}
}

// closeChain looks at the head that stands beside the events, and at published ones the events never came by.
func (v *verifier) closeChain() {
	stored := chain.Head{Seq: v.site.Head}
	copy(stored.Hash[:], v.site.HeadHash)
	v.out.Add(v.walker.Close(stored))
	v.out.Head = v.walker.Head
	for _, h := range v.o.Heads {
		if h.Seq > 0 && !v.passed[h.Seq] {
			v.out.Event(h.Seq, chain.Removed, "event %d was published as %s, and is not there", h.Seq, h)
		}
	}
}
