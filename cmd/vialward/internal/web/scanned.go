package web

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"vialward/tracker"
	"vialward/tracker/label"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// inHand is a vial somebody has scanned and not put down yet, with the number of the label on it; 0 = its code was typed.
type inHand struct {
	code  string
	label int
}

func (h inHand) String() string {
	if h.label == 0 {
		return h.code
	}
	return label.Own(h.code, h.label)
}

// mostInHand is what an address holds, and two hands do not.
const mostInHand = 99

// handful reads the vials a form carries along.
func handful(all []string) ([]inHand, error) {
	var out []inHand
	for _, s := range all {
		own, n, _ := strings.Cut(s, "#")
		code, err := label.CheckCode(own)
		if err != nil {
			return nil, err
		}
		number, err := strconv.Atoi(n)
		if err != nil && n != "" {
			return nil, fmt.Errorf("%q is no vial", s)
		}
		if !slices.ContainsFunc(out, func(h inHand) bool { return h.code == code }) {
			out = append(out, inHand{code, number})
		}
	}
	return out, nil
}

func codesOf(all []inHand) (codes []string) {
	for _, h := range all {
		codes = append(codes, h.code)
	}
	return codes
}

// scanned is what a scan was of: one of these is set, or say.
type scanned struct {
	vials  []inHand
	place  string // UNIT/SHELF
	dest   string
	action string
	say    string // what it is, and what to do, where it is nothing that can be worked with here
}

// readScan tells what was scanned or typed: a vial by its own code or by GS1 data, a shelf, a destination, what to do, a
// batch, or something else, which gets a sentence.
func readScan(ctx context.Context, v tracker.View, now shown, s string) (scanned, error) {
	s = strings.Trim(s, " \t\r\n")
	site := v.Site()
	for _, a := range scanActions {
		if strings.EqualFold(s, a.code) {
			return scanned{action: a.code}, nil
		}
	}
	if place, ok := placeScanned(site, s); ok {
		return scanned{place: place}, nil
	}
	for _, d := range site.Destinations {
		if strings.EqualFold(s, d.Code) {
			return scanned{dest: d.Code}, nil
		}
	}
	code, e, err := label.Read(s, now.now.In(now.zone).Year())
	if b, notBatch := label.ParseBatchCode(s); err != nil && notBatch == nil {
		return batchScanned(ctx, v, b.String())
	}
	switch {
	case err != nil:
		return scanned{say: notRead(s, err)}, nil
	case code == "":
		return scanned{say: fmt.Sprintf("This is the code of a pack%s, not of a vial prepared here. Scan the label that was printed for the vial.", packWords(e))}, nil
	}
	found, err := v.Find(ctx, tracker.VialQuery{Codes: []string{code}})
	if err != nil {
		return scanned{}, err
	}
	if len(found) == 0 {
		return scanned{say: fmt.Sprintf("Vial %s is not in the record of %s. Do not use it; put it aside and ask a pharmacist.", code, site.Name)}, nil
	}
	newest, err := tracker.NewestLabel(ctx, v, found[0])
	return vialScanned(found[0], e, newest, now), err
}

// vialScanned looks at the label that was read: an old one is refused, whatever is to be done with the vial. newest is the
// number of the one printed last.
func vialScanned(x stock.Vial, e label.Elements, newest int, now shown) scanned {
	switch wall := label.BUDWall(x.BUD, now.zone); {
	case e.Label > 0 && e.Label < x.Label:
		return scanned{say: fmt.Sprintf("OLD LABEL: %s carries label %d, and this is number %d. Do not use the vial before its new label is on; take this one off.", x.Code, x.Label, e.Label)}
	case e.Label > newest:
		return scanned{say: fmt.Sprintf("%s has no label %d, the newest is %d. Scan it again, and put it aside if it reads the same.", x.Code, e.Label, newest)}
	case e.Label > x.Label && e.Label < newest:
		return scanned{say: fmt.Sprintf("OLD LABEL: label %d of %s was printed after this one, number %d. Put that on, and destroy this one.", newest, x.Code, e.Label)}
	case e.BUD != (walltime.Wall{}) && e.BUD != wall:
		return scanned{say: fmt.Sprintf("OLD LABEL: it does not say what the record says, %s, of %s. Do not use the vial before its new label is on.", now.at(x.BUD).Say, x.Code)}
	}
	return scanned{vials: []inHand{{x.Code, e.Label}}}
}

// batchScanned takes all vials of a batch that are still here.
func batchScanned(ctx context.Context, v tracker.View, batch string) (scanned, error) {
	all, err := v.Find(ctx, tracker.VialQuery{Batch: batch})
	var r scanned
	for _, x := range all {
		if !x.State.Closed() {
			r.vials = append(r.vials, inHand{x.Code, 0})
		}
	}
	switch {
	case len(all) == 0:
		r.say = fmt.Sprintf("There is no batch %s in the record of %s. Look at the number again.", batch, v.Site().Name)
	case len(r.vials) == 0:
		r.say = fmt.Sprintf("Every vial of batch %s is gone already.", batch)
	}
	return r, err
}

// placeScanned reads a shelf's code: "R1/A", in small letters too, with a space or a hyphen for the stroke. A unit with one
// shelf is that shelf.
func placeScanned(site *stock.Site, s string) (string, bool) {
	plain := func(s string) string {
		return strings.ToUpper(strings.NewReplacer(" ", "/", "-", "/").Replace(s))
	}
	for _, r := range site.Rooms {
		for _, u := range r.Units {
			for _, shelf := range u.Shelves {
				place := u.Code + "/" + shelf.Code
				if plain(place) == plain(s) || len(u.Shelves) == 1 && strings.EqualFold(u.Code, s) {
					return place, true
				}
			}
		}
	}
	return "", false
}

func packWords(e label.Elements) string {
	if e.GTIN == "" {
		return ""
	}
	words := " (GTIN " + e.GTIN
	if e.Lot != "" {
		words += ", lot " + e.Lot
	}
	return words + ")"
}

// notRead says what to do with a code that is damaged, foreign or mistyped.
func notRead(s string, err error) string {
	if looksLikeCode(s) {
		return upperFirst(err.Error()) + ". Scan it again, or type the short code under it; if it cannot be read, put the vial aside and ask a pharmacist."
	}
	if len(s) > 40 {
		s = s[:40] + " ..."
	}
	return fmt.Sprintf("%q is no vial, shelf, destination or thing to do of this site. Scan one of these.", s)
}
