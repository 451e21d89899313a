package beyonduse

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Categories of the sterile chapter, lowest first.
const (
	Immediate = "immediate"
	Category1 = "1"
	Category2 = "2"
	Category3 = "3"
)

// Methods by which a preparation is made sterile.
const (
	Aseptic  = "aseptic"
	Terminal = "terminal" // sterilised in its final container
)

// Sterility is what of a preparation decides its row in the table. Immediate use and Category 1 look at nothing else.
type Sterility struct {
	Category   string // the lower of product and area: see Lower
	Method     string
	Tested     bool // a sterility test is part of this preparation, for Category 3 with all its further tests
	Nonsterile bool // one or more starting components are not sterile
}

// Lower is the category a preparation has in an area that may work up to another one. "" (no preparation) is below all
// and comes out wherever one of the two is "" or unknown.
func Lower(a, b string) string {
	order := []string{Immediate, Category1, Category2, Category3}
	i := min(slices.Index(order, a), slices.Index(order, b))
	if i < 0 {
		return ""
	}
	return order[i]
}

// Need says what a cell asks of a fact that is true or false.
type Need int

const (
	Either Need = iota
	No
	Yes
)

func (n Need) admits(fact bool) bool { return n == Either || (n == Yes) == fact }

// Cell is one limit of the table: exactly one of Hours (elapsed) and Days (see walltime.AddDays) is above 0.
type Cell struct {
	Category    string
	Method      string // "" = either
	Tested      Need
	Nonsterile  Need
	Storage     stock.Storage
	Hours, Days int
	Source      string
	Confirmed   bool // false: nobody may rely on it before a pharmacist has read the official text
}

// Table is the longest beyond-use dates of the sterile chapter, or a site's form of them. A class of storage without a
// cell is not allowed.
type Table []Cell

// Shipped is the table of USP <797> (official 1 November 2023). The official text could not be read; each row names
// the copy its figures were read in, and rows read in unofficial copies only are not confirmed.
func Shipped() Table {
	const (
		chapter    = "USP <797> (official 1 Nov 2023), read in "
		phar       = chapter + "Wis. Admin. Code Phar 15.37 (R)"
		unofficial = chapter + "two unofficial copies of state code (R, confirm)"
		copied     = chapter + "a secondary copy (R)"
		atOnce     = chapter + "Wis. Admin. Code Phar 15.34 (R); some states allow 1 h"
	)
	hours := func(n int) Cell { return Cell{Hours: n} }
	days := func(n int) Cell { return Cell{Days: n} }
	none := Cell{}
	var t Table
	for _, r := range []struct {
		category, method            string
		tested, nonsterile          Need
		room, refrigerator, freezer Cell
		source                      string
		confirmed                   bool
	}{
		{Immediate, "", Either, Either, hours(4), none, none, atOnce, true},
		{Category1, "", Either, Either, hours(12), hours(24), none, phar, true},
		{Category2, Aseptic, No, Yes, days(1), days(4), days(45), phar, true},
		{Category2, Aseptic, No, No, days(4), days(10), days(45), phar, true},
		{Category2, Aseptic, Yes, Either, days(30), days(45), days(60), unofficial, false},
		{Category2, Terminal, No, Either, days(14), days(28), days(45), unofficial, false},
		{Category2, Terminal, Yes, Either, days(45), days(60), days(90), unofficial, false},
		{Category3, Aseptic, Yes, Either, days(60), days(90), days(120), copied, true},
		{Category3, Terminal, Yes, Either, days(90), days(120), days(180), copied, true},
	} {
		for i, c := range []Cell{r.room, r.refrigerator, r.freezer} {
			if c == none {
				continue
			}
			class := []stock.Storage{stock.Room, stock.Refrigerator, stock.Freezer}[i]
			t = append(t, Cell{r.category, r.method, r.tested, r.nonsterile, class, c.Hours, c.Days, r.source, r.confirmed})
		}
	}
	return t
}

