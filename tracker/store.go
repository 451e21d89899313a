package tracker

import (
	"context"
	"fmt"
	"time"

	"vialward/alerts"
	"vialward/tracker/chain"
	"vialward/tracker/stock"
	"vialward/tracker/sweep"
	"vialward/tracker/templog"
	"vialward/tracker/thermal"
	"vialward/tracker/waste"
)

// Store is what the operations need of a database. Package db implements it over Postgres.
type Store interface {
	// In runs f in one transaction on one site. Nothing f did stays unless f and the commit both succeed. It runs f
	// again, at most a few times, when Postgres could not serialise it: f may have no effect outside the Tx.
	In(ctx context.Context, site string, f func(Tx) error) error
	// Read runs f on one unchanging view of the site.
	Read(ctx context.Context, site string, f func(View) error) error
	// Sites lists the codes of all sites.
	Sites(ctx context.Context) ([]string, error)
	// TokenActor finds who holds an API token, by its SHA-256, and the token's site as it is set up now, and notes that it
	// was used. ErrNotFound for an unknown, expired or revoked one.
	TokenActor(ctx context.Context, hash []byte, now time.Time) (Token, *stock.Site, error)
	// NewSite makes an empty site for a first load and answers its number; an existing one is answered as it is.
	NewSite(ctx context.Context, code, zone string) (int32, error)

	PeopleStore
}

// Tx is a transaction: a View that can also add to the record.
type Tx interface {
	View
	// Order takes the site's order before an event is there to be added, until commit: cases and vials read after it are
	// changed by nobody else meanwhile. Sensors are locked before it, all of them.
	Order(ctx context.Context) error
	// Append gives the event its place in the site's order, binds it to the one before and stores it, with what was handed
	// over for it: NewBatch, Linger, Release, SetArea, PlanWork, SaveSite, SaveSweep, and the readings of an intake come before their
	// event. It holds the site's order until commit. A transaction that hands over rows and appends nothing is refused.
	Append(ctx context.Context, e *stock.Event) error
	// Vials loads these vials under lock, in the order asked for, touches filled in. An unknown one is a Refusal that
	// names it; a code twice is one too.
	Vials(ctx context.Context, codes []string) ([]stock.Vial, error)
	// Linger hands over where a vial may have been besides: a possible stay, with both its ends.
	Linger(s Stay)
	// SaveVials stores what one event made of its vials: rows, stays, own holds, closing.
	SaveVials(ctx context.Context, e stock.Event, before, after []stock.Vial) error
	// NewBatch hands over a batch; its vials are saved after the event.
	NewBatch(b stock.Batch, latest time.Time, componentEnds []time.Time) error
	// SignStep hands over step n of a batch's record.
	SignStep(batch string, n int, s stock.Step)
	// CloseBatch hands over the end of a batch's record.
	CloseBatch(batch string, c stock.Closing) error
	// NextNumber of a series of the site ("case", "sweep", "batch 251112", ...), from 1, without holes once committed.
	NextNumber(ctx context.Context, series string) (int64, error)
	// Release hands over that an excursion's hold is taken off vials.
	Release(h HoldRow, vials []string, coveredTo time.Time)
	// Post adds mails to the outbox; one whose dedupe key is there already is left out. Wakes the sender at commit.
	Post(ctx context.Context, rows []alerts.Row) error
	// SetArea hands over a status of a preparation area.
	SetArea(area string, s stock.AreaStatus)
	// SaveSite hands over a new version of the site's document and of its changed products. From here on it is the Site of
	// this transaction.
	SaveSite(ctx context.Context, s stock.Site, changed []stock.Product, at time.Time) error
	// AddToken stores a token's hash.
	AddToken(ctx context.Context, hash []byte, k Token) error
	// RevokeToken ends one; of one that was revoked nothing changes.
	RevokeToken(ctx context.Context, number int64, at time.Time) error
	PlanWork(w PlannedWork)
	// SaveSiteSilence stores how the silence of all loggers stands.
	SaveSiteSilence(ctx context.Context, s SiteSilence) error
	// Once marks a job's slot as done; false when it was done before.
	Once(ctx context.Context, job, slot string, at time.Time) (bool, error)

	IntakeTx
	SweepTx
	PeopleTx
	FormTx
}

