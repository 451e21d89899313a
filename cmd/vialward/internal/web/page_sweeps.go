package web

import (
	"context"
	"fmt"
	"net/http"
	"strconv"

	"vialward/tracker"
	"vialward/tracker/sweep"
)

// sweepsPage lists the lists, the newest first.
type sweepsPage struct {
	Lists []sweepLine
	Cut   bool
	Next  moment
}

func (sweepsPage) Title() string { return "Lists" }

type sweepLine struct {
	Number    string
	Link      string
	Due, Made moment
	Summary   string
	Signed    string // by whom and when, or that nobody has
	Unsigned  bool
}

const mostSweeps = 100

func sweepsPageOf(ctx context.Context, v *visit) (content, error) {
	rows, err := v.view.Sweeps(ctx, mostSweeps+1)
	if err != nil {
		return nil, err
	}
	p := sweepsPage{Cut: len(rows) > mostSweeps, Next: v.at(sweep.NextStaffed(v.site, v.now).At)}
	for _, r := range rows[:min(len(rows), mostSweeps)] {
		p.Lists = append(p.Lists, sweepLine{
			Number: fmt.Sprintf("%03d", r.Number), Link: v.link("/sweeps/", r.Number), Due: v.at(r.Due), Made: v.at(r.Made),
			Summary: sweep.Summary(r.List), Signed: v.signed(r), Unsigned: r.ConfirmedAt.IsZero(),
		})
	}
	return p, nil
}

// signed says who worked a list, or that it was not signed in its time.
func (v *visit) signed(r tracker.SweepRow) string {
	switch {
	case !r.ConfirmedAt.IsZero():
		return "signed by " + v.who(r.ConfirmedBy) + ", " + v.at(r.ConfirmedAt).Say
	case !v.now.Before(r.ConfirmBy):
		return "NOT SIGNED by " + v.at(r.ConfirmBy).Say
	default:
		return "to be signed by " + v.at(r.ConfirmBy).Say
	}
}

// sweepPage is one list to work: a page of paper for each storage unit.
type sweepPage struct {
	Number     string // "" = a preview
	Text       string // "list 061"
	Due, Read  moment
	Stale      moment
	IsStale    bool
	Next       moment
	Whole      string
	DoNotUse   int
	Signed     string
	Unsigned   bool
	Broken     string // why its signature does not stand
	Code       string
	SiteName   string
	Site       string
	Sheets     []sheet
	BlankLines []struct{}
	RecordHead string // newest place in the record's chain, as printed
}

func (p sweepPage) Title() string { return upperFirst(p.Text) }

// sheet is one unit's page.
type sheet struct {
	Page, Of     int
	Name         string
	More         []string
	Link         string
	Temperatures [][]string
	NoSensor     string
	Holds        []string
	NoHolds      bool
	Nothing      string
	Lines        []sheetLine
	Expected     string
	Shelves      []sheetShelf
}

type sheetLine struct {
	Action, Class, Count, Name string
	Marks                      []string
	Batch, BUD                 string
	Past                       bool
	Where                      []string
	Into                       string
	TwoPersons                 bool
	Why                        []string
}

type sheetShelf struct {
	Name     string
	Expected int
	Unknown  bool
	Stay     []string
}

func previewPageOf(ctx context.Context, v *visit) (content, error) {
	l, err := v.tracker.Preview(ctx, v.view, v.now)
	if err != nil {
		return nil, err
	}
	p := v.sweepPage(l)
	p.Number, p.Text, p.Code = "", "preview of a list", ""
	return p, nil
}

func sweepPageOf(ctx context.Context, v *visit) (content, error) {
	n, err := strconv.Atoi(v.r.PathValue("number"))
	if err != nil || n < 1 {
		return nil, wrong(http.StatusBadRequest, "%q is not the number of a list; they are 1, 2, 3 and so on.", v.r.PathValue("number"))
	}
	newest, err := v.view.Sweeps(ctx, 1)
	if err != nil {
		return nil, err
	}
	if len(newest) > 0 && newest[0].Number >= n {
		rows, err := v.view.Sweeps(ctx, newest[0].Number-n+1)
		if err != nil {
			return nil, err
		}
		for _, r := range rows {
			if r.Number == n {
				p := v.sweepPage(r.List)
				p.Signed, p.Unsigned = v.signed(r), r.ConfirmedAt.IsZero()
				p.Broken, err = tracker.BrokenListSignature(ctx, v.view, r)
				return p, err
			}
		}
	}
	return nil, wrong(http.StatusNotFound, "There is no list %d at %s yet.", n, v.site.Name)
}

func (v *visit) sweepPage(l sweep.List) sweepPage {
	w := v.listWords(l)
	p := sweepPage{
		Number: fmt.Sprintf("%03d", l.Number), Text: fmt.Sprintf("sweep %03d", l.Number), Due: w.at(l.DueAt), Read: w.at(l.DataReadAt), Stale: w.at(l.StaleAfter),
		IsStale: v.now.After(l.StaleAfter), Next: w.at(l.NextStaffed), Whole: w.words.Whole(), DoNotUse: sweep.Counts(l).Held(), Code: l.Code(),
		SiteName: l.SiteName, Site: l.Site, BlankLines: make([]struct{}, l.BlankLines), RecordHead: l.RecordHead,
	}
	for i, u := range l.Units {
		s := w.sheet(u)
		s.Page, s.Of = i+1, len(l.Units)
		if u.Code != "" && !u.Unknown {
			s.Link = v.link("/units/", u.Code)
		}
		p.Sheets = append(p.Sheets, s)
	}
	return p
}

func (l listWords) sheet(u sweep.Unit) sheet {
	t := sweep.Counts(sweep.List{Units: []sweep.Unit{u}})
	s := sheet{
		Name: l.words.Name(u), More: l.words.More(u), Holds: u.Head.Holds, NoHolds: t.By[sweep.OnHold] == 0, NoSensor: l.words.NoSensor(u),
		Nothing: l.words.NothingHere(u), Expected: many(u.Expected, "vial") + " expected in all",
	}
	for _, p := range u.Head.Probes {
		s.Temperatures = append(s.Temperatures, l.words.Temperature(p, u.Head))
	}
	for _, x := range u.Lines {
		if x.Action != sweep.Stay {
			s.Lines = append(s.Lines, l.sheetLine(x))
		}
	}
	for _, c := range u.Shelves {
		s.Shelves = append(s.Shelves, sheetShelf{
			Name: sweep.ShelfName(c.Shelf), Expected: c.Expected, Unknown: c.Unknown && !u.Unknown, Stay: l.words.Staying(u, c.Shelf),
		})
	}
	return s
}

func (l listWords) sheetLine(x sweep.Line) sheetLine {
	classes := map[sweep.Action]string{sweep.OnHold: "not", sweep.NotChecked: "not", sweep.PullNow: "act", sweep.PullBefore: "act", sweep.UseFirst: "calm"}
	return sheetLine{
		Action: l.words.Action(x), Class: classes[x.Action], Count: many(x.Count, "vial"), Name: x.Name, Marks: x.Marks(), Batch: x.Batch,
		BUD: l.at(x.BeyondUse).Say, Past: x.Past, Where: l.words.Where(x), Into: l.words.Into(x), TwoPersons: x.TwoPersons && l.words.Into(x) != "",
		Why: l.words.Why(x),
	}
}
