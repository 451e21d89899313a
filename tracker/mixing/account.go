package mixing

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"vialward/tracker/stock"
)

// Codes of what does not add up when a batch is closed.
const (
	CodeVials    = "vials"
	CodeDisposal = "disposal"
)

// Account is what a batch came to, in vials and in what was thrown away.
type Account struct {
	Measured

	InRecord   int // vials the record has of it
	Labelled   int // of them, those that carry or carried a label
	Unlabelled int // of them, those that were thrown away without one

	SourceVials int  // that went in; 0 = not recorded
	Dissolved   bool // something was dissolved, so there are source vials
	Disposed    []stock.Disposal
}

// Check refuses an account that does not add up, with every *stock.Refusal that applies: each full vial was labelled,
// rejected or kept as a sample, each vial of the record was labelled or thrown away, and each source vial, each rejected
// vial, the residue and the sharps went into a container.
func (a Account) Check() error {
	var refused []error
	refuse := func(when bool, code, format string, args ...any) {
		if when {
			refused = append(refused, stock.Refuse(code, "", format, args...))
		}
	}
	sum := a.Labelled + a.Rejected + a.Sampled
	refuse(a.Filled != sum, CodeVials, "%d vials were filled, but %d labelled, %d rejected and %d samples make %d: count again", a.Filled, a.Labelled, a.Rejected, a.Sampled, sum)
	open := a.InRecord - a.Labelled - a.Unlabelled
	refuse(open > 0, CodeVials, "%s of the record %s neither labelled nor thrown away: label or discard %s first", vials(open), isOrAre(open), themOrIt(open))
	refuse(a.Unlabelled > a.Rejected+a.Sampled, CodeVials, "the record has %s thrown away without a label, more than the %d rejected and %d samples: count again", vials(a.Unlabelled), a.Rejected, a.Sampled)
	refused = append(refused, a.disposed()...)
	return errors.Join(refused...)
}

var disposals = []string{stock.SourceVials, stock.Sharps, stock.Residue, stock.RejectedVials}

func (a Account) disposed() (refused []error) {
	refuse := func(when bool, format string, args ...any) {
		if when {
			refused = append(refused, stock.Refuse(CodeDisposal, "", format, args...))
		}
	}
	count, volume, there := map[string]int{}, map[string]stock.Microlitres{}, map[string]bool{}
	for _, d := range a.Disposed {
		known := slices.Contains(disposals, d.What)
		refuse(!known, "%q is nothing a batch leaves behind; write one of: %s", d.What, strings.Join(disposals, ", "))
		refuse(known && strings.TrimSpace(d.Container) == "", "name the container the %s went into, in the site's own words", d.What)
		inML := d.What == stock.Residue
		refuse(known && (d.Count < 0 || d.Count > MaxVials || d.Volume < 0 || d.Volume > maxMilli), "%s: a count or volume is below 0 or out of reach", d.What)
		refuse(known && (inML && d.Count != 0 || !inML && d.Volume != 0), "%s: residue is a volume, all else is counted", d.What)
		count[d.What] += d.Count
		volume[d.What] += d.Volume
		there[d.What] = true
	}
	if len(refused) > 0 {
		return refused
	}
	refuse(count[stock.Sharps] == 0, "say how many sharps (needles, syringes) were thrown away, and into which container")
	switch {
	case a.SourceVials > 0:
		refuse(count[stock.SourceVials] != a.SourceVials, "%s went in, but %d spent ones were thrown away: count again", sourceVials(a.SourceVials), count[stock.SourceVials])
	case a.Dissolved:
		refuse(count[stock.SourceVials] == 0, "say how many spent source vials were thrown away, and into which container")
	}
	refuse(volume[stock.Residue] != a.Left, "%s were left in the pool, but %s of residue were thrown away: both are the same liquid", millilitres(a.Left), millilitres(volume[stock.Residue]))
	thrown, least := count[stock.RejectedVials], max(a.Rejected-a.Unlabelled, 0)
	refuse(thrown < least || thrown > a.Rejected, "%d vials were rejected and %d of the record's thrown away without a label, but %d went into a container here: count again", a.Rejected, a.Unlabelled, thrown)
	return refused
}

func vials(n int) string {
	if n == 1 {
		return "1 vial"
	}
	return fmt.Sprintf("%d vials", n)
}

func sourceVials(n int) string { return strings.Replace(vials(n), "vial", "source vial", 1) }

func isOrAre(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

func themOrIt(n int) string {
	if n == 1 {
		return "it"
	}
	return "them"
}