// View reads a site.
type View interface {
	Site() *stock.Site
	// Head is the newest place in the site's chain of events.
	Head(ctx context.Context) (chain.Head, error)
	Product(ctx context.Context, code string, version int) (stock.Product, error)
	// Batch with its steps, and its closing if it has one.
	Batch(ctx context.Context, code string) (stock.Batch, error)
	// Area is a preparation area with every status it was given, by the site file and since.
	Area(ctx context.Context, code string) (stock.Area, error)
	// Find reads vials without lock, ordered by unit, shelf, BUD, code; touches filled in.
	Find(ctx context.Context, q VialQuery) ([]stock.Vial, error)
	// Life is a vial's events, oldest first.
	Life(ctx context.Context, vial string) ([]stock.Event, error)
	Stays(ctx context.Context, vial string) ([]Stay, error)
	// StaysOf several vials, in the order of their codes, then of time.
	StaysOf(ctx context.Context, vials []string) ([]Stay, error)
	// SignedOver is the hash of what a signature under that event covers, by the record as it is now.
	SignedOver(ctx context.Context, e stock.Event) (string, error)
	// Events of the site, oldest first.
	Events(ctx context.Context, q EventQuery) ([]stock.Event, error)
	Cases(ctx context.Context, q CaseQuery) ([]Case, error)
	Holds(ctx context.Context, caseNo int64) ([]HoldRow, error)
	// Touched vials of a hold: every one with a stay that meets it, released or not.
	Touched(ctx context.Context, holdID int64) ([]TouchedVial, error)
	// Readings of a sensor, raw, merged, from <= t < to.
	Readings(ctx context.Context, sensor string, from, to time.Time) ([]thermal.Reading, []thermal.Conflict, error)
	SensorsNow(ctx context.Context) ([]SensorNow, error)
	// FirstStay is the first instant from since on at which a vial stood on a shelf; false when none ever did.
	FirstStay(ctx context.Context, unit, shelf string, since time.Time) (time.Time, bool, error)
	Intakes(ctx context.Context, limit int) ([]Intake, error)
	OutboxPage(ctx context.Context, q OutboxQuery) ([]alerts.Row, error)
	Outbox(ctx context.Context, limit int) ([]alerts.Row, error)
	// Unsent mails, oldest first: posted before waitingSince and not yet taken, or failed since failedSince.
	Unsent(ctx context.Context, waitingSince, failedSince time.Time, limit int) ([]alerts.Row, error)
	Sweeps(ctx context.Context, limit int) ([]SweepRow, error)
	PlannedWork(ctx context.Context, unit string, from, to time.Time) ([]PlannedWork, error)
	// SiteSilence is the silence of all loggers that people were told of; zero for none.
	SiteSilence(ctx context.Context) (SiteSilence, error)
	// Ended reads the lives that ended from <= t < to, in the order of their ends.
	Ended(ctx context.Context, from, to time.Time) ([]waste.Ended, error)
	// OpenAt counts vials whose life had not ended by an instant, and of those the ones handed out and past their end.
	OpenAt(ctx context.Context, at time.Time) (open, overdue int, err error)
	// UnconfirmedBetween counts the lists due from <= t < to that nobody signed in time.
	UnconfirmedBetween(ctx context.Context, from, to time.Time) (int, error)
	// Done says whether a job's slot was marked by Once.
	Done(ctx context.Context, job, slot string) (bool, error)

	PeopleView
	FormView
}

// VialQuery narrows Find; zero fields do not.
type VialQuery struct {
	Codes        []string
	Batch        string
	Unit         string
	Product      string
	States       []stock.State
	BUDUntil     time.Time // BUD at or before
	ComponentLot string
	Limit        int
}

