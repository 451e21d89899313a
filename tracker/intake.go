package tracker

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/templog"
	"vialward/tracker/thermal"
	"vialward/tracker/walltime"
)

// Values is a log being read; *templog.Parser is one.
type Values interface {
	Next(buf []templog.Value) (int, error)
	Sensors() []string
	Rows() templog.Rows
	Refused() []templog.Refusal
}

// Delivery is a file or a post of readings as it arrives.
type Delivery struct {
	Source  string // http, folder, command, mail
	Name    string
	Digest  []byte // SHA-256 of its bytes, when known
	Layout  string // as described now; "" = plain form
	Zone    string
	Live    bool     // it comes as it is measured: its clock can be judged by its arrival
	Sensors []string // the only ones this source may write; none = all
	Values  Values
}

// chunk is how many readings are kept before they are stored: 16 MB of them. A delivery that stays below it is one
// transaction; a larger one is a transaction for each sensor and chunk, so a large file locks nothing for long.
const chunk = 1 << 20

// mostRefused bounds the list that is kept; the count beside it is exact.
const mostRefused = 10_000

// TakeIn stores what is new of a delivery, finds the excursions in it and holds the stock they touched. Every value is
// stored, known already, conflicting, missing or refused, and the sum is what was read. Sending it again is harmless;
// interrupted halfway, what was taken stays and the rest is taken when it is sent again.
func (t *Tracker) TakeIn(ctx context.Context, site string, a Actor, d Delivery) (Intake, error) {
	k := &taking{t: t, site: site, d: d, via: a.Via, now: walltime.Cut(t.Now())}
	k.in = Intake{Source: d.Source, Name: d.Name, By: a.Person.Code, ReceivedAt: k.now, Digest: d.Digest, Layout: d.Layout, Zone: d.Zone}
	if err := t.Store.Read(ctx, site, func(v View) error { k.set = v.Site(); return a.may(k.set, access.WriteReadings, k.now) }); err != nil {
		return k.in, err
	}
	if err := k.read(ctx); err != nil {
		return k.in, fmt.Errorf("take in %s: %w", d.Name, err)
	}
	if err := k.finish(ctx); err != nil {
		return k.in, fmt.Errorf("take in %s: %w", d.Name, err)
	}
	return k.in, nil
}

// taking is one delivery under way.
type taking struct {
	t    *Tracker
	site string
	set  *stock.Site
	d    Delivery
	via  string
	now  time.Time
	in   Intake

	pending []sensorValues // by the log's own index
	held    int            // readings in pending
	parts   int            // rows of readings stored so far
	own     int64          // refused here, beyond what the parser refused
	refused []templog.Refusal
	late    []LateFind
}

type sensorValues struct {
	code     string
	why      string // why its values are refused; "" = they are not
	readings []thermal.Reading
}

