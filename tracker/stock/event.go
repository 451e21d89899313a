package stock

import (
	"encoding/json"
	"fmt"
	"time"
)

// Kind is what happened. The list only grows; a name, once recorded, keeps its meaning for good.
type Kind string

// What happens to vials.
const (
	Prepared  Kind = "prepared"   // made and counted; not labelled yet
	TakenOver Kind = "taken_over" // there on the first day; BUD as on its label
	Labelled  Kind = "labelled"   // its label is on; Label says which number
	Verified  Kind = "verified"   // the labelled vial checked by another person
	Placed    Kind = "placed"     // first place in a storage unit
	Moved     Kind = "moved"
	Issued    Kind = "issued"
	Given     Kind = "given"
	Returned  Kind = "returned" // issued and back: always on hold
	Entered   Kind = "entered"  // punctured
	Held      Kind = "held"
	Lifted    Kind = "lifted"   // one hold of a vial's own taken off
	Released  Kind = "released" // an excursion's hold taken off these vials
	Shortened Kind = "shortened"
	Relabel   Kind = "relabelled" // a new label printed; the old code answers "old label"
	Discarded Kind = "discarded"
	Lost      Kind = "lost"
	Voided    Kind = "voided"
	Sent      Kind = "sent" // left the site
	Found     Kind = "found"
	Counted   Kind = "counted"
)

// What happens to a site, its refrigerators and its papers.
const (
	SiteLoaded      Kind = "site_loaded"
	ProductApproved Kind = "product_approved"
	AreaSet         Kind = "area_set"
	WorkPlanned     Kind = "work_planned"
	IntakePart      Kind = "intake_part" // some of a long delivery is stored; its end is another event
	IntakeTaken     Kind = "intake_taken"
	IntakeWithdrawn Kind = "intake_withdrawn"
	ZoneDeclared    Kind = "zone_declared"
	ClockSuspect    Kind = "clock_suspect"
	CaseOpened      Kind = "case_opened"
	CaseGrown       Kind = "case_grown"
	CaseRecovered   Kind = "case_recovered"
	CaseMerged      Kind = "case_merged"
	CaseNotBorneOut Kind = "case_not_borne_out"
	RowsKept        Kind = "rows_kept" // how rows that change stand after all else of a commit
	SweepMade       Kind = "sweep_made"
	SweepConfirmed  Kind = "sweep_confirmed"
	SweepMissed     Kind = "sweep_missed"
	RecallOpened    Kind = "recall_opened"
	StepSigned      Kind = "step_signed" // of a batch's record, after the batch was entered
	BatchClosed     Kind = "batch_closed"
	TokenMade       Kind = "token_made"
	TokenRevoked    Kind = "token_revoked"
	PasswordSet     Kind = "password_set"   // by its person, or the first administrator's
	PasswordReset   Kind = "password_reset" // one was given out by an administrator
	PINSet          Kind = "pin_set"
	SessionEnded    Kind = "session_ended" // by somebody else
	PersonAdded     Kind = "person_added"
	PersonChanged   Kind = "person_changed"  // name, address, roles, or that they left
	PersonAssessed  Kind = "person_assessed" // competent from then on, or no more
	FellShort       Kind = "fell_short"      // wanted, and not there
	LabelsPrinted   Kind = "labels_printed"  // of vials; Label says which number, Number how many of each
	LabelsCounted   Kind = "labels_counted"  // those of a batch: printed = used + spoiled
	CauseCorrected  Kind = "cause_corrected" // of a discard or a loss; the first one stays in the record
)

// KeepsRows says whether events of a kind carry in their Details how rows that change stand now: cases, excursions and
// holds, tokens and credentials.
func (k Kind) KeepsRows() bool {
	switch k {
	case CaseOpened, CaseGrown, CaseRecovered, CaseMerged, CaseNotBorneOut, RowsKept, IntakePart, IntakeTaken,
		TokenMade, TokenRevoked, PasswordSet, PasswordReset, PINSet:
		return true
	default:
		return false
	}
}

// Event is one line of a site's record. It is inserted once and never changed.
type Event struct {
	Site      int32
	Seq       int64     // position in the site's one order, from 1
	Kind      Kind      //
	At        time.Time // when it happened
	EnteredAt time.Time // when it was entered
	By        string    // person code, or "vialward" for what a rule did
	Via       string    // how: "machine" (--as), "token", "page", "daemon", "demo"
	Vials     []string  // the vials it happened to
	Body      Body
}

