package stock

import (
	"slices"
	"time"
)

// Site is all that is set up about one pharmacy: what its file says, checked. It is a value: a new load makes a new
// version of the whole, and the old ones stay readable.
type Site struct {
	ID      int32   `json:"id"`
	Version int     `json:"version"`
	Code    string  `json:"code"`
	Name    string  `json:"name"`
	Zone    string  `json:"zone"` // IANA name
	Unit    string  `json:"unit"` // UCUM Cel or [degF]: how temperatures are shown
	Staffed []Hours `json:"staffed"`

	Sweeps             []Slot        `json:"sweeps"`
	Currency           string        `json:"currency,omitempty"`    // ISO 4217 code of all costs
	ConfirmMinutes     int           `json:"confirm_minutes"`       // a list not confirmed this long after its slot raises its own mail
	RemindMinutes      int           `json:"remind_minutes"`        // an open case is said again this often; 0 = never
	LateEntryHours     int           `json:"late_entry_hours"`      // entered later than this after it happened: flagged
	HideProducts       bool          `json:"hide_products"`         // mail subjects carry no product name
	WarmLimitFromStart bool          `json:"warm_limit_from_start"` // a warmer place's limit counts from the start of preparation
	TallMan            []string      `json:"tall_man,omitempty"`    // names as this site writes them
	Rooms              []RoomPlace   `json:"rooms"`
	Areas              []Area        `json:"areas"`
	Sensors            []Sensor      `json:"sensors"`
	Products           []Product     `json:"products"`                       // newest version of each
	Syringes           []Microlitres `json:"syringes_microlitres,omitempty"` // sizes at hand where batches are prepared
	People             []Person      `json:"people"`
	Routes             []Route       `json:"routes"`
	Destinations       []Dest        `json:"destinations"`
	Limits             []LimitCell   `json:"limits,omitempty"` // the chapter's cells this site confirmed or shortened
	Rules              []AlarmRule   `json:"rules"`            // for every unit of a class unless the unit has its own
	Reasons            []WasteCause  `json:"waste_causes,omitempty"`

	Labels       []LabelSize `json:"label_sizes,omitempty"`  // none = ShippedLabels
	Competencies string      `json:"competencies,omitempty"` // Enforced, also where it is empty, or Shown
}

// Hours is a span of staffed time on some weekdays, wall time.
type Hours struct {
	Days []string `json:"days"` // "Mon".."Sun"
	From string   `json:"from"` // "06:30"
	To   string   `json:"to"`
}

// Slot is a wall time at which a sweep list is due.
type Slot struct {
	Days []string `json:"days"`
	At   string   `json:"at"` // "07:00"
}

// RoomPlace holds storage units, in walking order.
type RoomPlace struct {
	Code  string `json:"code"`
	Name  string `json:"name"`
	Units []Unit `json:"units"`
}

// Words name a room: "room Q-110, aseptic suite".
func (r RoomPlace) Words() string {
	if r.Name == "" || r.Name == r.Code {
		return "room " + r.Code
	}
	return "room " + r.Code + ", " + r.Name
}

// Unit is a refrigerator, freezer or room-temperature cabinet.
type Unit struct {
	Code          string      `json:"code"`
	Name          string      `json:"name"`
	Class         Storage     `json:"class"`
	HazardousOnly bool        `json:"hazardous_only"`
	Shelves       []Shelf     `json:"shelves"`
	MoveTo        []string    `json:"move_to,omitempty"` // where stock goes when this one fails
	Capacity      int         `json:"capacity,omitempty"`
	Rules         []AlarmRule `json:"rules,omitempty"`
	// WorstMilliC is what counts where no sensor speaks; nil = unknown.
	WorstMilliC *int32 `json:"worst_milli_celsius,omitempty"`
}

// Shelf in walking order.
type Shelf struct {
	Code     string `json:"code"`
	ColdSpot bool   `json:"cold_spot,omitempty"`
}

// Area is a preparation area with the highest category it may work at, dated.
type Area struct {
	Code     string       `json:"code"`
	Name     string       `json:"name"`
	Statuses []AreaStatus `json:"statuses"`
}

// AreaStatus counts from an instant on. Category "" = no preparation; "1", "2", "3".
type AreaStatus struct {
	From     time.Time `json:"from"`
	Category string    `json:"category"`
	Reason   string    `json:"reason,omitempty"`
}

// Sensor is a temperature logger or one channel of it.
type Sensor struct {
	Code            string        `json:"code"`
	InLiquid        bool          `json:"in_liquid"`
	Interval        time.Duration `json:"interval_ns"`       // between samples
	DeliversEvery   time.Duration `json:"delivers_every_ns"` // how often they arrive
	Assignments     []Assignment  `json:"assignments"`
	Calibrations    []Calibration `json:"calibrations"`
	MaxGap          time.Duration `json:"max_gap_ns"` // longer waits are no data
	SilentAfterMins int           `json:"silent_after_minutes"`
	StuckAfter      time.Duration `json:"stuck_after_ns,omitempty"` // one value for so long is worth a look; 0 = never
}

// Assignment says where a sensor was from when to when and for which shelves it speaks (none = all).
type Assignment struct {
	Unit    string    `json:"unit"`
	Shelves []string  `json:"shelves,omitempty"`
	From    time.Time `json:"from"`
	To      time.Time `json:"to"` // zero = still
}

// Calibration of a sensor: corrected = raw + offset.
type Calibration struct {
	Certificate       string    `json:"certificate"`
	From              time.Time `json:"from"`
	To                time.Time `json:"to"`
	Due               time.Time `json:"due"`
	OffsetMilliC      int32     `json:"offset_milli_celsius"`
	UncertaintyMilliC int32     `json:"uncertainty_milli_celsius"`
}

