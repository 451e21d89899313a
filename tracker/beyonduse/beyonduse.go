// Package beyonduse finds the beyond-use date (BUD) of a preparation: the earliest of all limits, and which one governs.
//
// Limits are the sterile chapter's table (USP <797>), the product's stability row, the end of each component and the
// site's cap; stability data never lengthens the table's limit (USP <797>, R). Hours are elapsed time, days are what
// walltime.AddDays makes of them, every end is cut down to the minute. Where there is no cell or no row there is no
// date, and the error says which. Pure: no clock, no I/O.
package beyonduse

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Limits a candidate can come from, in the order in which the first of equals governs.
const (
	LimitBefore    = "before" // only of Warmer: the BUD the vial had
	LimitSterility = "sterility"
	LimitStability = "stability"
	LimitComponent = "component"
	LimitCap       = "cap"
)

// Stability is one row of a product's stability data that fits the preparation's diluent and concentration.
type Stability struct {
	Storage   stock.Storage
	For       time.Duration // elapsed
	Source    string
	Confirmed bool
}

// StabilityOf picks the product's rows for a diluent and a concentration, in every storage class.
func StabilityOf(p stock.Product, diluent string, c stock.Concentration) (rows []Stability) {
	for _, r := range p.Stability {
		if stock.NameKey(r.Diluent) == stock.NameKey(diluent) && r.Covers(c) {
			sure := !stock.Unsure(r.Tag) || r.ConfirmedBy != ""
			rows = append(rows, Stability{r.Storage, time.Duration(r.Minutes) * time.Minute, r.Source, sure})
		}
	}
	return rows
}

// Input is what a beyond-use date follows from.
type Input struct {
	Zone       *time.Location // of the site
	StartedAt  time.Time      // of preparation
	Storage    stock.Storage
	Sterility  Sterility
	Table      Table
	Stability  []Stability // rows for other classes than Storage do not count
	Components []stock.Component
	Cap        *time.Duration // the site's own limit; nil = none
}

// Answer is a beyond-use date with every limit it was chosen from, in the order sterility, stability, component, cap.
// All instants are UTC, cut to the minute. At the instant itself the vial is expired.
type Answer struct {
	BeyondUse  time.Time
	GovernedBy string
	Candidates []stock.Candidate
}

// NoDate is why no beyond-use date is allowed: sentences a person can act on.
type NoDate struct{ Why []string }

func (n *NoDate) Error() string { return strings.Join(n.Why, " ") }

// Compute finds the BUD of a preparation. Every reason against a date is in the error, a *NoDate.
func Compute(in Input) (Answer, error) {
	if in.Zone == nil {
		return Answer{}, &NoDate{[]string{"No zone is given, so the days of a limit cannot be told: name the site's zone."}}
	}
	in.StartedAt = walltime.Cut(in.StartedAt)
	c := collect{zone: in.Zone}
	c.stored(in, in.StartedAt)
	for _, x := range in.Components {
		c.component(x)
	}
	if in.Cap != nil {
		if *in.Cap > 0 {
			c.add(LimitCap, in.StartedAt.Add(*in.Cap), "the site's cap of "+sayHours(*in.Cap), true)
		} else {
			c.refuse("The site's cap is %s: give a cap above 0 or none.", sayHours(*in.Cap))
		}
	}
	for _, x := range c.candidates {
		if !x.BeyondUse.After(in.StartedAt) {
			c.refuse("The %s limit (%s) ends %s, not after the start of preparation, %s: nothing made then may be used.",
				x.Limit, x.Source, walltime.Say(x.BeyondUse, in.Zone), walltime.Say(in.StartedAt, in.Zone))
		}
	}
	return c.answer()
}

// Warmer is the BUD of a vial placed in a warmer class of storage, or thawed, at an instant: the earlier of the BUD so
// far and the new class's limits, both the chapter's and the product's, counted from that instant, or from the start of
// preparation where the site is stricter. It is never later than soFar. in is that of the preparation with Storage the
// new class; components and cap have had their say in soFar. Not for a vial carried past a warm place, nor for a move
// back: that changes nothing. The BUD may come out at or before the instant itself: the vial is expired then.
func Warmer(in Input, soFar, at time.Time, fromStart bool) (Answer, error) {
	if in.Zone == nil {
		return Answer{}, &NoDate{[]string{"No zone is given, so the days of a limit cannot be told: name the site's zone."}}
	}
	c := collect{zone: in.Zone}
	c.add(LimitBefore, soFar, "the beyond-use date before the move", true)
	if fromStart {
		at = in.StartedAt
	}
	c.stored(in, walltime.Cut(at))
	return c.answer()
}

// collect gathers candidates and reasons against any date.
type collect struct {
	zone       *time.Location
	candidates []stock.Candidate
	why        []string
}

func (c *collect) add(limit string, end time.Time, source string, confirmed bool) {
	c.candidates = append(c.candidates, stock.Candidate{
		Limit: limit, BeyondUse: walltime.CutMinute(end), Source: source, Confirmed: confirmed,
	})
}

func (c *collect) refuse(format string, args ...any) {
	c.why = append(c.why, fmt.Sprintf(format, args...))
}

// stored adds the limits that belong to a class of storage, counted from an instant. Several stability rows that fit
// all count.
func (c *collect) stored(in Input, from time.Time) {
	if i := in.Table.find(in.Sterility, in.Storage); i >= 0 {
		cell := in.Table[i]
		source := cell.Source + ": " + in.Sterility.say() + ", " + string(in.Storage) + ", " + cell.say()
		c.add(LimitSterility, cell.after(from, in.Zone), source, cell.Confirmed)
	} else {
		c.why = append(c.why, noCell(in.Sterility, in.Storage))
	}
	found := false
	for _, r := range in.Stability {
		if r.Storage == in.Storage {
			c.add(LimitStability, from.Add(r.For), r.Source, r.Confirmed)
			found = true
		}
	}
	if !found {
		c.refuse("There is no stability row for %s: add one with its source, or store the preparation where there is one.", say(in.Storage))
	}
}

// answer picks the earliest candidate, the first of equals.
func (c *collect) answer() (Answer, error) {
	if len(c.why) > 0 {
		return Answer{}, &NoDate{c.why}
	}
	first := slices.MinFunc(c.candidates, func(a, b stock.Candidate) int { return a.BeyondUse.Compare(b.BeyondUse) })
	return Answer{first.BeyondUse, first.Limit, c.candidates}, nil
}

// sayHours prints a duration as hours where they are exact to a thousandth.
func sayHours(d time.Duration) string {
	const milliHour = time.Hour / 1000
	if d%milliHour != 0 {
		return d.String()
	}
	return stock.SayMilli(int64(d/milliHour)) + " h"
}