// Body holds what a kind needs beyond who, when and which vials. Its JSON is the canonical encoding over which the
// record is checked: fields stand in this order, empty ones are left out, so new fields go to the END and no field is
// ever renamed or retyped.
type Body struct {
	Batch      string     `json:"batch,omitempty"`
	Product    string     `json:"product,omitempty"`
	Version    int        `json:"version,omitempty"`
	BUD        *time.Time `json:"bud,omitempty"`
	Governs    string     `json:"governs,omitempty"`
	From       string     `json:"from,omitempty"` // place left, "R1/A"
	To         string     `json:"to,omitempty"`   // place or destination reached
	Area       string     `json:"area,omitempty"`
	Label      int        `json:"label,omitempty"`
	Hold       string     `json:"hold,omitempty"`    // kind of a vial's own hold
	HoldID     int64      `json:"hold_id,omitempty"` // an excursion's hold
	Case       int64      `json:"case,omitempty"`
	Reason     string     `json:"reason,omitempty"`
	Note       string     `json:"note,omitempty"`
	Container  string     `json:"container,omitempty"`
	Witness    string     `json:"witness,omitempty"`
	Order      string     `json:"order,omitempty"`
	CostCents  int64      `json:"cost_cents,omitempty"` // of each vial, at that time
	Counted    *int       `json:"counted,omitempty"`
	Expected   *int       `json:"expected,omitempty"`
	Since      *time.Time `json:"since,omitempty"` // earliest instant a late entry may have been true
	Until      *time.Time `json:"until,omitempty"`
	Number     int        `json:"number,omitempty"` // a list's running number, a category, a count
	Sensor     string     `json:"sensor,omitempty"`
	Intake     int64      `json:"intake,omitempty"`
	Minutes    *int       `json:"minutes,omitempty"` // out of the refrigerator, as decided
	Details    string     `json:"details,omitempty"` // canonical JSON of a kind's own record
	ISO5       bool       `json:"iso5,omitempty"`
	Digest     string     `json:"digest,omitempty"`      // of the rows it brought into other tables, hex SHA-256
	PassedOver int        `json:"passed_over,omitempty"` // vials handed out though one that ends earlier was there
	Signature  *Signature `json:"signature,omitempty"`
}

// Canonical is the encoding of everything in e that must never change, one line of JSON. Instants are UTC with
// microseconds.
func (e Event) Canonical() []byte {
	type line struct {
		Site      int32    `json:"site"`
		Seq       int64    `json:"seq"`
		Kind      Kind     `json:"kind"`
		At        string   `json:"at"`
		EnteredAt string   `json:"entered_at"`
		By        string   `json:"by"`
		Via       string   `json:"via"`
		Vials     []string `json:"vials,omitempty"`
		Body      Body     `json:"body"`
	}
	b, err := json.Marshal(line{e.Site, e.Seq, e.Kind, stamp(e.At), stamp(e.EnteredAt), e.By, e.Via, e.Vials, e.Body.utc()})
	if err != nil {
		panic("stock: an event holds only strings, numbers and times: " + err.Error())
	}
	return b
}

func stamp(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000000Z") }

// utc makes equal instants encode equally.
func (b Body) utc() Body {
	for _, t := range []**time.Time{&b.BUD, &b.Since, &b.Until} {
		if *t != nil {
			u := (*t).UTC().Truncate(time.Microsecond)
			*t = &u
		}
	}
	if b.Signature != nil {
		s := *b.Signature
		s.At = s.At.UTC().Truncate(time.Microsecond)
		b.Signature = &s
	}
	return b
}

// Ref is for filling a Body.
func Ref[T any](v T) *T { return &v }

// ParseEvent reads a canonical line back.
func ParseEvent(line []byte) (Event, error) {
	var e Event
	var l struct {
		Site      int32     `json:"site"`
		Seq       int64     `json:"seq"`
		Kind      Kind      `json:"kind"`
		At        time.Time `json:"at"`
		EnteredAt time.Time `json:"entered_at"`
		By        string    `json:"by"`
		Via       string    `json:"via"`
		Vials     []string  `json:"vials"`
		Body      Body      `json:"body"`
	}
	if err := json.Unmarshal(line, &l); err != nil {
		return e, fmt.Errorf("event line: %w", err)
	}
	return Event{l.Site, l.Seq, l.Kind, l.At, l.EnteredAt, l.By, l.Via, l.Vials, l.Body}, nil
}