// AlarmRule is a limit on a unit's temperatures, as data. Source is required: whose figure it is.
type AlarmRule struct {
	Kind         string        `json:"kind"` // warm, cold, freeze, no_data
	LimitMilliC  int32         `json:"limit_milli_celsius"`
	Delay        time.Duration `json:"delay_ns"`
	Window       time.Duration `json:"window_ns"` // 0 = continuous; else minutes beyond add up within it
	ClearAfter   time.Duration `json:"clear_after_ns"`
	Severity     string        `json:"severity"` // high, medium, low
	Hold         bool          `json:"hold"`
	Source       string        `json:"source"`
	Tag          string        `json:"tag,omitempty"`       // how sure the source is; M or "confirm" needs ConfirmedBy
	ForClass     Storage       `json:"for_class,omitempty"` // of the site's general rules
	ConfirmedBy  string        `json:"confirmed_by,omitempty"`
	PageWhenOpen bool          `json:"page"`
}

// Route says who gets which mail.
type Route struct {
	Kinds      []string `json:"kinds"`      // mail kinds or "all"
	Severities []string `json:"severities"` // high, medium, low; none = all
	Units      []string `json:"units,omitempty"`
	To         []string `json:"to"` // person codes or addresses
}

// Dest is where vials are issued to, with the life a vial must have left there.
type Dest struct {
	Code          string `json:"code"`
	Name          string `json:"name"`
	MarginMinutes int    `json:"margin_minutes"`
}

// LimitCell is one cell of the sterile chapter's table as this site uses it.
type LimitCell struct {
	Category    string  `json:"category"`
	Method      string  `json:"method,omitempty"`
	Tested      bool    `json:"tested"`
	Nonsterile  bool    `json:"nonsterile"`
	Storage     Storage `json:"storage"`
	Hours       int     `json:"hours,omitempty"` // exactly one of hours and days
	Days        int     `json:"days,omitempty"`
	Source      string  `json:"source"`
	Tag         string  `json:"tag,omitempty"` // how sure the source is; M or "confirm" needs ConfirmedBy
	ConfirmedBy string  `json:"confirmed_by"`
}

// WasteCause is one reason of the closed list, with its class: avoidable, not avoidable, held for readiness.
type WasteCause struct {
	Code  string `json:"code"`
	Words string `json:"words"`
	Class string `json:"class"`
}

// UnitAt finds a storage unit and the room it stands in.
func (s *Site) UnitAt(code string) (Unit, RoomPlace, bool) {
	for _, r := range s.Rooms {
		for _, u := range r.Units {
			if u.Code == code {
				return u, r, true
			}
		}
	}
	return Unit{}, RoomPlace{}, false
}

// Cause of the site's closed list; one that is not in it has no words and no class.
func (s *Site) Cause(code string) WasteCause {
	for _, c := range s.Reasons {
		if c.Code == code {
			return c
		}
	}
	return WasteCause{Code: code}
}

// Shelf says whether the unit has it.
func (u Unit) Shelf(code string) (Shelf, bool) {
	for _, s := range u.Shelves {
		if s.Code == code {
			return s, true
		}
	}
	return Shelf{}, false
}

// Sensor by code.
func (s *Site) Sensor(code string) (Sensor, bool) {
	for _, x := range s.Sensors {
		if x.Code == code {
			return x, true
		}
	}
	return Sensor{}, false
}

// At is the sensor's assignment at an instant.
func (s Sensor) At(t time.Time) (Assignment, bool) {
	for _, a := range s.Assignments {
		if !t.Before(a.From) && (a.To.IsZero() || t.Before(a.To)) {
			return a, true
		}
	}
	return Assignment{}, false
}

// CalibrationAt is the certificate that counts at an instant.
func (s Sensor) CalibrationAt(t time.Time) (Calibration, bool) {
	for _, c := range s.Calibrations {
		if !t.Before(c.From) && (c.To.IsZero() || t.Before(c.To)) {
			return c, true
		}
	}
	return Calibration{}, false
}

// RulesOf a unit: its own rule of a kind stands before the site's for its class.
func (s *Site) RulesOf(u Unit) []AlarmRule {
	rules := slices.Clone(u.Rules)
	for _, r := range s.Rules {
		own := slices.ContainsFunc(u.Rules, func(o AlarmRule) bool { return o.Kind == r.Kind })
		if !own && (r.ForClass == "" || r.ForClass == u.Class) {
			rules = append(rules, r)
		}
	}
	return rules
}

// CategoryAt is the highest category an area may work at; "" = no preparation.
func (a Area) CategoryAt(t time.Time) (category, reason string) {
	var last time.Time
	for _, s := range a.Statuses {
		if !t.Before(s.From) && !s.From.Before(last) {
			category, reason, last = s.Category, s.Reason, s.From
		}
	}
	return category, reason
}

// Area by code.
func (s *Site) Area(code string) (Area, bool) {
	for _, a := range s.Areas {
		if a.Code == code {
			return a, true
		}
	}
	return Area{}, false
}

// Destination by code.
func (s *Site) Destination(code string) (Dest, bool) {
	for _, d := range s.Destinations {
		if d.Code == code {
			return d, true
		}
	}
	return Dest{}, false
}

// Location of the site's clock. The zone was checked when the site was loaded; an unknown one here means the machine
// lost its zone data, and no time may be guessed then.
func (s *Site) Location() *time.Location {
	l, err := time.LoadLocation(s.Zone)
	if err != nil {
		panic("stock: zone " + s.Zone + " was known when site " + s.Code + " was loaded: " + err.Error())
	}
	return l
}
