package config

// siteFile is a site as its TOML file says it: plain words and decimal text, in the order in which it is printed. The
// demo's site.toml explains every key; the other site*.go files turn it into a stock.Site and back. Text for times is
// "15 min" (units of UCUM: s, min, h), for instants "2025-10-13", "2025-10-13 07:00" or RFC 3339.
type siteFile struct {
	Code               string   `toml:"code,required"`
	Name               string   `toml:"name,required"`
	Zone               string   `toml:"zone,required"`
	Unit               string   `toml:"unit,required"`
	Currency           string   `toml:"currency"`
	ConfirmWithin      string   `toml:"confirm_within,required"`
	RemindEvery        string   `toml:"remind_every"`
	LateEntryAfter     string   `toml:"late_entry_after,required"`
	HideProducts       bool     `toml:"hide_products"`
	WarmLimitFromStart bool     `toml:"warm_limit_from_start"`
	TallMan            []string `toml:"tall_man"`
	Syringes           []string `toml:"syringes"`
	Competencies       string   `toml:"competencies"` // enforced or shown

	Staffed      []hoursFile       `toml:"staffed,required"`
	Sweeps       []slotFile        `toml:"sweeps,required"`
	People       []personFile      `toml:"people,required"`
	Routes       []routeFile       `toml:"routes,required"`
	Rooms        []roomFile        `toml:"rooms,required"`
	Areas        []areaFile        `toml:"areas"`
	Rules        []ruleFile        `toml:"rules"`
	Sensors      []sensorFile      `toml:"sensors"`
	Limits       []limitFile       `toml:"limits"`
	Products     []productFile     `toml:"products"`
	Destinations []destinationFile `toml:"destinations"`
	Causes       []causeFile       `toml:"waste_causes"`
	Labels       []labelFile       `toml:"labels"`
}

type hoursFile struct {
	Days []string `toml:"days,required"`
	From string   `toml:"from,required"`
	To   string   `toml:"to,required"`
}

type slotFile struct {
	Days []string `toml:"days,required"`
	At   string   `toml:"at,required"`
}

type personFile struct {
	Code  string   `toml:"code,required"`
	Name  string   `toml:"name"`
	Mail  string   `toml:"mail"`
	Roles []string `toml:"roles,required"`
	Left  string   `toml:"left"`

	Competencies []competencyFile `toml:"competencies"`
}

type competencyFile struct {
	What       string `toml:"what,required"`
	AssessedBy string `toml:"assessed_by,required"`
	From       string `toml:"from,required"`
	Until      string `toml:"until,required"` // a date: its last day
	Note       string `toml:"note"`
}

type routeFile struct {
	Kinds      []string `toml:"kinds,required"`
	Severities []string `toml:"severities"`
	Units      []string `toml:"units"`
	To         []string `toml:"to,required"`
}

type roomFile struct {
	Code  string     `toml:"code,required"`
	Name  string     `toml:"name"`
	Units []unitFile `toml:"units"`
}

type unitFile struct {
	Code          string     `toml:"code,required"`
	Name          string     `toml:"name"`
	Class         string     `toml:"class,required"`
	HazardousOnly bool       `toml:"hazardous_only"`
	Shelves       []string   `toml:"shelves,required"`
	ColdSpots     []string   `toml:"cold_spots"`
	MoveTo        []string   `toml:"move_to"`
	Capacity      int        `toml:"capacity"`
	WorstCelsius  string     `toml:"worst_celsius"`
	Rules         []ruleFile `toml:"rules"`
}

type areaFile struct {
	Code       string         `toml:"code,required"`
	Name       string         `toml:"name"`
	Categories []categoryFile `toml:"categories,required"`
}

type categoryFile struct {
	From     string `toml:"from,required"`
	Category string `toml:"category,required"` // 1, 2, 3 or none
	Reason   string `toml:"reason"`
}

type ruleFile struct {
	Kind         string `toml:"kind,required"`
	Class        string `toml:"class"` // of the site's general rules
	LimitCelsius string `toml:"limit_celsius"`
	Delay        string `toml:"delay"`
	Within       string `toml:"within"` // cumulative: minutes beyond add up in this window
	ClearAfter   string `toml:"clear_after"`
	Severity     string `toml:"severity,required"`
	Hold         bool   `toml:"hold"`
	Page         bool   `toml:"page"`
	Source       string `toml:"source,required"`
	Tag          string `toml:"tag"`
	ConfirmedBy  string `toml:"confirmed_by"`
}

type sensorFile struct {
	Code          string            `toml:"code,required"`
	Medium        string            `toml:"medium,required"` // air or liquid
	Interval      string            `toml:"interval,required"`
	DeliversEvery string            `toml:"delivers_every"`
	MaxGap        string            `toml:"max_gap"`
	SilentAfter   string            `toml:"silent_after"`
	StuckAfter    string            `toml:"stuck_after"`
	Assignments   []assignmentFile  `toml:"assignments"`
	Calibrations  []calibrationFile `toml:"calibrations"`
}

