package web

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"vialward/alerts"
	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/thermal"
)

// casePage is an excursion with everything it touched.
type casePage struct {
	caseLine
	Name       string // of the unit
	UnitLink   string
	Raised     moment
	Recovered  moment
	MergedInto string // link
	Picture    picture
	Excursions []excursionLine
	Touched    []touchedLine
	All        int // vials touched, each once
	HeldNow    int
	Decided    []decidedLine
	Mails      []mailLine
}

// decidedLine is what somebody decided on vials of a case.
type decidedLine struct {
	eventLine
	Vials []vialLink
}

type vialLink struct{ Code, Link string }

func (p casePage) Title() string { return fmt.Sprintf("Case %d, %s %s", p.No, p.Unit, p.What) }

// excursionLine is one sensor's part of a case: when it was last known good, and good again.
type excursionLine struct {
	Sensor, Shelves, What                 string
	LastGood, FirstBad, LastBad, NextGood moment
	Beyond                                string
	Extreme                               string
	Readings, Freeze                      int
	Rule, Source                          string
	NotBorneOut                           bool
	Part                                  bool // of an older one
}

// touchedLine is vials of one batch that stood in one place then and are in one place now.
type touchedLine struct {
	Name, Batch, Link string
	Count             int
	Serials           string
	Then              string
	Possible          bool
	Now               string
	Standing          standingWord
	Decided           string
	Allowed           string
}

func casePageOf(ctx context.Context, v *visit) (content, error) {
	no, err := strconv.ParseInt(v.r.PathValue("no"), 10, 64)
	if err != nil || no < 1 {
		return nil, wrong(http.StatusBadRequest, "%q is not the number of a case; they are 1, 2, 3 and so on.", v.r.PathValue("no"))
	}
	found, err := v.view.Cases(ctx, tracker.CaseQuery{No: no})
	if err != nil {
		return nil, err
	}
	if len(found) == 0 {
		return nil, wrong(http.StatusNotFound, "There is no case %d at %s.", no, v.site.Name)
	}
	c := found[0]
	unit, _, _ := v.site.UnitAt(c.Unit)
	p := casePage{caseLine: v.caseLine(c, 0), Name: unit.Name, UnitLink: v.link("/units/", c.Unit), Raised: v.at(c.RaisedAt), Recovered: v.at(c.RecoveredAt)}
	if c.MergedInto > 0 {
		p.MergedInto = v.link("/cases/", c.MergedInto)
	}
	if err := v.touched(ctx, &p, c); err != nil {
		return nil, err
	}
	from, to := around(c, v.now)
	near, err := v.view.Cases(ctx, tracker.CaseQuery{Unit: c.Unit, From: from, To: to})
	if err != nil {
		return nil, err
	}
	if p.Picture, err = v.trace(ctx, unit, from, to, near); err != nil {
		return nil, err
	}
	for _, x := range c.Excursions {
		l, err := v.excursionLine(ctx, unit, x)
		if err != nil {
			return nil, err
		}
		p.Excursions = append(p.Excursions, l)
	}
	p.Mails, err = v.mailsOf(ctx, c)
	return p, err
}

// around is what the picture of a case shows: it and three hours to either side, 30 days at most.
func around(c tracker.Case, now time.Time) (from, to time.Time) {
	const margin = 3 * time.Hour
	from, to = c.From, c.To
	for _, x := range c.Excursions {
		if w := x.Found.WorstFromMicros; w > 0 && w < from.UnixMicro() {
			from = time.UnixMicro(w).UTC()
		}
		if w := x.Found.WorstToMicros; w > 0 && !to.IsZero() && w > to.UnixMicro() {
			to = time.UnixMicro(w).UTC()
		}
	}
	if to.IsZero() || to.Add(margin).After(now) {
		to = now
	} else {
		to = to.Add(margin)
	}
	from = from.Add(-margin)
	if to.Sub(from) > 30*24*time.Hour {
		from = to.Add(-30 * 24 * time.Hour)
	}
	return from, to
}

// excursionLine looks up the first reading beyond the limit: the excursion itself keeps where the line crosses it.
func (v *visit) excursionLine(ctx context.Context, u stock.Unit, x tracker.ExcursionRow) (excursionLine, error) {
	f := x.Found
	l := excursionLine{
		Sensor: x.Sensor, Shelves: shelfWords(x.Shelves), What: stock.ExcursionWord(string(f.Kind)), LastGood: v.atMicros(f.WorstFromMicros),
		NextGood: v.atMicros(f.WorstToMicros), Readings: f.Readings, Freeze: f.FreezeReadings, NotBorneOut: x.NotBorneOut, Part: x.MergedInto > 0,
	}
	for _, r := range v.ruleLines(u) {
		if r.Kind == l.What {
			l.Rule, l.Source = r.Say, r.Source
		}
	}
	if f.Kind == thermal.NoData {
		end := v.now.UnixMicro()
		if f.ToMicros > 0 {
			end = f.ToMicros
		}
		l.Beyond = span(time.Duration(end-f.FromMicros)*time.Microsecond) + " without temperatures"
		return l, nil
	}
	l.LastBad, l.Extreme = v.atMicros(f.LastMicros), v.degrees(f.ExtremeMilliC)
	l.Beyond = span(time.Duration(f.BeyondMicros)*time.Microsecond) + " beyond the limit"
	raw, _, err := v.view.Readings(ctx, x.Sensor, time.UnixMicro(f.FromMicros), time.UnixMicro(f.FromMicros).Add(24*time.Hour))
	for _, r := range raw {
		if r.AtMicros > f.WorstFromMicros { // a reading at the limit itself is good, and the line crosses there
			l.FirstBad = v.atMicros(r.AtMicros)
			break
		}
	}
	return l, err
}