// EventQuery narrows Events; zero fields do not.
type EventQuery struct {
	Kinds    []stock.Kind
	From, To time.Time // of At
	AfterSeq int64
	Limit    int
}

// CaseQuery narrows Cases; zero fields do not.
type CaseQuery struct {
	No       int64
	Unit     string
	OpenOnly bool
	From, To time.Time // cases whose interval meets it
	Limit    int

	UntoldBefore time.Time // LateUntold lies before it
	Together     bool      // only those told with the whole site's silence
}

// Stay is where a vial was, or may have been.
type Stay struct {
	Vial     string
	Unit     string
	Shelf    string
	From, To time.Time // To zero = still
	Possible bool
}

// Place is "R1/A".
func (s Stay) Place() string { return s.Unit + "/" + s.Shelf }

// Case is a unit's excursion as people speak of it.
type Case struct {
	No           int64
	Unit, Kind   string // warm, cold, freeze, no_data
	State        string // open, recovered, closed, merged, not borne out
	From, To     time.Time
	RaisedAt     time.Time
	RecoveredAt  time.Time
	MergedInto   int64
	Late, Muted  bool
	Told         bool      // somebody was told that it is out, and not yet that it is back
	InThread     bool      // its thread of mail has begun
	Together     bool      // told by the mail that all loggers are silent, and so is its end
	LateUntold   time.Time // found in late data then, and not told of yet; zero = nothing to tell
	NextReminder time.Time
	Excursions   []ExcursionRow
}

// ExcursionRow is one sensor's excursion within a case.
type ExcursionRow struct {
	ID          int64
	Case        int64
	Sensor      string
	Rule        string // key of the rule it broke
	Unit        string
	Shelves     []string // none = all
	Found       thermal.Excursion
	MergedInto  int64
	NotBorneOut bool
}

// OutboxQuery narrows the outbox; zero fields ask for everything. Newest first.
type OutboxQuery struct {
	States []alerts.State
	Before int64 // only mails with a smaller number
	Limit  int
}

// HoldRow is an excursion's hold: one row whatever the number of vials.
type HoldRow struct {
	ID, Case, Excursion int64
	Kind, Unit          string
	Shelves             []string
	From, To            time.Time // To zero = still growing

	// The newest event of late data that changed what is known within it, and which time the new readings were of: a
	// release from before it does not count for who was there then. 0 = none.
	ChangedSeq             int64
	ChangedFrom, ChangedTo time.Time
}

// TouchedVial is a vial a hold meets, where it was then and how it stands.
type TouchedVial struct {
	Vial     stock.Vial
	Stay     Stay
	Released bool // for all of the hold as it is now
}

// SensorNow is a sensor's newest reading and what is wrong with it, if anything.
type SensorNow struct {
	Sensor       string
	LastAt       time.Time
	LastMilliC   thermal.MilliC
	LastReceipt  time.Time
	SilentSince  time.Time
	ClockSuspect string // a sentence
	ZoneDeclared string
	OddMinutes   int // by how much the last deliveries were off, and how many in a row
	OddCount     int

	Steady thermal.Steady // how long its newest value, raw, has stood

	// While it has not one reading on record: since when it has been looked for, and when people were last told.
	AwaitedSince, UnheardTold time.Time
}

// Checkpoint holds the states of a sensor's excursion machines after a reading, in their own encoding.
type Checkpoint struct {
	AtMicros int64
	States   []byte
}

// Intake is one file or post of readings.
type Intake struct {
	ID         int64
	Source     string
	Name       string
	By         string
	ReceivedAt time.Time
	Digest     []byte
	Layout     string
	Zone       string
	Rows       templog.Rows
	Refused    []templog.Refusal
	Finished   time.Time
	Withdrawn  bool
	NotRead    *NotRead // of an answer only; the record has its sentence among what was refused
}

// NotRead is the rest of a delivery, from where it could not be read on.
type NotRead struct {
	FromLine int    `json:"from_line"`
	Bytes    int64  `json:"bytes,omitzero"` // how many; 0 = that is not known
	Why      string `json:"why"`
}

