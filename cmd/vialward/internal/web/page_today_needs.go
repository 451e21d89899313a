package web

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"vialward/alerts"
	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/sweep"
)

// openCases: something is out of range, or silent, now.
func (d *todayReads) openCases(context.Context) ([]need, error) {
	var out []need
	for _, c := range slices.Backward(d.cases) { // oldest first
		say := fmt.Sprintf("case %d: %s", c.No, d.unitFault(c))
		if n := d.heldBy(c.No); n > 0 {
			say += ", " + many(n, "vial") + " on hold"
		}
		if c.Muted {
			say += ", planned work (its mail was muted, its record was not)"
		}
		out = append(out, need{Word: "OPEN CASE", Class: "act", Say: say, When: d.at(c.From), Link: d.link("/cases/", c.No)})
	}
	return out, nil
}

// unitFault says what is wrong with a unit: "R1 warm, highest 9.6 °C".
func (d *todayReads) unitFault(c tracker.Case) string {
	words := c.Unit + " " + stock.ExcursionWord(c.Kind)
	if x := d.extremeWords(c); x != "" {
		words += ", " + x
	}
	return words
}

func (d *todayReads) heldBy(caseNo int64) (n int) {
	for _, x := range d.vials {
		if slices.ContainsFunc(x.Touches, func(t stock.Touch) bool { return t.Case == caseNo }) {
			n++
		}
	}
	return n
}

// warming: nothing is out of range for long enough yet, and will be if it goes on. The first bound is what hands go by.
func (d *todayReads) warming(context.Context) ([]need, error) {
	var out []need
	for _, o := range d.opening {
		out = append(out, need{Word: "WARMING", Class: "act", Link: d.link("/units/", o.Unit), When: d.clock(o.Earliest),
			Say: fmt.Sprintf("%s, %s: %s. Look at its door, plug and load; earliest", o.Unit, o.Sensor, d.warmingWords(o))})
	}
	return out, nil
}

// unconfirmedLists: lists of the last two days nobody has signed. The newest one may still be being worked.
func (d *todayReads) unconfirmedLists(ctx context.Context) ([]need, error) {
	rows, err := d.view.Sweeps(ctx, 6)
	if err != nil {
		return nil, err
	}
	var out []need
	for i, s := range slices.Backward(rows) {
		if !s.ConfirmedAt.IsZero() || d.now.Sub(s.Due) > 48*time.Hour {
			continue
		}
		n := need{Word: "LIST TO WORK", Class: "act", Link: d.link("/sweeps/", s.Number), When: d.at(s.Due),
			Say: fmt.Sprintf("list %03d: %s", s.Number, sweep.Summary(s.List))}
		switch {
		case i > 0:
			n.Word, n.Say = "LIST NOT SIGNED", n.Say+". A newer list has followed; nobody signed this one"
		case !d.now.Before(s.ConfirmBy):
			n.Word, n.Say = "LIST NOT SIGNED", n.Say+". It was to be signed by "+d.clock(s.ConfirmBy).Say
		default:
			n.Say += ". To be signed by " + d.clock(s.ConfirmBy).Say
		}
		out = append(out, n)
	}
	return out, nil
}

// pastInStock: vials past their date that still stand in a refrigerator, by unit; those on hold apart, since nobody
// discards them before somebody has decided.
func (d *todayReads) pastInStock(context.Context) ([]need, error) {
	type key struct {
		unit string
		held bool
	}
	count, batches := map[key]int{}, map[key]map[string]int{}
	for _, x := range d.vials {
		if d.now.Before(x.BUD) || x.State == stock.WithWard || x.Unit == "" {
			continue
		}
		k := key{x.Unit, x.HoldsInWords() != ""}
		count[k]++
		if batches[k] == nil {
			batches[k] = map[string]int{}
		}
		batches[k][x.Batch]++
	}
	var out []need
	for _, r := range d.site.Rooms {
		for _, u := range r.Units {
			for _, held := range []bool{false, true} {
				k := key{u.Code, held}
				if count[k] == 0 {
					continue
				}
				n := need{Word: "PAST BUD", Class: "act", Say: fmt.Sprintf("%s: %s past the beyond-use date: pull", u.Code, many(count[k], "vial")),
					Link: with(with(d.link("/stock"), "only", "past"), "unit", u.Code)}
				if held {
					n.Class, n.Say = "look", fmt.Sprintf("%s: %s past the beyond-use date and on hold: do not use, do not discard until decided", u.Code, many(count[k], "vial"))
				}
				for _, b := range slices.Sorted(maps.Keys(batches[k])) {
					n.Rows = append(n.Rows, fmt.Sprintf("batch %s: %d", b, batches[k][b]))
				}
				out = append(out, n)
			}
		}
	}
	return out, nil
}

