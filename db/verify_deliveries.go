package db

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"vialward/tracker/chain"
	"vialward/tracker/stock"
	"vialward/tracker/templog"
)

// intakeEvent is an event that speaks for some of a delivery, or for its end. It is all that is held of it while the
// readings are walked: 80 bytes a delivery.
type intakeEvent struct {
	intake, seq int64
	first, last int64 // micros; what time its readings are of
	rows        int32 // of readings
	ends        bool
	digest      chain.Hash
}

func newIntakeEvent(e *eventRow) intakeEvent {
	b := e.event.Body
	i := intakeEvent{intake: b.Intake, seq: e.seq, rows: int32(b.Number), ends: e.event.Kind == stock.IntakeTaken}
	if h, err := chain.ParseHead("0:" + b.Digest); err == nil { // another is no digest, and fits nothing
		i.digest = h.Hash
	}
	if b.Since != nil && b.Until != nil {
		i.first, i.last = b.Since.UnixMicro(), b.Until.UnixMicro()
	}
	return i
}

type intakeRow struct {
	ID                int64
	Source, Name, By  string
	ReceivedAt        time.Time
	Digest            []byte
	Layout, Zone      string
	Rows              templog.Rows
	Finished          *time.Time
	Seq, WithdrawnSeq *int64
}

func scanIntake(r pgx.CollectableRow) (intakeRow, error) {
	var x intakeRow
	err := r.Scan(&x.ID, &x.Source, &x.Name, &x.By, &x.ReceivedAt, &x.Digest, &x.Layout, &x.Zone, &x.Rows.Read, &x.Rows.Stored, &x.Rows.Duplicate,
		&x.Rows.Conflicting, &x.Rows.Missing, &x.Rows.Refused, &x.Finished, &x.Seq, &x.WithdrawnSeq)
	return x, err
}

type readingRow struct {
	intake  int64
	part, n int32
	line    string
}

func scanReading(r pgx.CollectableRow) (readingRow, error) {
	var x readingRow
	var sensor string
	var low, high int32
	var from, to time.Time
	var packed []byte
	if err := r.Scan(&x.intake, &x.part, &sensor, &from, &to, &x.n, &low, &high, &packed); err != nil {
		return x, err
	}
	rs, err := unpack(nil, packed)
	if err != nil {
		rs = nil // damaged: what is hashed fits nothing
	}
	x.line = readingsLine(sensor, x.part, from, to, x.n, low, high, chain.Of(readingText(nil, sensor, rs)))
	return x, nil
}

type refusedRow struct {
	intake int64
	line   string
}

func scanRefused(r pgx.CollectableRow) (refusedRow, error) {
	var x refusedRow
	var n int32
	var line int64
	var why string
	err := r.Scan(&x.intake, &n, &line, &why)
	x.line = refusedLine(n, line, why)
	return x, err
}

// deliveries holds every delivery, what it refused and every reading it stored against the events that speak for it.
func (v *verifier) deliveries(ctx context.Context) error {
	slices.SortFunc(v.intakes, func(a, b intakeEvent) int { return cmp.Or(cmp.Compare(a.intake, b.intake), cmp.Compare(a.seq, b.seq)) })
	intakes, err := open(ctx, v, scanIntake, `select intake, source, name, by_person, received_at, digest, layout, zone, values_read, stored, duplicate, conflicting, missing,
		refused, finished_at, seq, withdrawn_seq from intake where site = %d order by intake`, v.site.Site)
	if err != nil {
		return err
	}
	stored, err := open(ctx, v, scanReading, `select intake, part, sensor, from_at, to_at, n, min_millic, max_millic, packed from reading
		where site = %d order by intake, part`, v.site.Site)
	if err != nil {
		return err
	}
	refused, err := open(ctx, v, scanRefused, `select intake, n, line, why from refused_value where site = %d order by intake, n`, v.site.Site)
	if err != nil {
		return err
	}
	d := deliveries{v: v, readings: stored, refused: refused}
	if err := intakes.each(ctx, func(x intakeRow) error { return d.look(ctx, x) }); err != nil {
		return err
	}
	for _, e := range v.intakes {
		v.out.Row(e.seq, chain.Removed, "delivery %d was removed; event %d speaks for it", e.intake, e.seq)
	}
	if err := d.beyond(ctx, 1<<62); err != nil {
		return err
	}
	return v.totals(ctx, d.total)
}

// deliveries are being looked at in the order of their numbers, each with its rows of other tables.
type deliveries struct {
	v        *verifier
	readings *cursor[readingRow]
	refused  *cursor[refusedRow]
	total    templog.Rows
}