type assignmentFile struct {
	Unit    string   `toml:"unit,required"`
	Shelves []string `toml:"shelves"`
	From    string   `toml:"from,required"`
	To      string   `toml:"to"`
}

type calibrationFile struct {
	Certificate        string `toml:"certificate,required"`
	From               string `toml:"from,required"`
	To                 string `toml:"to"`
	Due                string `toml:"due,required"`
	OffsetCelsius      string `toml:"offset_celsius"`
	UncertaintyCelsius string `toml:"uncertainty_celsius,required"`
}

type limitFile struct {
	Category    string `toml:"category,required"`
	Method      string `toml:"method"`
	Tested      bool   `toml:"sterility_tested"`
	Nonsterile  bool   `toml:"nonsterile_component"`
	Storage     string `toml:"storage,required"`
	Hours       int    `toml:"hours"`
	Days        int    `toml:"days"`
	Source      string `toml:"source,required"`
	Tag         string `toml:"tag"`
	ConfirmedBy string `toml:"confirmed_by"`
}

type productFile struct {
	Comment          string `toml:"#"`
	Code             string `toml:"code,required"`
	Name             string `toml:"name,required"`
	Amount           string `toml:"amount,required"`
	Volume           string `toml:"volume,required"`
	Container        string `toml:"container,required"`
	ContainerVolume  string `toml:"container_volume,required"`
	GTIN             string `toml:"gtin"`
	Route            string `toml:"route"`
	Category         string `toml:"category,required"`
	Method           string `toml:"method"`
	Tested           bool   `toml:"sterility_tested"`
	Nonsterile       bool   `toml:"nonsterile_component"`
	Storage          string `toml:"storage,required"`
	Cap              string `toml:"cap"`
	AllowedOut       string `toml:"allowed_out"`
	AllowedOutSource string `toml:"allowed_out_source"`
	Bench            string `toml:"bench,required"`
	FreezeCelsius    string `toml:"freeze_celsius"`
	FreezeSensitive  bool   `toml:"freeze_sensitive"`
	Light            bool   `toml:"protect_from_light"`
	Hazardous        bool   `toml:"hazardous"`
	HighAlert        bool   `toml:"high_alert"`
	Warning          string `toml:"warning"`
	Disposal         string `toml:"disposal,required"`
	Sharps           string `toml:"sharps"`
	LossPerSource    string `toml:"loss_per_source_vial"`
	LossPerVial      string `toml:"loss_per_vial"`
	LossOfPool       string `toml:"loss_of_pool"`
	Tolerance        string `toml:"tolerance_percent"`
	TwoPersons       bool   `toml:"two_persons"`
	ApprovedBy       string `toml:"approved_by"`

	Stability  []stabilityFile `toml:"stability,required"`
	Components []componentFile `toml:"components,required"`
	Costs      []costFile      `toml:"costs"`
}

type stabilityFile struct {
	Diluent     string `toml:"diluent,required"`
	FromMgPerML string `toml:"from_mg_per_ml"`
	ToMgPerML   string `toml:"to_mg_per_ml"`
	Storage     string `toml:"storage,required"`
	StableFor   string `toml:"stable_for,required"`
	Source      string `toml:"source,required"`
	Tag         string `toml:"tag"`
	ConfirmedBy string `toml:"confirmed_by"`
}

type componentFile struct {
	Name      string         `toml:"name,required"`
	Powder    bool           `toml:"powder"`
	Diluent   bool           `toml:"diluent"`
	Container bool           `toml:"container"`
	Optional  bool           `toml:"optional"`
	PerVial   string         `toml:"per_source_vial"`
	Dissolve  string         `toml:"dissolve_in"`
	Opened    string         `toml:"opened"`
	LabelLine *labelLineFile `toml:"label_line"`
}

type labelLineFile struct {
	Diluent       string `toml:"diluent,required"`
	Concentration string `toml:"concentration,required"`
	Volume        string `toml:"volume,required"`
	Source        string `toml:"source,required"`
}

type costFile struct {
	From string `toml:"from,required"`
	Each string `toml:"each,required"`
}

type destinationFile struct {
	Code   string `toml:"code,required"`
	Name   string `toml:"name"`
	Margin string `toml:"margin"`
}

type causeFile struct {
	Code  string `toml:"code,required"`
	Words string `toml:"words,required"`
	Class string `toml:"class,required"`
}

// labelFile is a label as the printer holds it: lengths in mm and type in points, decimal text.
type labelFile struct {
	Code     string `toml:"code,required"`
	Name     string `toml:"name"`
	Width    string `toml:"width_mm,required"`
	Height   string `toml:"height_mm,required"`
	Margin   string `toml:"margin_mm"`
	Symbol   string `toml:"symbol_mm,required"`
	NameType string `toml:"name_type_pt,required"`
	Type     string `toml:"type_pt,required"`
	CodeType string `toml:"code_type_pt,required"`
	Overwrap bool   `toml:"overwrap"`
}
