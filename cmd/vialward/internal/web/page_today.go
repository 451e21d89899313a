package web

import (
	"context"
	"fmt"
	"time"

	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/thermal"
)

// todayPage is what needs hands now, in order, and then the walk past every storage unit.
type todayPage struct {
	Needs  []need
	Coming []need
	Rooms  []roomWalk
}

func (todayPage) Title() string { return "Today" }

// need is one line of work.
type need struct {
	Word  string // what kind of work, in capitals
	Class string // of the style sheet: act (now), look (soon), calm
	Say   string
	When  moment
	Link  string
	Rows  []string
}

// roomWalk is a room with its storage units, in walking order.
type roomWalk struct {
	Code, Name string
	Units      []unitWalk
}

type unitWalk struct {
	Code, Name, Link string
	Class            stock.Storage
	Hazardous        bool
	Probes           []probeNow
	Stock            stockCount
	Capacity         int
	Cases            []string // open ones, in words
}

// stockCount is how a place's vials stand.
type stockCount struct{ All, Usable, Held, Unchecked, Past int }

func (c *stockCount) add(s shown, v stock.Vial) {
	c.All++
	past, held := !s.now.Before(v.BUD), len(v.Holds)+len(v.Touches) > 0
	if held {
		c.Held++
	}
	if past {
		c.Past++
	}
	if v.State == stock.InPreparation {
		c.Unchecked++
	}
	if !held && !past && v.State == stock.Available {
		c.Usable++
	}
}

// probeNow is a sensor's newest reading, or NO DATA where it is older than two of its intervals.
type probeNow struct {
	Sensor, Shelves string
	Degrees         string // "" = no data
	At              moment
	Range           string // how it stands to the unit's limits: "in range", "ABOVE 8.0 °C"
	Out             bool
	Silent          moment // since when
	Clock           string // a sentence, when its clock is suspect
	Stuck           moment // it has shown one value and no other since then
	Warming         string // a sentence: between when it opens an excursion if it goes on; "" = nothing to say
	Never           bool   // not one reading of it is on record
	Assigned        moment // to this unit
	Overdue         bool   // never heard, though it would have delivered by now
	Unproven        string // a sentence, where stock stands in its place and no temperature of that is on record
}

// todayReads is what today's page reads once.
type todayReads struct {
	*visit
	vials   []stock.Vial // not closed
	cases   []tracker.Case
	sensors []tracker.SensorNow
	unheard []tracker.UnheardSensor
	opening []tracker.Opening
}

func todayPageOf(ctx context.Context, v *visit) (content, error) {
	d := &todayReads{visit: v}
	var err error
	if d.vials, err = v.view.Find(ctx, tracker.VialQuery{States: []stock.State{stock.InPreparation, stock.Available, stock.WithWard}}); err != nil {
		return nil, err
	}
	if d.cases, err = v.view.Cases(ctx, tracker.CaseQuery{OpenOnly: true}); err != nil {
		return nil, err
	}
	if d.sensors, err = v.view.SensorsNow(ctx); err != nil {
		return nil, err
	}
	if d.unheard, err = tracker.UnheardSensors(ctx, v.view, v.now); err != nil {
		return nil, err
	}
	if d.opening, err = tracker.Openings(ctx, v.view, v.now); err != nil {
		return nil, err
	}
	p := todayPage{Rooms: d.walk()}
	for _, find := range []func(context.Context) ([]need, error){
		d.openCases, d.unconfirmedLists, d.warming, d.pastInStock, d.toDecide, d.quietSensors, d.calibrations, d.waitingMail,
	} {
		more, err := find(ctx)
		if err != nil {
			return nil, err
		}
		p.Needs = append(p.Needs, more...)
	}
	p.Coming, err = d.coming(ctx)
	return p, err
}

// walk is every unit as somebody passing it would ask: how cold, how much, what is wrong.
func (d *todayReads) walk() []roomWalk {
	counts := map[string]*stockCount{}
	for _, x := range d.vials {
		if x.Unit == "" {
			continue
		}
		if counts[x.Unit] == nil {
			counts[x.Unit] = &stockCount{}
		}
		counts[x.Unit].add(d.shown, x)
	}
	var rooms []roomWalk
	for _, r := range d.site.Rooms {
		room := roomWalk{Code: r.Code, Name: r.Name}
		for _, u := range r.Units {
			w := unitWalk{
				Code: u.Code, Name: u.Name, Link: d.link("/units/", u.Code), Class: u.Class, Hazardous: u.HazardousOnly, Capacity: u.Capacity,
				Probes: d.probes(u, d.sensors, d.unheard, d.opening),
			}
			if c := counts[u.Code]; c != nil {
				w.Stock = *c
			}
			for _, c := range d.cases {
				if c.Unit == u.Code {
					w.Cases = append(w.Cases, d.caseWords(c))
				}
			}
			room.Units = append(room.Units, w)
		}
		rooms = append(rooms, room)
	}
	return rooms
}

