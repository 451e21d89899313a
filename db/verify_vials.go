package db

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"vialward/tracker"
	"vialward/tracker/chain"
	"vialward/tracker/stock"
)

// vials holds every row about vials against what their events come to: the vials, which events are theirs, where they
// were, their own holds, and what closed them.
func (v *verifier) vials(ctx context.Context) error {
	for _, part := range []func(context.Context) error{v.vialRows, v.vialEvents, v.stays, v.vialHolds, v.closings} {
		if err := part(ctx); err != nil {
			return err
		}
	}
	return nil
}

type vialRow struct {
	stock.Vial
	closedAt time.Time
}

func (v *verifier) scanVialRow(r pgx.CollectableRow) (vialRow, error) {
	x := vialRow{Vial: stock.Vial{Site: v.site.Site}}
	var holds string
	var punctured, closed *time.Time
	err := r.Scan(&x.Code, &x.Batch, &x.Serial, &x.Product, &x.Version, &x.PreparedBy, &x.VerifiedBy, &x.State, &x.BUD, &x.Label,
		&x.Unit, &x.Shelf, &x.Area, &x.Dest, &punctured, &x.LastSeen, &x.ClosedBy, &holds, &x.Seq, &closed)
	if err != nil {
		return x, err
	}
	x.Verified, x.EnteredAt, x.closedAt = x.VerifiedBy != "", orZero(punctured), orZero(closed)
	return x, json.Unmarshal([]byte(holds), &x.Holds)
}

func (v *verifier) vialRows(ctx context.Context) error {
	rows, err := open(ctx, v, v.scanVialRow, `select vial, batch, serial, product, version, prepared_by, coalesce(verified_by, ''), state, bud, label,
		coalesce(unit, ''), coalesce(shelf, ''), coalesce(area, ''), coalesce(destination, ''), punctured_at, last_seen, coalesce(closed_by, ''),
		holds, seq, closed_at from vial where site = %d order by vial`, v.site.Site)
	if err != nil {
		return err
	}
	seen := map[string]bool{}
	err = rows.each(ctx, func(r vialRow) error {
		v.out.Vials++
		seen[r.Code] = true
		sum := v.sums[r.Code]
		if sum == nil {
			v.out.Row(r.Seq, chain.SlippedIn, "vial %s has a row and no event", r.Code)
			return nil
		}
		if d := tracker.Differs(sum.Vial, r.Vial); d != "" {
			v.out.Row(sum.Vial.Seq, chain.Disagrees, "vial %s, last changed by event %d: %s", r.Code, sum.Vial.Seq, d)
		}
		if !r.closedAt.Equal(sum.Ended) {
			v.out.Row(sum.Vial.Seq, chain.Disagrees, "vial %s ended at %s by its row, at %s by event %d", r.Code, sayInstant(r.closedAt), sayInstant(sum.Ended), sum.Vial.Seq)
		}
		return nil
	})
	for code, sum := range v.sums {
		if !seen[code] {
			v.out.Row(sum.Vial.Seq, chain.Removed, "vial %s has events, the last of them %d, and no row", code, sum.Vial.Seq)
		}
	}
	return err
}

// byVial runs f over the rows of each vial of a table at a time; rows of one vial stand beside each other.
func byVial[T any](ctx context.Context, c *cursor[T], vial func(T) string, f func(vial string, rows []T)) error {
	var group []T
	err := c.each(ctx, func(r T) error {
		if len(group) > 0 && vial(group[0]) != vial(r) {
			f(vial(group[0]), group)
			group = group[:0]
		}
		group = append(group, r)
		return nil
	})
	if len(group) > 0 {
		f(vial(group[0]), group)
	}
	return err
}

type vialSeq struct {
	Vial string
	Seq  int64
	Kind string
}

// vialEvents: the index from a vial to its events finds all of them, and no others.
func (v *verifier) vialEvents(ctx context.Context) error {
	rows, err := open(ctx, v, pgx.RowToStructByPos[vialSeq], `select vial, seq, '' from event_vial where site = %d order by vial, seq`, v.site.Site)
	if err != nil {
		return err
	}
	right := 0
	err = byVial(ctx, rows, func(r vialSeq) string { return r.Vial }, func(vial string, rows []vialSeq) {
		var seqs chain.Hash
		for _, r := range rows {
			seqs = tracker.NextSeq(seqs, r.Seq)
		}
		sum := v.sums[vial]
		if sum == nil || sum.Seqs != seqs {
			v.out.Row(lastSeq(sum), chain.Disagrees, "the index of events of vial %s does not lead to its events", vial)
		}
		right++
	})
	if err == nil && right != len(v.sums) {
		v.out.Row(0, chain.Removed, "the index of events knows %d vials, and the events %d", right, len(v.sums))
	}
	return err
}

