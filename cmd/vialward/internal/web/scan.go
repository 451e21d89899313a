package web

import (
	"context"
	"net/url"
	"slices"
	"strconv"
	"time"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// scanAddress is the page with what is in hand.
func scanAddress(q url.Values) string {
	if len(q) == 0 {
		return "/scan"
	}
	return "/scan?" + q.Encode()
}

// scanBack is the page as it was before its form was sent.
func scanBack(f *form) string {
	q := url.Values{}
	for _, name := range []string{"vial", "do", "dest", "order"} {
		if all := f.All(name); len(all) > 0 {
			q[name] = all
		}
	}
	return scanAddress(q)
}

// scan is what follows from one scan: a vial is taken in hand, a shelf is where what is in hand goes, and so on.
func scan(ctx context.Context, a *acting, f *form) (to string, err error) {
	q := url.Values{}
	hand, err := handful(append(f.All("vial"), f.All("take")...))
	if err != nil {
		f.Say = "What is in hand could not be read: scan it again."
		return "", nil //nolint:nilerr // that is what is said
	}
	s := f.Get("scan")
	if s == "" && len(f.All("take")) > 0 { // taken from a shelf's list
		q["vial"] = keysOf(hand)
		return scanAddress(q), nil
	}
	if f.text("scan", "Scan a vial, a shelf, a destination or what to do.") == "" {
		return "", nil
	}
	var r scanned
	err = a.t.Store.Read(ctx, a.site, func(v tracker.View) error {
		r, err = readScan(ctx, v, shownAt(v.Site(), f.now), s)
		return err
	})
	if err != nil {
		return "", err
	}
	f.values.Set("scan", "") // the field is free for the next scan; what was wrong with this one is said
	if r.say != "" {
		f.fault("scan", "%s", r.say)
		return "", nil
	}
	for _, name := range []string{"do", "dest", "order"} {
		if f.Get(name) != "" {
			q.Set(name, f.Get(name))
		}
	}
	switch {
	case r.action != "":
		q.Set("do", r.action)
	case r.dest != "" && len(hand) > 0:
		f.values.Set("dest", r.dest)
		return issueScanned(ctx, a, f, hand)
	case r.dest != "":
		f.fault("scan", "%s is a destination: scan the vials that go there first.", r.dest)
		return "", nil
	case r.place != "" && len(hand) > 0:
		f.values.Set("place", r.place)
		return putDown(ctx, a, f, hand)
	case r.place != "":
		q.Set("shelf", r.place)
		return scanAddress(q), nil
	default:
		if len(r.vials) == 1 && r.vials[0].label > 0 {
			if to, err := newLabelOn(ctx, a, f, r.vials[0]); to != "" || err != nil || !f.ok() {
				return to, err
			}
		}
		for _, x := range r.vials {
			if i := slices.IndexFunc(hand, func(h inHand) bool { return h.code == x.code }); i >= 0 {
				hand = slices.Delete(hand, i, i+1)
			}
			hand = append(hand, x) // the newest last, also when it was in hand already
		}
		if len(hand) > mostInHand {
			f.fault("scan", "%d vials are more than can be in hand: put some down first.", len(hand))
			return "", nil
		}
	}
	q["vial"] = keysOf(hand)
	return scanAddress(q), nil
}

func keysOf(hand []inHand) (keys []string) {
	for _, h := range hand {
		keys = append(keys, h.String())
	}
	return keys
}

// putDown is a shelf scanned with vials in hand: they come back there, are found there, or are placed.
func putDown(ctx context.Context, a *acting, f *form, hand []inHand) (string, error) {
	p := tracker.Place{Vials: codesOf(hand), To: f.Get("place"), Note: f.Get("note"), AcceptShorter: f.Get("accept") == "yes", At: f.moment("at")}
	if !f.ok() {
		return "", nil
	}
	do := a.t.Place
	switch f.Get("do") {
	case "return":
		do = a.t.Return
	case "find":
		do = a.t.Find
	}
	return a.handled(do(ctx, a.site, a.who, p))
}

func issueScanned(ctx context.Context, a *acting, f *form, hand []inHand) (string, error) {
	i := tracker.Issue{Vials: codesOf(hand), To: f.text("dest", "Say where they go."), Order: f.Get("order"), Reason: f.Get("reason"), At: f.moment("at")}
	for _, h := range hand {
		i.Label = max(i.Label, h.label)
	}
	if slices.ContainsFunc(hand, func(h inHand) bool { return h.label != i.Label }) {
		i.Label = 0 // different ones: each was looked at when it was scanned
	}
	if !f.ok() {
		return "", nil
	}
	return a.handled(a.t.Issue(ctx, a.site, a.who, i))
}

// handled is where to look after an operation on vials.
func (a *acting) handled(h tracker.Handled, err error) (string, error) {
	return scanAddress(url.Values{"done": {strconv.FormatInt(h.Seq, 10)}}), err
}

// newLabelOn is the scan of a vial's next label: it is on from now, and ends the relabel hold.
func newLabelOn(ctx context.Context, a *acting, f *form, h inHand) (string, error) {
	var x stock.Vial
	err := a.t.Store.Read(ctx, a.site, func(v tracker.View) error {
		found, err := v.Find(ctx, tracker.VialQuery{Codes: []string{h.code}})
		if err == nil && len(found) > 0 {
			x = found[0]
		}
		return err
	})
	if err != nil || h.label <= x.Label {
		return "", err
	}
	if x.Label == 0 { // its first one: the handful is labelled together
		return "", nil
	}
	return a.handled(a.t.Relabel(ctx, a.site, a.who, []string{h.code}, "its new label was scanned", time.Time{}))
}
