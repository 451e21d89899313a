package web

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// unitPage is a storage unit: how cold, what went wrong, what is inside, what watches it.
type unitPage struct {
	Code, Name, Room string
	Class            stock.Storage
	Hazardous        bool
	Capacity         int
	MoveTo           []string
	Probes           []probeNow
	Periods          []choice
	Earlier, Later   string // links; Later "" = this is now
	Picture          picture
	Cases            []caseLine // within the time shown
	Older            []caseLine // the last few before it
	Stock            stockCount
	Shelves          []shelfStock
	Sensors          []sensorLine
	Rules            []ruleLine
	Work             []workLine
}

func (p unitPage) Title() string { return p.Code }

type choice struct {
	Say, Link string
	Now       bool
}

// shelfStock is what stands on a shelf, one line a batch and standing.
type shelfStock struct {
	Shelf    string
	Cold     bool // a cold spot
	NotSetUp bool
	All      int
	Lines    []stockLine
}

type sensorLine struct {
	probeNow
	Liquid      bool
	Certificate string
	Due         moment
	Overdue     bool
	Offset      string
	Uncertainty string
}

type ruleLine struct{ Kind, Say, Source string }

type workLine struct {
	From, To   moment
	Reason, By string
	Now        bool
}

// periods a trace can show.
var periods = []struct {
	name, say string
	long      time.Duration
}{
	{"12h", "12 hours", 12 * time.Hour}, {"24h", "24 hours", 24 * time.Hour}, {"3d", "3 days", 72 * time.Hour},
	{"7d", "7 days", 7 * 24 * time.Hour}, {"30d", "30 days", 30 * 24 * time.Hour},
}

const usualPeriod = "24h"

// unitQuery is what can be asked of the page.
type unitQuery struct {
	unit   stock.Unit
	room   stock.RoomPlace
	period string
	long   time.Duration
	until  time.Time
}

func (v *visit) unitQuery() (unitQuery, error) {
	q := unitQuery{period: usualPeriod, until: v.now}
	var ok bool
	if q.unit, q.room, ok = v.site.UnitAt(v.r.PathValue("code")); !ok {
		return q, wrong(http.StatusNotFound, "There is no storage unit %q at %s. Today's page lists those there are.", v.r.PathValue("code"), v.site.Name)
	}
	if p := v.r.URL.Query().Get("period"); p != "" {
		q.period = p
	}
	for _, p := range periods {
		if p.name == q.period {
			q.long = p.long
		}
	}
	if q.long == 0 {
		return q, wrong(http.StatusBadRequest, "A trace shows 12h, 24h, 3d, 7d or 30d, not %q. Choose one of them.", q.period)
	}
	if u := v.r.URL.Query().Get("until"); u != "" {
		t, err := time.Parse(time.RFC3339, u)
		if err != nil || t.Year() < 2000 || t.Year() > 2200 {
			return q, wrong(http.StatusBadRequest, "%q is not the end of a time to show; it reads like 2025-11-12T07:00:00-05:00.", u)
		}
		if q.until = t.UTC(); q.until.After(v.now) {
			q.until = v.now // what has not come yet is not missing
		}
	}
	return q, nil
}

func unitPageOf(ctx context.Context, v *visit) (content, error) {
	q, err := v.unitQuery()
	if err != nil {
		return nil, err
	}
	from := q.until.Add(-q.long)
	p := unitPage{
		Code: q.unit.Code, Name: q.unit.Name, Room: q.room.Words(), Class: q.unit.Class, Hazardous: q.unit.HazardousOnly, Capacity: q.unit.Capacity,
		MoveTo: q.unit.MoveTo,
	}
	v.periodLinks(&p, q)
	cases, err := v.view.Cases(ctx, tracker.CaseQuery{Unit: q.unit.Code, From: from, To: q.until.Add(time.Second)})
	if err != nil {
		return nil, err
	}
	if p.Picture, err = v.trace(ctx, q.unit, from, q.until, cases); err != nil {
		return nil, err
	}
	if err := v.unitCases(ctx, &p, cases, from); err != nil {
		return nil, err
	}
	if err := v.unitStock(ctx, &p, q.unit); err != nil {
		return nil, err
	}
	sensors, err := v.view.SensorsNow(ctx)
	if err != nil {
		return nil, err
	}
	unheard, err := tracker.UnheardSensors(ctx, v.view, v.now)
	if err != nil {
		return nil, err
	}
	opening, err := tracker.Openings(ctx, v.view, v.now)
	if err != nil {
		return nil, err
	}
	p.Probes = v.probes(q.unit, sensors, unheard, opening)
	p.Sensors, p.Rules = v.sensorLines(p.Probes), v.ruleLines(q.unit)
	work, err := v.view.PlannedWork(ctx, q.unit.Code, from, v.now.Add(30*24*time.Hour))
	for _, w := range work {
		p.Work = append(p.Work, workLine{v.at(w.From), v.at(w.To), w.Reason, v.who(w.By), !v.now.Before(w.From) && v.now.Before(w.To)})
	}
	return p, err
}