// look at one delivery: take its events, readings and refused values off those that are still to be looked at.
func (d *deliveries) look(ctx context.Context, x intakeRow) error {
	v := d.v
	v.out.Intakes++
	if x.Finished != nil {
		d.total = addRows(d.total, x.Rows)
	}
	for len(v.intakes) > 0 && v.intakes[0].intake < x.ID {
		v.out.Row(v.intakes[0].seq, chain.Removed, "delivery %d was removed; event %d speaks for it", v.intakes[0].intake, v.intakes[0].seq)
		v.intakes = v.intakes[1:]
	}
	if err := d.beyond(ctx, x.ID); err != nil {
		return err
	}
	var parts int32
	var ended int64
	events := 0
	for ; len(v.intakes) > 0 && v.intakes[0].intake == x.ID; events++ {
		e := v.intakes[0]
		v.intakes = v.intakes[1:]
		var b chain.Brought
		if events == 0 {
			b.Add(arrivedLine(x.ID, x.Source, x.Name, x.By, x.ReceivedAt, x.Digest, x.Layout, x.Zone))
		}
		parts += e.rows
		found, err := d.takeReadings(ctx, x.ID, parts, &b)
		if err != nil {
			return err
		}
		if e.ends {
			ended = e.seq
			b.Add(finishedLine(x.ID, x.Rows.Read, x.Rows.Stored, x.Rows.Duplicate, x.Rows.Conflicting, x.Rows.Missing, x.Rows.Refused, x.Finished))
			if err := d.takeRefused(ctx, x.ID, &b); err != nil {
				return err
			}
		}
		d.speaksFor(e, x, &b, e.rows-found)
	}
	switch {
	case events == 0:
		v.out.Row(0, chain.SlippedIn, "delivery %d (%s): no event speaks for it", x.ID, x.Name)
	case orNone(x.Seq) != ended:
		v.out.Row(ended, chain.Disagrees, "delivery %d (%s) ended with event %d by its row, with %d by the events", x.ID, x.Name, orNone(x.Seq), ended)
	}
	if w := v.withdrawn[x.ID]; orNone(x.WithdrawnSeq) != w {
		v.out.Row(max(w, orNone(x.WithdrawnSeq)), chain.Disagrees, "delivery %d (%s) was withdrawn by event %d by its row, by %d by the events (0 = it was not)", x.ID, x.Name, orNone(x.WithdrawnSeq), w)
	}
	return d.beyond(ctx, x.ID+1)
}

func orNone(seq *int64) int64 {
	if seq == nil {
		return 0
	}
	return *seq
}

// takeReadings adds a delivery's rows of readings up to a part.
func (d *deliveries) takeReadings(ctx context.Context, intake int64, upTo int32, b *chain.Brought) (found int32, err error) {
	for {
		r, err := d.readings.peek(ctx, 0)
		if err != nil || r == nil || r.intake != intake || r.part > upTo {
			return found, err
		}
		b.Add(r.line)
		found++
		d.v.out.Readings += int64(r.n)
		d.readings.take()
	}
}

func (d *deliveries) takeRefused(ctx context.Context, intake int64, b *chain.Brought) error {
	for {
		r, err := d.refused.peek(ctx, 0)
		if err != nil || r == nil || r.intake != intake {
			return err
		}
		b.Add(r.line)
		d.refused.take()
	}
}

// speaksFor compares what was found with what an event was recorded for.
func (d *deliveries) speaksFor(e intakeEvent, x intakeRow, b *chain.Brought, missing int32) {
	out := &d.v.out
	switch {
	case b.Digest() == e.digest.String():
	case missing > 0:
		out.Row(e.seq, chain.Removed, "delivery %d (%s): %d rows of readings that event %d speaks for were removed", x.ID, x.Name, missing, e.seq)
	case missing < 0:
		out.Row(e.seq, chain.SlippedIn, "delivery %d (%s): %d rows of readings that event %d does not speak for were slipped in", x.ID, x.Name, -missing, e.seq)
	default:
		out.Row(e.seq, chain.Changed, "delivery %d (%s): a reading, a refused value or what it says of itself was changed since event %d", x.ID, x.Name, e.seq)
	}
}

// beyond faults readings and refused values of deliveries before a number that nothing took.
func (d *deliveries) beyond(ctx context.Context, before int64) error {
	for {
		r, err := d.readings.peek(ctx, 0)
		if err != nil {
			return err
		}
		if r == nil || r.intake >= before {
			break
		}
		d.v.out.Row(0, chain.SlippedIn, "readings of delivery %d that no event speaks for", r.intake)
		d.readings.take()
	}
	for {
		r, err := d.refused.peek(ctx, 0)
		if err != nil || r == nil || r.intake >= before {
			return err
		}
		d.v.out.Row(0, chain.SlippedIn, "a refused value of delivery %d that no event speaks for", r.intake)
		d.refused.take()
	}
}

func addRows(a, b templog.Rows) templog.Rows {
	return templog.Rows{
		Read: a.Read + b.Read, Stored: a.Stored + b.Stored, Duplicate: a.Duplicate + b.Duplicate, Conflicting: a.Conflicting + b.Conflicting,
		Missing: a.Missing + b.Missing, Refused: a.Refused + b.Refused,
	}
}

// totals: the site's sum over all deliveries is their sum.
func (v *verifier) totals(ctx context.Context, want templog.Rows) error {
	var have templog.Rows
	err := v.q.QueryRow(ctx, `select values_read, stored, duplicate, conflicting, missing, refused from intake_total where site = $1`, v.site.Site).
		Scan(&have.Read, &have.Stored, &have.Duplicate, &have.Conflicting, &have.Missing, &have.Refused)
	if err != nil && !errors.Is(err, pgx.ErrNoRows) {
		return fmt.Errorf("read what became of all values: %w", err)
	}
	if have != want {
		v.out.Row(0, chain.Disagrees, "what became of all values is summed up as %+v, and the deliveries come to %+v", have, want)
	}
	return nil
}
