package tracker

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/templog"
	"vialward/tracker/thermal"
)

// taking is one delivery under way.
type taking struct {
	t   *Tracker
	set *stock.Site
	d   Delivery
	via string
	now time.Time
	in  Intake

	fresh bool // it begins in the transaction that finishes it

	given, unwanted int64 // values so far; those refused here since one was taken
	lastRefused     templog.Refusal

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

func (t *Tracker) taking(set *stock.Site, now time.Time, a Actor, d Delivery) *taking {
	return &taking{t: t, set: set, d: d, via: a.Via, now: now, in: Intake{
		Source: d.Source, Name: d.Name, By: a.Person.Code, ReceivedAt: now, Digest: d.Digest, Layout: d.Layout, Zone: d.Zone,
	}}
}

// read sorts values to their sensors and stores a chunk whenever enough has come together. It answers why the log could not
// be read to its end, or why what was read could not be stored.
func (k *taking) read(ctx context.Context, buf []templog.Value) (stop, failed error) {
	for {
		n, err := k.d.Values.Next(buf)
		k.given += int64(n)
		for _, v := range buf[:n] {
			k.take(v)
		}
		if k.held >= chunk {
			if err := k.store(ctx); err != nil {
				return nil, err
			}
		}
		switch {
		case errors.Is(err, io.EOF):
			return nil, nil
		case err != nil:
			return err, nil
		case k.unwanted >= mostUnwanted:
			line, _ := k.d.Values.At()
			return &templog.DocumentError{Line: line, Sound: true, Why: fmt.Sprintf("the %d values before this line were all refused, as line %d was: %s",
				k.unwanted, k.lastRefused.Line, k.lastRefused.Why)}, nil
		}
	}
}

// took says that a value was taken.
func (k *taking) took() bool { return k.begun() || k.held > 0 }

// keeps says whether what stands before the point where reading stopped is kept: it is sound and some of it is taken, or so
// much that a part is on record already.
func (k *taking) keeps(stop error) bool {
	var d *templog.DocumentError
	return k.begun() || k.took() && errors.As(stop, &d) && d.Sound
}

// stopped notes that the rest of the delivery was not read. It is listed among what was refused, and in no class.
func (k *taking) stopped(why error) {
	line, at := k.d.Values.At()
	n := &NotRead{FromLine: line, Why: why.Error()}
	if d := (*templog.DocumentError)(nil); errors.As(why, &d) && d.Line == line {
		n.Why = d.Why
	}
	if k.d.Bytes > at {
		n.Bytes = k.d.Bytes - at
	}
	k.in.NotRead = n
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
		k.unwanted = 0
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
	k.unwanted++
	k.lastRefused = templog.Refusal{Line: line, Why: why}
	if len(k.refused) < mostRefused {
		k.refused = append(k.refused, templog.Refusal{Line: line, Why: why})
	}
}