// toDecide: holds that wait for a pharmacist, each case that is not open any more and each kind of a vial's own.
func (d *todayReads) toDecide(ctx context.Context) ([]need, error) {
	byCase, byKind := map[int64]int{}, map[string]int{}
	for _, x := range d.vials {
		seen := map[int64]bool{}
		for _, t := range x.Touches {
			if !seen[t.Case] {
				byCase[t.Case]++
				seen[t.Case] = true
			}
		}
		for _, h := range x.Holds {
			byKind[h.Kind]++
		}
	}
	var out []need
	for _, no := range slices.Sorted(maps.Keys(byCase)) {
		if slices.ContainsFunc(d.cases, func(c tracker.Case) bool { return c.No == no }) {
			continue // open: said above
		}
		found, err := d.view.Cases(ctx, tracker.CaseQuery{No: no})
		if err != nil {
			return nil, err
		}
		for _, c := range found {
			out = append(out, need{
				Word: "TO DECIDE", Class: "act", Link: d.link("/cases/", no), When: d.at(c.From),
				Say: fmt.Sprintf("case %d: %s, %s; %s on hold for a pharmacist", no, d.unitFault(c), c.State, many(byCase[no], "vial")),
			})
		}
	}
	for _, kind := range slices.Sorted(maps.Keys(byKind)) {
		word, say := "TO DECIDE", "%s on hold: %s. A pharmacist decides"
		if kind == stock.HoldRelabel {
			word, say = "TO LABEL", "%s on hold: %s. The beyond-use date was shortened; put the new label on and scan it"
		}
		out = append(out, need{Word: word, Class: "act", Say: fmt.Sprintf(say, many(byKind[kind], "vial"), kind),
			Link: with(d.link("/stock"), "hold", kind)})
	}
	return append(out, d.notClosed()...), nil
}

// notClosed: issued vials whose date has passed and which nobody has reported given, by destination.
func (d *todayReads) notClosed() []need {
	wards := map[string]int{}
	for _, x := range d.vials {
		if x.State == stock.WithWard && !d.now.Before(x.BUD) {
			wards[x.Dest]++
		}
	}
	var out []need
	for _, w := range slices.Sorted(maps.Keys(wards)) {
		out = append(out, need{Word: "TO CLOSE", Class: "look", Link: with(d.link("/stock"), "only", "ward"),
			Say: fmt.Sprintf("%s issued to %s and past the beyond-use date, not reported given or returned", many(wards[w], "vial"), w)})
	}
	return out
}

// quietSensors: no data is not good data.
func (d *todayReads) quietSensors(context.Context) ([]need, error) {
	var out []need
	for _, r := range d.site.Rooms {
		for _, u := range r.Units {
			for _, p := range d.probes(u, d.sensors, d.unheard, d.opening) {
				if p.Stuck.Say != "" {
					out = append(out, need{Word: "STUCK VALUE?", Class: "look", Link: d.link("/units/", u.Code), When: p.Stuck,
						Say:  fmt.Sprintf("%s in %s has shown one value and no other since", p.Sensor, u.Code),
						Rows: []string{"Compare it with the unit's own display. If they differ, replace the logger and withdraw what it sent"}})
				}
				n := need{Class: "act", Link: d.link("/units/", u.Code)}
				switch {
				case p.Clock != "":
					n.Word, n.Say = "CLOCK SUSPECT", fmt.Sprintf("%s in %s: %s. Its readings clear nothing until its zone is declared", p.Sensor, u.Code, p.Clock)
				case p.Degrees == "" && p.At.Say != "":
					n.Word, n.Say, n.When = "NO DATA", fmt.Sprintf("%s in %s: no temperature since", p.Sensor, u.Code), p.At
				case p.Never:
					n.Word, n.Say, n.When = "NEVER HEARD", fmt.Sprintf("%s in %s: not one reading is on record; in use there since", p.Sensor, u.Code), p.Assigned
					if !p.Overdue {
						n.Class = "look" // just connected: its first delivery may be on its way
					}
					if p.Unproven != "" {
						n.Class, n.Rows = "act", []string{p.Unproven}
					}
				case p.Degrees == "":
					n.Word, n.Say = "NO DATA", fmt.Sprintf("%s in %s: no temperature", p.Sensor, u.Code)
				default:
					continue
				}
				out = append(out, n)
			}
		}
	}
	return out, nil
}