// With puts a site's own cells in place of the shipped ones. The error lists every cell that cannot be taken: one the
// chapter has no limit for, one without exactly one limit or without a source, one longer than a figure that has been
// read in a source. A shipped figure that still waits for confirmation may be replaced by any.
func (t Table) With(own []stock.LimitCell) (Table, error) {
	site := slices.Clone(t)
	var why []string
	for _, l := range own {
		s := Sterility{l.Category, l.Method, l.Tested, l.Nonsterile}
		i := t.find(s, l.Storage)
		c := Cell{Hours: l.Hours, Days: l.Days}
		switch {
		case i < 0:
			why = append(why, noCell(s, l.Storage)+" A site can confirm or shorten the chapter's limits, not add to them.")
		case min(l.Hours, l.Days) != 0 || max(l.Hours, l.Days) <= 0 || c.length() > 366*24*time.Hour:
			why = append(why, fmt.Sprintf("The site's limit for %s in %s needs hours or days, not both, above 0 and up to a year.", s.say(), say(l.Storage)))
		case l.Source == "":
			why = append(why, fmt.Sprintf("The site's limit for %s in %s has no source: say whose figure it is.", s.say(), say(l.Storage)))
		case t[i].Confirmed && c.length() > t[i].length():
			why = append(why, fmt.Sprintf("The site's limit for %s in %s is %s, longer than the chapter's %s (%s): a site may only shorten it.",
				s.say(), say(l.Storage), c.say(), t[i].say(), t[i].Source))
		default:
			site[i].Hours, site[i].Days, site[i].Source = l.Hours, l.Days, l.Source
			site[i].Confirmed = !stock.Unsure(l.Tag) || l.ConfirmedBy != ""
		}
	}
	if len(why) > 0 {
		return t, &NoDate{why}
	}
	return site, nil
}

// Has says whether there is a limit: whether such a preparation may be kept in this class at all.
func (t Table) Has(s Sterility, class stock.Storage) bool { return t.find(s, class) >= 0 }

// find is the index of the cell that holds, or -1.
func (t Table) find(s Sterility, class stock.Storage) int {
	return slices.IndexFunc(t, func(c Cell) bool {
		return c.Category == s.Category && c.Storage == class && (c.Method == "" || c.Method == s.Method) &&
			c.Tested.admits(s.Tested) && c.Nonsterile.admits(s.Nonsterile)
	})
}

// after is the end of the cell's limit when it starts to count at t.
func (c Cell) after(t time.Time, zone *time.Location) time.Time {
	if c.Days > 0 {
		return walltime.AddDays(t, c.Days, zone)
	}
	return t.Add(time.Duration(c.Hours) * time.Hour)
}

// LongestFrom answers the latest beyond-use date any cell of the table gives for what was prepared then, in words of the
// limit too. Whoever needs more than that has a wrong year or another kind of date before them.
func (t Table) LongestFrom(made time.Time, zone *time.Location) (time.Time, string) {
	longest := slices.MaxFunc(t, func(a, b Cell) int { return cmp.Compare(a.length(), b.length()) })
	return longest.after(made, zone), longest.say() + ", " + longest.Source
}

func (c Cell) length() time.Duration { return time.Duration(c.Hours+24*c.Days) * time.Hour }

func (c Cell) say() string {
	switch {
	case c.Days == 1:
		return "1 day"
	case c.Days > 1:
		return fmt.Sprintf("%d days", c.Days)
	default:
		return fmt.Sprintf("%d h", c.Hours)
	}
}

func (s Sterility) say() string {
	if s.Category == Immediate {
		return "immediate use"
	}
	words := []string{"Category " + s.Category}
	if s.Category == Category1 {
		return words[0]
	}
	switch s.Method {
	case Aseptic:
		words = append(words, "aseptic")
	case Terminal:
		words = append(words, "terminally sterilised")
	default:
		words = append(words, fmt.Sprintf("method %q", s.Method))
	}
	words = append(words, map[bool]string{true: "sterility tested", false: "not sterility tested"}[s.Tested])
	words = append(words, map[bool]string{true: "with a nonsterile component", false: "only sterile components"}[s.Nonsterile])
	return strings.Join(words, ", ")
}

func say(class stock.Storage) string {
	switch class {
	case stock.Room:
		return "room storage"
	case stock.Refrigerator:
		return "the refrigerator"
	case stock.Freezer:
		return "the freezer"
	default:
		return fmt.Sprintf("storage %q", class)
	}
}

func noCell(s Sterility, class stock.Storage) string {
	if s.Category == Immediate {
		return fmt.Sprintf("The sterile chapter's table has no limit for immediate use in %s: such a preparation is never stored, and is used within its limit at room.", say(class))
	}
	return fmt.Sprintf("The sterile chapter's table has no limit for %s, in %s.", s.say(), say(class))
}
