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

// read sorts values to their sensors and stores a chunk whenever enough has come together.
func (k *taking) read(ctx context.Context, buf []templog.Value) error {
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