// dueSoon is how long before its end a certificate is spoken of: a laboratory takes weeks (common practice, no source).
const dueSoon = 30 * 24 * time.Hour

// calibrations that are past due, or will be soon, of sensors in use.
func (d *todayReads) calibrations(context.Context) ([]need, error) {
	var out []need
	for _, s := range d.site.Sensors {
		a, used := s.At(d.now)
		c, ok := s.CalibrationAt(d.now)
		if !used || !ok || c.Due.IsZero() || d.now.Before(c.Due.Add(-dueSoon)) {
			continue
		}
		n := need{Word: "CALIBRATION DUE", Class: "look", Link: d.link("/units/", a.Unit), When: d.at(c.Due), Say: fmt.Sprintf("%s in %s: certificate %s is good until", s.Code, a.Unit, c.Certificate)}
		if !d.now.Before(c.Due) {
			n.Word, n.Class, n.Say = "CALIBRATION PAST DUE", "act", fmt.Sprintf("%s in %s: certificate %s has been past due since", s.Code, a.Unit, c.Certificate)
			n.Rows = []string{"Its readings are kept and judged; put a calibrated sensor beside it before anything is decided on them"}
		}
		out = append(out, n)
	}
	return out, nil
}

// mailsLooked bounds how far back today's page looks for mail that did not go out.
const mailsLooked = 500

// waitingMail: mail that failed, or waits longer than its next attempt explains.
func (d *todayReads) waitingMail(ctx context.Context) ([]need, error) {
	rows, err := d.view.Outbox(ctx, mailsLooked)
	if err != nil {
		return nil, err
	}
	waiting, failed := 0, 0
	var oldest time.Time
	why := ""
	for _, m := range rows {
		switch m.State {
		case alerts.Waiting, alerts.Claimed:
			waiting++
			if oldest.IsZero() || m.Created.Before(oldest) {
				oldest, why = m.Created, m.LastError
			}
		case alerts.Failed:
			if d.now.Sub(m.Created) < 7*24*time.Hour {
				failed++
			}
		case alerts.Accepted, alerts.Superseded:
		}
	}
	var out []need
	if waiting > 0 {
		n := need{Word: "MAIL WAITING", Class: "look", Say: many(waiting, "mail") + " not sent yet, the oldest since", When: d.at(oldest), Link: with(d.link("/outbox"), "state", "waiting")}
		if why != "" {
			n.Class, n.Rows = "act", []string{why}
		}
		out = append(out, n)
	}
	if failed > 0 {
		out = append(out, need{Word: "MAIL FAILED", Class: "act", Say: many(failed, "mail") + " of the last 7 days will never arrive: tell these people another way",
			Link: with(d.link("/outbox"), "state", "failed")})
	}
	return out, nil
}

// soonest is how many coming dates today's page names.
const soonest = 5

// coming: the next list, and the batches whose dates come next.
func (d *todayReads) coming(context.Context) ([]need, error) {
	var out []need
	if next := sweep.NextStaffed(d.site, d.now); !next.At.IsZero() {
		out = append(out, need{Word: "NEXT LIST", Class: "calm", Say: "the next list is due", When: d.at(next.At), Link: d.link("/sweeps/now")})
	}
	type key struct {
		bud         int64
		batch, unit string
	}
	counts := map[key]int{}
	for _, x := range d.vials {
		if d.now.Before(x.BUD) && x.Unit != "" {
			counts[key{x.BUD.UnixMicro(), x.Batch, x.Unit}]++
		}
	}
	keys := slices.SortedFunc(maps.Keys(counts), func(a, b key) int {
		switch {
		case a.bud != b.bud:
			return int(min(max(a.bud-b.bud, -1), 1))
		case a.unit != b.unit:
			return compareText(a.unit, b.unit)
		default:
			return compareText(a.batch, b.batch)
		}
	})
	for _, k := range keys[:min(len(keys), soonest)] {
		out = append(out, need{Word: "NEXT BUD", Class: "calm", When: d.atMicros(k.bud), Link: d.link("/batches/", k.batch),
			Say: fmt.Sprintf("%s of batch %s in %s end", many(counts[k], "vial"), k.batch, k.unit)})
	}
	return out, nil
}
