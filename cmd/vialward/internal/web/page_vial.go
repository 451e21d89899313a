package web

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"time"

	"vialward/cmd/vialward/internal/present"
	"vialward/cmd/vialward/internal/render"
	"vialward/tracker"
	"vialward/tracker/label"
	"vialward/tracker/stock"
)

// vialPage is everything the record knows of one vial.
type vialPage struct {
	Code, Name, Batch, BatchLink string
	Serial                       int
	Standing                     standingWord
	OldLabel                     int // number scanned, when the vial carries a newer one; 0 = no
	Label                        int
	Where                        string
	WhereLink                    string
	LastSeen                     moment
	Made, VerifiedBy             string
	Holds                        []string
	BUD                          budTable
	Shortened                    bool // earlier than its batch's
	Events                       []eventLine
	Stays                        []stayLine
	Cases                        []caseMet
	Exposure                     []present.ExposureFact
	ExposureMeaning              string
	Rules                        []fact
	DoLink, LabelsLink           string // "" = it is gone
}

func (p vialPage) Title() string { return "Vial " + p.Code }

// budTable is a batch's date with every limit it was chosen from.
type budTable struct {
	Now, AtStart moment // of the vial now; of its batch
	Governs      string
	Candidates   []candidateLine
}

type candidateLine struct {
	Limit, Source string
	At            moment
	Governs       bool
	Confirmed     bool
}

type eventLine struct {
	Seq          int64
	What         string
	More         []string
	At, Entered  moment
	EnteredLater bool
	Late         bool
	By, Via      string
	Broken       string // why the signature under it does not stand
}

type stayLine struct {
	Where, Link string
	From, To    moment
	Possible    bool
	How         string // how cold it was there, in words
}

type caseMet struct {
	caseLine
	Decided string // how this vial stands to it
}

// fact is a line of a list of things that are so.
type fact struct{ Name, Say string }

func vialPageOf(ctx context.Context, v *visit) (content, error) {
	code, err := label.CheckCode(v.r.PathValue("code"))
	if err != nil {
		return nil, wrong(http.StatusBadRequest, "%s.", err)
	}
	found, err := v.view.Find(ctx, tracker.VialQuery{Codes: []string{code}})
	if err != nil {
		return nil, err
	}
	if len(found) == 0 {
		return nil, wrong(http.StatusNotFound, "Vial %s is not in the record of %s. Do not use it; put it aside and ask a pharmacist.", code, v.site.Name)
	}
	x := found[0]
	product, err := v.product(ctx, x.Product, x.Version)
	if err != nil {
		return nil, err
	}
	batch, err := v.view.Batch(ctx, x.Batch)
	if err != nil {
		return nil, err
	}
	p := vialPage{
		Code: x.Code, Name: product.FullName(), Batch: x.Batch, BatchLink: v.link("/batches/", x.Batch), Serial: x.Serial, Standing: v.standingOf(x),
		OldLabel: oldLabel(v.r.URL.Query().Get("label"), x.Label), Label: x.Label, Where: v.whereNow(x), LastSeen: v.at(x.LastSeen),
		Made: v.madeBy(x), VerifiedBy: v.who(x.VerifiedBy), Holds: v.ownHolds(x), BUD: v.budTable(batch, x.BUD),
		Shortened: x.BUD.Before(batch.BUD), Rules: productFacts(product),
	}
	if !x.State.Closed() || x.State == stock.WasLost {
		p.DoLink, p.LabelsLink = with(v.link("/scan"), "vial", x.Code), with(v.link("/batches/"+x.Batch+"/labels"), "vial", x.Code)
	}
	if x.Unit != "" {
		p.WhereLink = v.link("/units/", x.Unit)
	}
	return p, v.fillLife(ctx, &p, x)
}

func (v *visit) madeBy(x stock.Vial) string {
	if x.PreparedBy == stock.Before {
		return "Prepared before the record began"
	}
	return "Prepared by " + v.who(x.PreparedBy)
}

// oldLabel is the number of the label that was scanned, if a newer one has replaced it.
func oldLabel(scanned string, current int) int {
	if n, err := strconv.Atoi(scanned); err == nil && n > 0 && n < current {
		return n
	}
	return 0
}

func (v *visit) budTable(b stock.Batch, now time.Time) budTable {
	t := budTable{Now: v.at(now), AtStart: v.at(b.BUD), Governs: b.Governs}
	for _, c := range b.Candidates {
		t.Candidates = append(t.Candidates, candidateLine{c.Limit, c.Source, v.at(c.BeyondUse), c.Limit == b.Governs && c.BeyondUse.Equal(b.BUD), c.Confirmed})
	}
	return t
}

