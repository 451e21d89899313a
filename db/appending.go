package db

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"

	"github.com/jackc/pgx/v5"

	"vialward/tracker"
	"vialward/tracker/chain"
	"vialward/tracker/stock"
)

// errUnbound would be a fault of an operation: a row that no event speaks for could be changed unnoticed.
var errUnbound = errors.New("rows were stored for an event that was not recorded")

// unbound is what the next event of a transaction has to speak for.
type unbound struct {
	handed                      // rows of any event
	delivered handed            // of a delivery; only events about deliveries speak for those
	kept      map[string]string // by row that changes: how it stands now; see KeepsRows
}

// handed are rows that were handed over.
type handed struct {
	brought chain.Brought
	pending []func(b *pgx.Batch, seq int64) // to be stored with the event
}

func (h handed) empty() bool { return h.brought.Empty() && len(h.pending) == 0 }

// Append gives an event its place at the end of the site's chain, and stores with it what it brings. It takes the site's
// head lock, so events are numbered in the order in which they commit.
func (t *tx) Append(ctx context.Context, e *stock.Event) error {
	if err := t.Order(ctx); err != nil {
		return err
	}
	e.Site, e.Seq = t.id, t.head.Seq+1
	u := t.handed
	t.handed = handed{}
	if e.Kind == stock.IntakePart || e.Kind == stock.IntakeTaken {
		if !u.empty() {
			return errUnbound
		}
		u, t.delivered = t.delivered, handed{}
	}
	if e.Kind.KeepsRows() {
		doc, err := keptText(t.kept)
		if err != nil {
			return fmt.Errorf("record %s: %w", e.Kind, err)
		}
		e.Body.Details, t.kept = doc, nil
	}
	e.Body.Digest = u.brought.Digest()
	if e.Body.Signature != nil {
		rows, err := signedRows(ctx, t.q, t.id, *e)
		if err != nil {
			return err
		}
		s := *e.Body.Signature
		s.Over = signedOver(*e, e.Body.Digest, rows)
		e.Body.Signature = &s
	}
	canonical := e.Canonical()
	next := t.head.Next(chain.Content(canonical))
	b := &pgx.Batch{}
	b.Queue(`insert into event (site, seq, kind, at, entered_at, by_person, via, canonical, hash) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		t.id, e.Seq, string(e.Kind), e.At, e.EnteredAt, e.By, e.Via, string(canonical), next.Hash[:])
	if len(e.Vials) > 0 {
		b.Queue(`insert into event_vial (site, vial, seq) select $1, v, $2 from unnest($3::text[]) v`, t.id, e.Seq, e.Vials)
	}
	for _, insert := range u.pending {
		insert(b, e.Seq)
	}
	for _, q := range b.QueuedQueries {
		t.q.later("record "+string(e.Kind), q.SQL, q.Arguments...)
	}
	t.head, t.last = next, e.EnteredAt
	return nil
}

// keptText is the rows of cases as an event carries them: a list of their lines.
func keptText(kept map[string]string) (string, error) {
	if len(kept) == 0 {
		return "", nil
	}
	var lines []json.RawMessage
	for _, key := range slices.Sorted(maps.Keys(kept)) {
		lines = append(lines, json.RawMessage(kept[key]))
	}
	b, err := json.Marshal(lines)
	return string(b), err
}

// bindRest ends a transaction that left cases in another state than its events say: one more event says it.
func (t *tx) bindRest(ctx context.Context) error {
	if len(t.kept) > 0 && !t.last.IsZero() && t.handed.empty() {
		e := stock.Event{Kind: stock.RowsKept, At: t.last, EnteredAt: t.last, By: tracker.Rule.Person.Code, Via: tracker.Rule.Via}
		if err := t.Append(ctx, &e); err != nil {
			return err
		}
	}
	if !t.handed.empty() || !t.delivered.empty() || len(t.kept) > 0 {
		return errUnbound
	}
	return nil
}

// Head is the newest place in the site's chain.
func (t *tx) Head(ctx context.Context) (chain.Head, error) {
	if t.ordered {
		return t.head, nil
	}
	h, err := t.readHead(ctx, "")
	if err != nil {
		return h, fmt.Errorf("read the head of site %s: %w", t.site.Code, err)
	}
	return h, nil
}

func (t *tx) readHead(ctx context.Context, lock string) (h chain.Head, err error) {
	var hash []byte
	if err := t.q.QueryRow(ctx, `select head, head_hash from site where site = $1 `+lock, t.id).Scan(&h.Seq, &hash); err != nil {
		return h, err
	}
	copy(h.Hash[:], hash)
	return h, nil
}
