package web

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"time"

	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/stock"
)

// scanPage is the one field that always has the focus, what is in hand, and what may be done with it.
type scanPage struct {
	F       *form
	Hand    []scannedVial
	Actions []scanAction // that may be asked for
	Doing   string       // the action whose form stands open
	Open    scanAction
	Outcome string // done, taken, wrong; "" = nothing was scanned: which sound it makes
	Done    *scanDone
	Shorter bool // a place would end them earlier, and waits for that to be accepted

	Destinations []stock.Dest
	Causes       []stock.WasteCause
	People       []personLine
	Places       []string
	Shelf        string // one that was scanned with empty hands
	There        []scannedVial
	More         int
	Disposal     string
	Holds        []string // own holds that can be lifted
	Batches      []option // of what is in hand: code, and address of its record
	NoneMay      bool     // the visitor may only look
}

func (scanPage) Title() string { return "Scan to do" }

// Script of the page.
func (scanPage) Script() string { return "scan.js" }

type scannedVial struct {
	Key, Code, Link, Name, Where string
	Standing                     standingWord
	BUD                          moment
	Usable                       bool
}

// scanDone is what was done last: the event it became.
type scanDone struct {
	Seq  int64
	Say  string
	Link string
	Undo bool
}

func scanPageOf(ctx context.Context, v *visit, f *form) (content, error) {
	p := &scanPage{F: f}
	hand, err := handful(f.All("vial"))
	if err != nil {
		f.Say, hand = "What is in hand could not be read: scan it again.", nil
	}
	if len(hand) > mostInHand {
		f.Say, hand = fmt.Sprintf("More than %d vials in hand: put some down first.", mostInHand), hand[:mostInHand]
	}
	vials, err := v.inOrder(ctx, hand)
	if err != nil {
		return nil, err
	}
	for i, x := range vials {
		l, err := v.scannedLine(ctx, x)
		if err != nil {
			return nil, err
		}
		l.Key = hand[i].String()
		p.Hand = append(p.Hand, l)
	}
	p.Doing = f.Get("do")
	p.Actions, p.NoneMay = v.actionsOn(vials), true
	for _, a := range scanActions {
		p.NoneMay = p.NoneMay && v.mayNot(a.op) != nil
		if a.code == p.Doing && (v.mayNot(a.op) == nil || !f.ok()) {
			p.Open = a
		}
	}
	if err := v.fillScan(ctx, p, vials); err != nil {
		return nil, err
	}
	p.Outcome = p.outcome(vials, v.now)
	return p, nil
}

// outcome of what was done last on the page, as it sounds.
func (p *scanPage) outcome(vials []stock.Vial, now time.Time) string {
	switch {
	case !p.F.ok():
		return "wrong"
	case p.Done != nil:
		return "done"
	case len(vials) == 0:
		return ""
	case p.Doing == "" && unusable(vials[len(vials)-1], now):
		return "wrong"
	}
	return "taken"
}

// unusable is a vial somebody might use and must not; one without a label is still on the bench.
func unusable(x stock.Vial, now time.Time) bool {
	return x.Issuable(now, 0, 0, time.UTC) != nil && (x.State != stock.InPreparation || x.Label > 0)
}

func (v *visit) mayNot(op access.Operation) error {
	return access.May(v.site, v.asks.Person.Code, op, v.now)
}

// inOrder finds vials in the order in which they were scanned; one that is not in the record is not in hand.
func (v *visit) inOrder(ctx context.Context, hand []inHand) ([]stock.Vial, error) {
	if len(hand) == 0 {
		return nil, nil
	}
	found, err := v.view.Find(ctx, tracker.VialQuery{Codes: codesOf(hand)})
	var out []stock.Vial
	for _, h := range hand {
		i := slices.IndexFunc(found, func(x stock.Vial) bool { return x.Code == h.code })
		if i < 0 && err == nil {
			return nil, tracker.NotFound("vial", h.code)
		}
		if i >= 0 {
			out = append(out, found[i])
		}
	}
	return out, err
}

