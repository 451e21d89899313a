// Package sweep says what to pull from which shelf, in walking order, until somebody sweeps again. Pure: the time is a
// parameter, and a List holds all it takes to print it again years later without a database.
package sweep

import (
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/thermal"
)

// Caution stands on every page of a list.
const Caution = stock.Caution

// Action is what a line asks for. Every vial of a list stands in exactly one line.
type Action string

const (
	OnHold     Action = "on_hold"            // do not use, do not discard: somebody has to decide
	NotChecked Action = "not_checked"        // nobody has verified it: do not use
	PullNow    Action = "pull_now"           // past its BUD, or nobody is there before it comes
	PullBefore Action = "use_or_pull_before" // its BUD comes at or before the next staffed sweep
	UseFirst   Action = "use_first"          // its BUD comes in the 24 hours after that
	Stay       Action = "count"              // nothing to do but to find it there
)

// Actions in the order of a page.
func Actions() []Action { return []Action{OnHold, NotChecked, PullNow, PullBefore, UseFirst, Stay} }

// List is what one sweep of one site has to look at. Its instants carry the site's offset.
type List struct {
	Site        string    `json:"site"`
	SiteName    string    `json:"site_name"`
	Zone        string    `json:"zone"`
	Fahrenheit  bool      `json:"show_fahrenheit"`
	Slot        string    `json:"slot"`   // local date and wall time, "2025-11-12 07:00"
	Number      int       `json:"number"` // running; a missing one is noticed
	DueAt       time.Time `json:"due_at"`
	DataReadAt  time.Time `json:"data_read_at"`
	StaleAfter  time.Time `json:"stale_after"`
	NextStaffed time.Time `json:"next_staffed_sweep,omitzero"` // zero: the site has none
	LooksUntil  time.Time `json:"looks_until"`                 // NextStaffed, or a day where there is none
	Expected    int       `json:"expected_vials"`
	Units       []Unit    `json:"units"`                 // in walking order
	BlankLines  int       `json:"blank_lines"`           // a page, for vials found and not listed
	RecordHead  string    `json:"record_head,omitempty"` // newest place in the record's chain when the data was read, "8123:" and its hash
}

// Unit is one page.
type Unit struct {
	Code          string    `json:"code"` // "" for vials whose record names no storage unit
	Name          string    `json:"name,omitempty"`
	Room          string    `json:"room,omitempty"`
	RoomName      string    `json:"room_name,omitempty"`
	Unknown       bool      `json:"not_set_up,omitempty"` // the record names it, the site's file does not
	HazardousOnly bool      `json:"hazardous_only,omitempty"`
	Capacity      int       `json:"capacity,omitempty"` // vials; 0 = not given
	Expected      int       `json:"expected_vials"`
	Head          Head      `json:"head"`
	Lines         []Line    `json:"lines"`   // in the order of Actions, then by instant, name and batch
	Shelves       []Counted `json:"shelves"` // every shelf of the unit, in walking order, then those not set up
}

// Counted is a shelf and how many vials should stand there.
type Counted struct {
	Shelf    string `json:"shelf"`
	Unknown  bool   `json:"not_set_up,omitempty"`
	Expected int    `json:"expected_vials"`
}

// Head is what is known of a unit's temperatures and holds; it is the daily temperature check too.
type Head struct {
	Probes []Probe   `json:"probes,omitempty"`
	Since  time.Time `json:"since,omitzero"` // last signed sweep, from when on lowest and highest count
	Holds  []string  `json:"open_holds,omitempty"`
}

// Probe is one sensor of a unit. In a List a MilliC that was older than two intervals is nil: NO DATA.
type Probe struct {
	Sensor   string        `json:"sensor"`
	Shelves  []string      `json:"shelves,omitempty"` // for which it speaks; none = all
	MilliC   *Degrees      `json:"celsius,omitempty"`
	At       time.Time     `json:"read_at,omitzero"` // of its last reading, shown or not
	Lowest   *Degrees      `json:"lowest_celsius,omitempty"`
	Highest  *Degrees      `json:"highest_celsius,omitempty"`
	Clock    string        `json:"clock_suspect,omitempty"` // a sentence
	Stuck    time.Time     `json:"stuck_since,omitzero"`    // it has shown one value and no other since then
	Interval time.Duration `json:"-"`                       // between samples
}

// Degrees is a temperature that JSON writes in °C, as every document does: 4.7, not 4700.
type Degrees thermal.MilliC

// MarshalJSON writes it exactly.
func (d Degrees) MarshalJSON() ([]byte, error) { return []byte(stock.SayMilli(int64(d))), nil }

// UnmarshalJSON reads what MarshalJSON wrote.
func (d *Degrees) UnmarshalJSON(text []byte) error {
	m, err := thermal.ParseCelsius(text)
	*d = Degrees(m)
	return err
}

// Line is one batch with one BUD and one thing to do, within one unit.
type Line struct {
	Action     Action       `json:"action"`
	Batch      string       `json:"batch"`
	Product    string       `json:"product"`
	Version    int          `json:"version"`
	Name       string       `json:"name"` // in full, with strength
	BeyondUse  time.Time    `json:"beyond_use"`
	Past       bool         `json:"past_beyond_use,omitempty"`
	PullBy     time.Time    `json:"pull_by,omitzero"` // last instant at which somebody is there before the BUD
	Held       string       `json:"on_hold_for,omitempty"`
	Unverified bool         `json:"unverified,omitempty"`
	Count      int          `json:"count"`
	Shelves    []ShelfCount `json:"shelves"` // in walking order
	Into       string       `json:"container,omitempty"`
	TwoPersons bool         `json:"two_persons,omitempty"`
	Hazardous  bool         `json:"hazardous,omitempty"`
	HighAlert  bool         `json:"high_alert,omitempty"`
	Warning    string       `json:"warning,omitempty"`
}

// ShelfCount is how many of a line stand on a shelf. Serials are there only where the unit holds other vials of the
// same batch with something else to do.
type ShelfCount struct {
	Shelf   string `json:"shelf"`
	Count   int    `json:"count"`
	Serials []int  `json:"serials,omitempty"`
}