func (n NotRead) String() string {
	rest := "what follows"
	if n.Bytes > 0 {
		rest = fmt.Sprintf("the rest, %d bytes,", n.Bytes)
	}
	return fmt.Sprintf("%s was not read: %s", rest, n.Why)
}

// SweepRow is a list as made.
type SweepRow struct {
	Slot        string
	Number      int
	Due, Made   time.Time
	Until       time.Time
	List        sweep.List
	ConfirmBy   time.Time
	ConfirmedAt time.Time
	ConfirmedBy string
	MissedAt    time.Time
}

// PlannedWork mutes the page of a unit, never the record.
type PlannedWork struct {
	Unit     string
	From, To time.Time
	Reason   string
	By       string
}

// SiteSilence is a silence of all loggers from when it was told until its end was.
type SiteSilence struct {
	Since time.Time // newest reading before it; zero = there is none
	Back  time.Time // when the first logger came back; zero = none has
}

// SweepTx is what making and confirming a list needs.
type SweepTx interface {
	SaveSweep(ctx context.Context, s SweepRow) (bool, error) // false: that slot has its list already
	ConfirmSweep(ctx context.Context, number int, by string, at time.Time) (SweepRow, error)
	MissSweep(ctx context.Context, number int, at time.Time) (bool, error)
}

// IntakeTx is what taking in readings needs.
type IntakeTx interface {
	// NumberIntakes takes the next n numbers of deliveries and answers the first. NewIntake stores that one arrived, numbered
	// before or now; FinishIntake hands over its classes.
	NumberIntakes(ctx context.Context, n int) (int64, error)
	NewIntake(ctx context.Context, in Intake) (int64, error)
	FinishIntake(ctx context.Context, in Intake) error
	// LockSensors serialises intakes of sensors and answers their working rows, by code. From here on Site is the document
	// in force now.
	LockSensors(ctx context.Context, codes []string) ([]SensorNow, error)
	LockSensor(ctx context.Context, sensor string) (SensorNow, error)
	SaveSensor(ctx context.Context, s SensorNow) error
	// AddReadings stores only what is new, sorted by instant, in rows numbered within the intake from first on; it answers
	// how many rows.
	AddReadings(ctx context.Context, intake int64, first int, sensor string, readings []thermal.Reading) (rows int, err error)
	// Withdrawn says whether a delivery of which a part was stored before this transaction has been set aside since.
	Withdrawn(ctx context.Context, intake int64) (bool, error)
	// WithdrawIntake sets an intake's readings aside; it answers the intake as it was before.
	WithdrawIntake(ctx context.Context, intake, seq int64) (Intake, error)
	// Spans of an intake's readings, by sensor.
	Spans(ctx context.Context, intake int64) ([]SensorSpan, error)
	// Newest is the newest reading of a sensor that counts; false when there is none.
	Newest(ctx context.Context, sensor string) (thermal.Reading, bool, error)
	// Raw readings of a sensor as stored, from <= t < to, in any order; both values of a conflicting instant are there.
	Raw(ctx context.Context, sensor string, from, to time.Time) ([][]thermal.Reading, error)
	// Checkpoint is the newest one that has seen nothing at or after an instant; false when there is none.
	Checkpoint(ctx context.Context, sensor string, before int64) (Checkpoint, bool, error)
	// SaveCheckpoints replaces those after an instant.
	SaveCheckpoints(ctx context.Context, sensor string, after int64, cs []Checkpoint) error
	// Excursions of a sensor and rule that were cleared after an instant or have not been.
	Excursions(ctx context.Context, sensor, rule string, after time.Time) ([]ExcursionRow, error)
	SaveExcursion(ctx context.Context, x *ExcursionRow) error // ID 0 = new
	SaveCase(ctx context.Context, c *Case) error              // No 0 = new
	SaveHold(ctx context.Context, h *HoldRow) error           // ID 0 = new
}

// SensorSpan is what an intake covered of one sensor.
type SensorSpan struct {
	Sensor   string
	From, To time.Time
}