func lastSeq(s *tracker.Sum) int64 {
	if s == nil {
		return 0
	}
	return s.Vial.Seq
}

type stayRow struct {
	Vial        string
	From        time.Time
	To          *time.Time
	Unit, Shelf string
	Seq         int64
}

// stays holds where each vial certainly was against its events; where it may have been besides is bound to the event that
// says so.
func (v *verifier) stays(ctx context.Context) error {
	rows, err := open(ctx, v, pgx.RowToStructByPos[stayRow],
		`select vial, from_at, to_at, unit, shelf, seq from stay where site = %d and not possible order by vial, seq`, v.site.Site)
	if err != nil {
		return err
	}
	right := map[string]bool{}
	err = byVial(ctx, rows, func(r stayRow) string { return r.Vial }, func(vial string, rows []stayRow) {
		right[vial] = true
		sum := v.sums[vial]
		if sum == nil {
			v.out.Row(rows[0].Seq, chain.SlippedIn, "a stay of vial %s, of which there is no event", vial)
			return
		}
		for i, s := range sum.Stays {
			if i < len(rows) && rows[i].is(s) {
				continue
			}
			v.out.Row(s.Seq, chain.Disagrees, "where vial %s was from %s on is not what event %d says: %s", vial, chain.Stamp(s.From), s.Seq, s.Place())
			return
		}
		if n := len(sum.Stays); len(rows) > n {
			v.out.Row(rows[n].Seq, chain.SlippedIn, "a stay of vial %s in %s/%s that no event says", vial, rows[n].Unit, rows[n].Shelf)
		}
	})
	for vial, sum := range v.sums {
		if len(sum.Stays) > 0 && !right[vial] {
			v.out.Row(sum.Stays[0].Seq, chain.Removed, "the stays of vial %s were removed", vial)
		}
	}
	return err
}

func (r stayRow) is(s tracker.SumStay) bool {
	return r.Seq == s.Seq && r.Unit == s.Unit && r.Shelf == s.Shelf && r.From.Equal(s.From) && orZero(r.To).Equal(s.To)
}

// vialHolds: the index of vials' own holds has those that stand, and no others.
func (v *verifier) vialHolds(ctx context.Context) error {
	return v.index(ctx, "own holds", `select vial, seq, kind from vial_hold where site = %d order by vial, seq`, func(s *tracker.Sum) (want []vialSeq) {
		for _, h := range s.Vial.Holds {
			want = append(want, vialSeq{s.Vial.Code, h.Seq, h.Kind})
		}
		return want
	})
}

// closings: the one standing closing event of each closed vial.
func (v *verifier) closings(ctx context.Context) error {
	return v.index(ctx, "end", `select vial, seq, kind from vial_closing where site = %d order by vial, seq`, func(s *tracker.Sum) []vialSeq {
		if !s.Vial.State.Closed() {
			return nil
		}
		return []vialSeq{{s.Vial.Code, s.Vial.Seq, string(s.Vial.State)}}
	})
}

func (v *verifier) index(ctx context.Context, what, sql string, want func(*tracker.Sum) []vialSeq) error {
	rows, err := open(ctx, v, pgx.RowToStructByPos[vialSeq], sql, v.site.Site)
	if err != nil {
		return err
	}
	found := map[string]bool{}
	wrong := func(vial string, s *tracker.Sum) {
		v.out.Row(lastSeq(s), chain.Disagrees, "the rows of the %s of vial %s are not what its events come to", what, vial)
	}
	err = byVial(ctx, rows, func(r vialSeq) string { return r.Vial }, func(vial string, rows []vialSeq) {
		found[vial] = true
		sum := v.sums[vial]
		if sum == nil || fmt.Sprint(want(sum)) != fmt.Sprint(rows) {
			wrong(vial, sum)
		}
	})
	for vial, sum := range v.sums {
		if !found[vial] && len(want(sum)) > 0 {
			wrong(vial, sum)
		}
	}
	return err
}