// probes of a unit as they stand now.
func (v *visit) probes(u stock.Unit, sensors []tracker.SensorNow, unheard []tracker.UnheardSensor, opening []tracker.Opening) []probeNow {
	var out []probeNow
	for _, s := range v.site.Sensors {
		a, ok := s.At(v.now)
		if !ok || a.Unit != u.Code {
			continue
		}
		p := probeNow{Sensor: s.Code, Shelves: shelfWords(a.Shelves), Assigned: v.at(a.From)}
		for _, x := range unheard {
			if x.Sensor == s.Code {
				p.Never, p.Overdue, p.Unproven = true, x.Overdue, v.unprovenWords(x)
			}
		}
		for _, o := range opening {
			if o.Sensor == s.Code {
				p.Warming = v.warmingWords(o)
			}
		}
		for _, n := range sensors {
			if n.Sensor != s.Code {
				continue
			}
			p.Silent, p.Clock, p.Stuck = v.at(n.SilentSince), n.ClockSuspect, v.at(n.StuckSince(s))
			if n.LastAt.IsZero() {
				continue
			}
			p.At = v.clock(n.LastAt)
			if tooOld(s, n.LastAt, v.now) {
				continue
			}
			last := tracker.Corrected(s, n.LastAt, n.LastMilliC)
			p.Degrees = v.degrees(last)
			p.Range, p.Out = v.rangeWords(u, last)
		}
		out = append(out, p)
	}
	return out
}

// warmingWords name both bounds; the earliest is cut to its minute and the latest goes up to the next.
func (s shown) warmingWords(o tracker.Opening) string {
	return fmt.Sprintf("if it goes on, an excursion opens between %s and %s", s.clock(o.Earliest).Say, s.clock(o.Latest.Add(time.Minute-time.Microsecond)).Say)
}

// unprovenWords says plainly of which stock no temperature is on record; "" for none.
func (v *visit) unprovenWords(x tracker.UnheardSensor) string {
	if len(x.Unproven) == 0 {
		return ""
	}
	place := x.Unit
	if at := x.UnprovenAt(); at != "" {
		place += ", " + at
	}
	since := v.at(x.Since).Say
	if x.Before {
		return fmt.Sprintf("No temperature is on record for %s since %s, when another logger's time there ended: nothing proves how its %s kept since", place, since, wereKept(len(x.Unproven)))
	}
	return fmt.Sprintf("No temperature has ever been recorded for %s: nothing proves how its %s kept; the first stood there %s", place, wereKept(len(x.Unproven)), since)
}

func wereKept(vials int) string {
	if vials == 1 {
		return "1 vial was"
	}
	return fmt.Sprintf("%d vials were", vials)
}

// tooOld: a number older than two intervals would be read as the temperature now.
func tooOld(s stock.Sensor, last, now time.Time) bool {
	return now.Sub(last) > 2*max(s.Interval, s.DeliversEvery)
}

// rangeWords says how a temperature stands to a unit's limits; "" where it has none.
func (v *visit) rangeWords(u stock.Unit, m thermal.MilliC) (words string, out bool) {
	low, high, freeze := v.limits(u)
	switch {
	case freeze != nil && m <= *freeze:
		return "AT OR BELOW FREEZING LIMIT " + v.degrees(*freeze), true
	case low != nil && m < *low:
		return "BELOW " + v.degrees(*low), true
	case high != nil && m > *high:
		return "ABOVE " + v.degrees(*high), true
	case low == nil && high == nil:
		return "", false
	}
	return "in range", false
}

// limits are a unit's warm, cold and freeze rules; nil = it has none of a kind.
func (v *visit) limits(u stock.Unit) (low, high, freeze *thermal.MilliC) {
	for _, r := range v.site.RulesOf(u) {
		m := thermal.MilliC(r.LimitMilliC)
		switch thermal.Kind(r.Kind) {
		case thermal.Cold:
			low = &m
		case thermal.Warm:
			high = &m
		case thermal.Freeze:
			freeze = &m
		case thermal.NoData:
		}
	}
	return low, high, freeze
}