// read sorts values to their sensors and stores a chunk whenever enough has come together.
func (k *taking) read(ctx context.Context) error {
	buf := make([]templog.Value, 4096)
	for {
		n, err := k.d.Values.Next(buf)
		for _, v := range buf[:n] {
			k.take(v)
		}
		if k.held >= chunk {
			if err := k.store(ctx); err != nil {
				return err
			}
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

func (k *taking) take(v templog.Value) {
	for len(k.pending) <= int(v.Sensor) {
		k.pending = append(k.pending, k.sensor(k.d.Values.Sensors()[len(k.pending)]))
	}
	s := &k.pending[v.Sensor]
	switch {
	case s.why != "":
		k.refuse(int(v.Line), s.why)
	case thermal.FromFuture(v.AtMicros, k.now.UnixMicro()):
		k.refuse(int(v.Line), fmt.Sprintf("a reading from the future: %s, and it is %s; look at the logger's clock and zone",
			time.UnixMicro(v.AtMicros).UTC().Format(time.RFC3339), k.now.Format(time.RFC3339)))
	default:
		s.readings = append(s.readings, thermal.Reading{AtMicros: v.AtMicros, MilliC: v.MilliC})
		k.held++
	}
}

func (k *taking) sensor(code string) sensorValues {
	s := sensorValues{code: code}
	if _, ok := k.set.Sensor(code); !ok {
		s.why = fmt.Sprintf("sensor %q is not set up at site %s; add it to the site file, or correct the name", code, k.set.Code)
	} else if len(k.d.Sensors) > 0 && !slices.Contains(k.d.Sensors, code) {
		s.why = fmt.Sprintf("this token may not write readings of sensor %q", code)
	}
	return s
}

func (k *taking) refuse(line int, why string) {
	k.own++
	if len(k.refused) < mostRefused {
		k.refused = append(k.refused, templog.Refusal{Line: line, Why: why})
	}
}

// store writes what is pending, a transaction for each sensor.
func (k *taking) store(ctx context.Context) error {
	for i := range k.pending {
		s := &k.pending[i]
		if len(s.readings) == 0 {
			continue
		}
		var e effects
		err := k.t.Store.In(ctx, k.site, func(tx Tx) (err error) {
			if e, err = k.one(ctx, tx, s); err != nil {
				return err
			}
			return k.record(ctx, tx, stock.IntakePart, e.intake, e)
		})
		if err != nil {
			return fmt.Errorf("readings of %s: %w", s.code, err)
		}
		k.add(e, s)
	}
	return nil
}

// effects is what one sensor's chunk came to; kept apart until its transaction has committed, since it may run twice.
type effects struct {
	intake                         int64
	parts                          int // rows of readings
	first, last                    int64
	stored, duplicate, conflicting int
	late                           []LateFind
}

func (k *taking) add(e effects, s *sensorValues) {
	k.in.ID = e.intake
	k.parts += e.parts
	k.in.Rows.Stored += int64(e.stored)
	k.in.Rows.Duplicate += int64(e.duplicate)
	k.in.Rows.Conflicting += int64(e.conflicting)
	k.late = append(k.late, e.late...)
	k.held -= len(s.readings)
	s.readings = s.readings[:0]
}

// one stores what is new of one sensor and judges it, under the sensor's lock.
func (k *taking) one(ctx context.Context, tx Tx, s *sensorValues) (effects, error) {
	var e effects
	var err error
	if e.intake, err = k.begin(ctx, tx); err != nil {
		return e, err
	}
	now, err := tx.LockSensor(ctx, s.code)
	if err != nil {
		return e, err
	}
	slices.SortStableFunc(s.readings, func(a, b thermal.Reading) int { return cmp.Compare(a.AtMicros, b.AtMicros) })
	first, last := s.readings[0].AtMicros, s.readings[len(s.readings)-1].AtMicros
	var known []thermal.Reading
	if !now.LastAt.IsZero() && first <= now.LastAt.UnixMicro() { // else nothing stored can meet it
		parts, err := tx.Raw(ctx, s.code, time.UnixMicro(first), time.UnixMicro(last+1))
		if err != nil {
			return e, err
		}
		known = slices.Concat(parts...)
		slices.SortFunc(known, func(a, b thermal.Reading) int { return cmp.Compare(a.AtMicros, b.AtMicros) })
	}
	fresh, duplicates, conflicting := thermal.Classify(known, s.readings)
	e.duplicate, e.conflicting, e.stored = duplicates, conflicting, len(s.readings)-duplicates-conflicting
	if len(fresh) > 0 {
		if e.parts, err = tx.AddReadings(ctx, e.intake, k.parts+1, s.code, fresh); err != nil {
			return e, err
		}
		e.first, e.last = fresh[0].AtMicros, fresh[len(fresh)-1].AtMicros
	}
	sensor, _ := tx.Site().Sensor(s.code)
	j := &judgement{t: k.t, tx: tx, sensor: sensor, now: &now, at: k.now, live: k.d.Live}
	if err := j.take(ctx, fresh, last); err != nil {
		return e, err
	}
	e.late = j.late
	return e, tx.SaveSensor(ctx, now)
}

// record appends the event that speaks for what this transaction stores of the delivery: in Number how many rows of
// readings, in Since and Until what time they are of.
func (k *taking) record(ctx context.Context, tx Tx, kind stock.Kind, intake int64, stored ...effects) error {
	b := stock.Body{Intake: intake}
	for _, e := range stored {
		if e.parts == 0 {
			continue
		}
		first, last := time.UnixMicro(e.first).UTC(), time.UnixMicro(e.last).UTC()
		if b.Number += e.parts; b.Since == nil || first.Before(*b.Since) {
			b.Since = &first
		}
		if b.Until == nil || last.After(*b.Until) {
			b.Until = &last
		}
	}
	e := stock.Event{Kind: kind, At: k.now, EnteredAt: k.now, By: k.in.By, Via: k.via, Body: b}
	return tx.Append(ctx, &e)
}

// begin makes the intake's row with the first thing stored.
func (k *taking) begin(ctx context.Context, tx Tx) (int64, error) {
	if k.in.ID > 0 {
		return k.in.ID, nil
	}
	return tx.NewIntake(ctx, k.in)
}

// finish stores the rest and the classes in one transaction, and tells of what was found in late data.
func (k *taking) finish(ctx context.Context) error {
	pending := slices.DeleteFunc(slices.Clone(k.pending), func(s sensorValues) bool { return len(s.readings) == 0 })
	slices.SortFunc(pending, func(a, b sensorValues) int { return cmp.Compare(a.code, b.code) }) // one order of locks
	parsed := k.d.Values.Rows()
	before, lateBefore, partsBefore := k.in, k.late, k.parts
	return k.t.Store.In(ctx, k.site, func(tx Tx) error {
		k.in, k.late, k.parts = before, lateBefore, partsBefore
		var stored []effects
		id, err := k.begin(ctx, tx)
		if err != nil {
			return err
		}
		k.in.ID = id
		for i := range pending { // all sensors before anything is judged
			if _, err := tx.LockSensor(ctx, pending[i].code); err != nil {
				return err
			}
		}
		for i := range pending {
			s := pending[i] // its readings stay as they are in case this runs again
			e, err := k.one(ctx, tx, &s)
			if err != nil {
				return fmt.Errorf("readings of %s: %w", s.code, err)
			}
			k.add(e, &s)
			stored = append(stored, e)
		}
		k.in.Finished = k.now
		k.in.Rows.Read, k.in.Rows.Missing, k.in.Rows.Refused = parsed.Read, parsed.Missing, parsed.Refused+k.own
		k.in.Refused = slices.Concat(k.d.Values.Refused(), k.refused)
		slices.SortStableFunc(k.in.Refused, func(a, b templog.Refusal) int { return cmp.Compare(a.Line, b.Line) })
		if err := tx.FinishIntake(ctx, k.in); err != nil {
			return err
		}
		if err := k.record(ctx, tx, stock.IntakeTaken, k.in.ID, stored...); err != nil {
			return err
		}
		return k.t.tellLate(ctx, tx, fmt.Sprintf("intake/%d", k.in.ID), k.in.Name, k.now, k.late)
	})
}