func (v *visit) periodLinks(p *unitPage, q unitQuery) {
	page := v.link("/units/", q.unit.Code)
	asked := v.r.URL.Query().Has("until")
	until := func(link string, t time.Time) string { return with(link, "until", t.In(v.zone).Format(time.RFC3339)) }
	for _, x := range periods {
		link := with(page, "period", x.name)
		if asked {
			link = until(link, q.until)
		}
		p.Periods = append(p.Periods, choice{x.say, link, x.name == q.period})
	}
	page = with(page, "period", q.period)
	p.Earlier = until(page, q.until.Add(-q.long))
	if asked && q.until.Before(v.now) {
		p.Later = page
		if next := q.until.Add(q.long); next.Before(v.now) {
			p.Later = until(page, next)
		}
	}
}

// unitCases lists the cases of the time shown, and a few before it.
func (v *visit) unitCases(ctx context.Context, p *unitPage, shown []tracker.Case, from time.Time) error {
	held, err := v.heldByCase(ctx)
	if err != nil {
		return err
	}
	for _, c := range shown {
		p.Cases = append(p.Cases, v.caseLine(c, held[c.No]))
	}
	before, err := v.view.Cases(ctx, tracker.CaseQuery{Unit: p.Code, To: from, Limit: 5 + len(shown)})
	for _, c := range before {
		if !slices.ContainsFunc(shown, func(s tracker.Case) bool { return s.No == c.No }) && len(p.Older) < 5 {
			p.Older = append(p.Older, v.caseLine(c, held[c.No]))
		}
	}
	return err
}

// unitStock sorts what is inside by shelf, in walking order, those the site does not have last.
func (v *visit) unitStock(ctx context.Context, p *unitPage, u stock.Unit) error {
	vials, err := v.view.Find(ctx, tracker.VialQuery{Unit: u.Code, States: []stock.State{stock.InPreparation, stock.Available}})
	if err != nil {
		return err
	}
	byShelf := map[string][]stock.Vial{}
	for _, x := range vials {
		p.Stock.add(v.shown, x)
		byShelf[x.Shelf] = append(byShelf[x.Shelf], x)
	}
	add := func(s shelfStock) error {
		s.All = len(byShelf[s.Shelf])
		s.Lines, err = v.stockLines(ctx, byShelf[s.Shelf])
		p.Shelves = append(p.Shelves, s)
		delete(byShelf, s.Shelf)
		return err
	}
	for _, s := range u.Shelves {
		if err := add(shelfStock{Shelf: s.Code, Cold: s.ColdSpot}); err != nil {
			return err
		}
	}
	for _, x := range vials {
		if _, left := byShelf[x.Shelf]; left {
			if err := add(shelfStock{Shelf: x.Shelf, NotSetUp: true}); err != nil {
				return err
			}
		}
	}
	return nil
}

func (v *visit) sensorLines(probes []probeNow) []sensorLine {
	var out []sensorLine
	for _, p := range probes {
		s, _ := v.site.Sensor(p.Sensor)
		l := sensorLine{probeNow: p, Liquid: s.InLiquid}
		if c, ok := s.CalibrationAt(v.now); ok {
			l.Certificate, l.Due, l.Overdue = c.Certificate, v.at(c.Due), !c.Due.IsZero() && !v.now.Before(c.Due)
			l.Offset, l.Uncertainty = decimal(int64(c.OffsetMilliC))+" °C", decimal(int64(c.UncertaintyMilliC))+" °C"
		}
		out = append(out, l)
	}
	return out
}

func (v *visit) ruleLines(u stock.Unit) []ruleLine {
	var out []ruleLine
	for _, r := range v.site.RulesOf(u) {
		l := ruleLine{stock.ExcursionWord(r.Kind), "", r.Source}
		limit := decimal(int64(r.LimitMilliC)) + " °C"
		switch r.Kind {
		case "warm":
			l.Say = "above " + limit
		case "cold":
			l.Say = "below " + limit
		case "freeze":
			l.Say = "one reading at or below " + limit + " plus the sensor's uncertainty"
		default:
			l.Say = v.silenceWords(u, r)
		}
		if r.Delay > 0 && r.Kind != "no_data" {
			l.Say += " for " + span(r.Delay)
		}
		if r.Window > 0 {
			l.Say += " in all within " + span(r.Window)
		}
		if r.Hold {
			l.Say += "; holds stock"
		}
		l.Source = fmt.Sprintf("Source: %s", r.Source)
		out = append(out, l)
	}
	return out
}

// silenceWords say when a unit's temperatures are missing: the rule's delay, or a sensor's own figure where that is longer.
func (v *visit) silenceWords(u stock.Unit, r stock.AlarmRule) string {
	var all []string
	for _, s := range v.site.Sensors {
		if a, ok := s.At(v.now); ok && a.Unit == u.Code {
			all = append(all, fmt.Sprintf("%s: nothing received for %s, or readings more than %s apart", s.Code, span(tracker.SilenceOpens(s, r.Delay)), span(s.MaxGap)))
		}
	}
	if len(all) == 0 {
		return "no sensor is there now"
	}
	return strings.Join(all, "; ")
}
