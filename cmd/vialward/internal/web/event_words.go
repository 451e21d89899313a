package web

import (
	"fmt"
	"time"

	"vialward/tracker/stock"
)

// eventWords says what happened, as people say it.
var eventWords = map[stock.Kind]string{
	stock.Prepared: "prepared", stock.TakenOver: "taken over", stock.Labelled: "labelled",
	stock.Verified: "checked by another person", stock.Placed: "placed", stock.Moved: "moved", stock.Issued: "issued", stock.Given: "given",
	stock.Returned: "came back", stock.Entered: "entered (punctured)", stock.Held: "put on hold", stock.Lifted: "hold lifted",
	stock.Released: "released from a case's hold", stock.Shortened: "beyond-use date shortened", stock.Relabel: "new label",
	stock.Discarded: "discarded", stock.Lost: "recorded as lost", stock.Voided: "voided: a wrong record", stock.Sent: "sent away",
	stock.Found: "found", stock.Counted: "counted", stock.LabelsPrinted: "label printed", stock.CauseCorrected: "cause corrected",
}

// sameEntry is how far entry may lie behind the event without being worth a line: a person types for a while.
const sameEntry = time.Minute

// eventLine is an event of a vial: what, when it happened and when it was entered, by whom.
func (v *visit) eventLine(e stock.Event) eventLine {
	what, known := eventWords[e.Kind]
	if !known {
		what = string(e.Kind)
	}
	l := eventLine{
		Seq: e.Seq, What: what, At: v.at(e.At), Entered: v.at(e.EnteredAt), By: v.who(e.By), Via: e.Via,
		EnteredLater: e.EnteredAt.Sub(e.At) > sameEntry, Late: late(v.site, e),
	}
	b := e.Body
	from, to := placeWords(stock.SplitPlace(b.From)), placeWords(stock.SplitPlace(b.To))
	switch {
	case from != "" && to != "" && e.Kind == stock.Found:
		l.What += " in " + to + ", recorded in " + from
	case from != "" && to != "":
		l.What += " from " + from + " to " + to
	case to != "" && (e.Kind == stock.Found || e.Kind == stock.TakenOver || e.Kind == stock.Placed):
		l.What += " in " + to
	case to != "":
		l.What += " to " + to
	case from != "":
		l.What += " from " + from
	}
	add := func(there bool, format string, args ...any) {
		if there {
			l.More = append(l.More, fmt.Sprintf(format, args...))
		}
	}
	add(e.Kind == stock.TakenOver, "it was there before the record began")
	add(b.Area != "", "in preparation area %s", b.Area)
	add(e.Kind == stock.LabelsPrinted, "label %d, %s of each vial", b.Label, many(b.Number, "label"))
	add(b.Hold != "", "hold: %s", b.Hold)
	add(b.Case != 0, "case %d", b.Case)
	add(b.BUD != nil, "beyond-use date %s", deref(v.shown, b.BUD))
	add(b.Governs != "", "governed by %s", b.Governs)
	add(b.Reason != "", "reason: %s", v.cause(b.Reason))
	add(b.Note != "", "note: %s", b.Note)
	add(b.Order != "", "order %s", b.Order)
	add(b.Container != "", "into %s", b.Container)
	add(b.Witness != "", "second person: %s", v.who(b.Witness))
	if b.Minutes != nil {
		add(true, "%d min out of the refrigerator, as decided", *b.Minutes)
	}
	if b.Counted != nil && b.Expected != nil {
		add(true, "%d counted, %d expected", *b.Counted, *b.Expected)
	}
	since := "true since %s at the earliest"
	if e.Kind == stock.Prepared {
		since = "started %s"
	}
	add(b.Since != nil, since, deref(v.shown, b.Since))
	add(b.Until != nil, "until %s", deref(v.shown, b.Until))
	add(b.ISO5, "in ISO 5 air")
	return l
}

func deref(s shown, t *time.Time) string {
	if t == nil {
		return ""
	}
	return s.at(*t).Say
}

// cause is a waste cause in the site's own words; any other reason stands as it was given.
func (v *visit) cause(code string) string {
	for _, c := range v.site.Reasons {
		if c.Code == code {
			return c.Words
		}
	}
	return code
}