func (v *visit) scannedLine(ctx context.Context, x stock.Vial) (scannedVial, error) {
	product, err := v.product(ctx, x.Product, x.Version)
	s := v.standingOf(x)
	return scannedVial{
		Key: x.Code, Code: x.Code, Link: v.link("/vials/", x.Code), Name: product.FullName(), Where: v.whereNow(x), Standing: s, BUD: v.at(x.BUD), Usable: s.Class == "may",
	}, err
}

// fillScan adds what the open form and the last thing done need.
func (v *visit) fillScan(ctx context.Context, p *scanPage, vials []stock.Vial) error {
	p.Destinations, p.Causes = v.site.Destinations, v.site.Reasons
	for _, x := range v.site.People {
		if x.Code != v.asks.Person.Code && !x.Gone(v.now) && access.May(v.site, x.Code, access.Hold, v.now) == nil {
			p.People = append(p.People, personLine{Code: x.Code, Name: nameOf(x)})
		}
	}
	for _, r := range v.site.Rooms {
		for _, u := range r.Units {
			for _, s := range u.Shelves {
				p.Places = append(p.Places, u.Code+"/"+s.Code)
			}
		}
	}
	seen := map[string]bool{}
	for i, x := range vials {
		for _, h := range x.Holds {
			if h.Kind != stock.HoldRelabel && !slices.Contains(p.Holds, h.Kind) {
				p.Holds = append(p.Holds, h.Kind)
			}
		}
		if !seen[x.Batch] {
			seen[x.Batch] = true
			p.Batches = append(p.Batches, option{x.Batch, v.link("/batches/", x.Batch)})
		}
		product, err := v.product(ctx, x.Product, x.Version)
		if err != nil {
			return err
		}
		if i == 0 || p.Disposal == product.Disposal {
			p.Disposal = product.Disposal
		} else {
			p.Disposal = "of each product"
		}
	}
	if err := v.whatStandsThere(ctx, p); err != nil {
		return err
	}
	seq, err := strconv.ParseInt(p.F.Get("done"), 10, 64)
	if err != nil || !p.F.ok() {
		return nil //nolint:nilerr // nothing was done
	}
	return v.whatWasDone(ctx, p, seq)
}

// whatStandsThere is a shelf that was scanned with empty hands: what to take from it.
func (v *visit) whatStandsThere(ctx context.Context, p *scanPage) error {
	p.Shelf = p.F.Get("shelf")
	if p.Shelf == "" {
		return nil
	}
	unit, shelf := stock.SplitPlace(p.Shelf)
	all, err := v.view.Find(ctx, tracker.VialQuery{Unit: unit})
	for _, x := range all {
		if x.Shelf != shelf {
			continue
		}
		if len(p.There) == mostInHand {
			p.More++
			continue
		}
		l, err := v.scannedLine(ctx, x)
		if err != nil {
			return err
		}
		p.There = append(p.There, l)
	}
	return err
}

func (v *visit) whatWasDone(ctx context.Context, p *scanPage, seq int64) error {
	all, err := v.view.Events(ctx, tracker.EventQuery{AfterSeq: seq - 1, Limit: 1})
	if err != nil || len(all) == 0 || all[0].Seq != seq || len(all[0].Vials) == 0 {
		return err
	}
	e := all[0]
	l := v.eventLine(e)
	p.Done = &scanDone{Seq: seq, Say: fmt.Sprintf("%s: %s, record %d.", upperFirst(l.What), many(len(e.Vials), "vial"), seq)}
	if len(e.Vials) == 1 {
		p.Done.Say, p.Done.Link = fmt.Sprintf("%s: vial %s, record %d.", upperFirst(l.What), e.Vials[0], seq), v.link("/vials/", e.Vials[0])
	}
	if e.Body.Note != "" {
		p.Done.Say += " " + upperFirst(e.Body.Note) + "."
	}
	vials, err := v.view.Find(ctx, tracker.VialQuery{Codes: e.Vials})
	p.Done.Undo = err == nil && tracker.Undoable(e, vials, v.asks, v.now) == nil
	return err
}