// touched groups every vial a hold of the case meets: by where it was then, not by where it is now.
func (v *visit) touched(ctx context.Context, p *casePage, c tracker.Case) error {
	holds, err := v.view.Holds(ctx, c.No)
	if err != nil {
		return err
	}
	g := touchedGroups{index: map[touchedKey]int{}, serials: map[touchedKey]map[int]bool{}}
	counted, held := map[string]bool{}, map[string]bool{}
	for _, h := range holds {
		all, err := v.view.Touched(ctx, h.ID)
		if err != nil {
			return err
		}
		for _, x := range all {
			counted[x.Vial.Code] = true
			if !x.Released && !x.Vial.State.Closed() {
				held[x.Vial.Code] = true
			}
			if err := g.add(ctx, v, x); err != nil {
				return err
			}
		}
	}
	p.All, p.HeldNow, p.Held = len(counted), len(held), len(held)
	p.Touched = g.finish()
	decided, err := present.DecidedOn(ctx, v.view, c, slices.Collect(maps.Keys(counted)))
	for _, e := range decided {
		l := decidedLine{eventLine: v.eventLine(e)}
		for _, code := range e.Vials {
			l.Vials = append(l.Vials, vialLink{code, v.link("/vials/", code)})
		}
		p.Decided = append(p.Decided, l)
	}
	return err
}

type touchedKey struct {
	batch, then, now, standing, decided string
	possible                            bool
}

type touchedGroups struct {
	index   map[touchedKey]int
	serials map[touchedKey]map[int]bool
	lines   []touchedLine
}

func (g *touchedGroups) add(ctx context.Context, v *visit, x tracker.TouchedVial) error {
	decided := "ON HOLD: to be decided"
	switch {
	case x.Released:
		decided = "released"
	case x.Vial.State.Closed():
		decided = "not released; gone"
	}
	s := v.standingOf(x.Vial)
	k := touchedKey{x.Vial.Batch, placeWords(x.Stay.Unit, x.Stay.Shelf), v.whereNow(x.Vial), s.Word, decided, x.Stay.Possible}
	if g.serials[k] == nil {
		product, err := v.product(ctx, x.Vial.Product, x.Vial.Version)
		if err != nil {
			return err
		}
		g.serials[k], g.index[k] = map[int]bool{}, len(g.lines)
		g.lines = append(g.lines, touchedLine{
			Name: product.FullName(), Batch: x.Vial.Batch, Link: v.link("/batches/", x.Vial.Batch), Then: k.then, Possible: k.possible, Now: k.now,
			Standing: standingWord{s.Word, s.Class, nil}, Decided: decided, Allowed: allowedOut(product),
		})
	}
	g.serials[k][x.Vial.Serial] = true
	return nil
}

func (g *touchedGroups) finish() []touchedLine {
	for k, i := range g.index {
		var n []int
		for s := range g.serials[k] {
			n = append(n, s)
		}
		slices.Sort(n)
		g.lines[i].Count, g.lines[i].Serials = len(n), stock.SayNumbers(n)
	}
	slices.SortStableFunc(g.lines, func(a, b touchedLine) int {
		return cmp.Or(compareText(a.Decided, b.Decided), compareText(a.Then, b.Then))
	})
	return g.lines
}

// caseMails is how far back the outbox is looked through for a case's mails.
const caseMails = 5000

// mailsOf a case are those of its thread, and the ones about it that stand alone.
func (v *visit) mailsOf(ctx context.Context, c tracker.Case) ([]mailLine, error) {
	rows, err := v.view.Outbox(ctx, caseMails)
	if err != nil {
		return nil, err
	}
	var out []mailLine
	thread, about := fmt.Sprintf("case/%d/", c.No), fmt.Sprintf("|case/%d|", c.No)
	for _, m := range slices.Backward(rows) {
		if strings.HasPrefix(m.Thread, thread) || strings.Contains(m.DedupeKey, about) {
			out = append(out, v.mailLine(m))
		}
	}
	return out, nil
}

// mailLine is a mail and its fate in one line.
func (v *visit) mailLine(m alerts.Row) mailLine {
	return mailLine{
		ID: m.ID, Link: v.link("/outbox/", m.ID), To: m.To, Subject: m.Subject, Kind: strings.ReplaceAll(string(m.Kind), "_", " "),
		Severity: string(m.Severity), Created: v.at(m.Created), State: mailState(m), Failed: m.State == alerts.Failed, Why: m.LastError, Answer: m.Answer, Attempts: m.Attempt,
	}
}