func (v *visit) fillLife(ctx context.Context, p *vialPage, x stock.Vial) error {
	events, err := v.view.Life(ctx, x.Code)
	if err != nil {
		return err
	}
	was := ""
	for _, e := range events {
		broken, err := tracker.BrokenSignature(ctx, v.view, e)
		if err != nil {
			return err
		}
		if e.Body.From == tracker.Several { // vials of several places moved at once: of this one it is known
			e.Body.From = was
		}
		if e.Body.To != "" {
			was = e.Body.To
		}
		l := v.eventLine(e)
		l.Broken = broken
		p.Events = append(p.Events, l)
	}
	stays, err := v.view.Stays(ctx, x.Code)
	if err != nil {
		return err
	}
	for _, s := range stays {
		l, err := v.stayLine(ctx, s)
		if err != nil {
			return err
		}
		p.Stays = append(p.Stays, l)
	}
	if p.Cases, err = v.casesMet(ctx, x, stays); err != nil {
		return err
	}
	exposed, err := tracker.Exposures(ctx, v.view, []stock.Vial{x}, v.now)
	if err != nil {
		return err
	}
	p.Exposure, p.ExposureMeaning = present.ExposureWords(exposed[0], v.site.Location()), present.ExposureMeaning
	return nil
}

// longestLook bounds how much of a stay is looked at for its temperatures.
const longestLook = 60 * 24 * time.Hour

// stayLine says how cold it was where the vial was: lowest, highest, and time without data, by the sensors that spoke
// for its shelf. It is the record of the place; whether it harmed the vial is for people to judge.
func (v *visit) stayLine(ctx context.Context, s tracker.Stay) (stayLine, error) {
	end := s.To
	if end.IsZero() || end.After(v.now) {
		end = v.now
	}
	l := stayLine{Where: placeWords(s.Unit, s.Shelf), From: v.at(s.From), To: v.at(s.To), Possible: s.Possible}
	link := with(with(v.link("/units/", s.Unit), "period", periodFor(end.Sub(s.From))), "until", end.In(v.zone).Format(time.RFC3339))
	l.Link = link
	begin := s.From
	if end.Sub(begin) > longestLook {
		begin = end.Add(-longestLook)
	}
	series, err := v.series(ctx, s.Unit, begin, end)
	if err != nil || len(series) == 0 {
		l.How = "no sensor there"
		return l, err
	}
	l.How = v.howCold(series, s.Shelf, begin, end)
	return l, nil
}

func (v *visit) howCold(series []render.Series, shelf string, from, to time.Time) string {
	words := ""
	for _, s := range series {
		set, _ := v.site.Sensor(s.Name)
		if a, ok := set.At(from); ok && len(a.Shelves) > 0 && !slices.Contains(a.Shelves, shelf) {
			continue
		}
		x := v.spanOf(s, from, to)
		if words != "" {
			words += "; "
		}
		if x.Readings == 0 {
			words += s.Name + ": NO DATA"
		} else {
			words += fmt.Sprintf("%s: lowest %s, highest %s", s.Name, x.Lowest, x.Highest)
		}
		if x.Missing != "" && x.Readings > 0 {
			words += ", NO DATA for " + x.Missing
		}
	}
	if words == "" {
		return "no sensor speaks for this shelf"
	}
	return words
}

// periodFor is the shortest picture that holds a stay.
func periodFor(d time.Duration) string {
	for _, p := range periods {
		if d <= p.long {
			return p.name
		}
	}
	return periods[len(periods)-1].name
}

// casesMet are the cases with a hold that meets one of the vial's stays, the newest first, decided or not.
func (v *visit) casesMet(ctx context.Context, x stock.Vial, stays []tracker.Stay) ([]caseMet, error) {
	holds, err := v.view.Holds(ctx, 0)
	if err != nil {
		return nil, err
	}
	var out []caseMet
	seen := map[int64]bool{}
	for _, h := range slices.Backward(holds) {
		if seen[h.Case] || !slices.ContainsFunc(stays, func(s tracker.Stay) bool { return h.Meets(s) }) {
			continue
		}
		seen[h.Case] = true
		found, err := v.view.Cases(ctx, tracker.CaseQuery{No: h.Case})
		if err != nil {
			return nil, err
		}
		decided := "released"
		if slices.ContainsFunc(x.Touches, func(t stock.Touch) bool { return t.Case == h.Case }) {
			decided = "ON HOLD for it"
			if x.State.Closed() {
				decided = "not released; the vial is gone"
			}
		}
		for _, c := range found {
			out = append(out, caseMet{v.caseLine(c, 0), decided})
		}
	}
	return out, nil
}
