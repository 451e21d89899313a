package present

import (
	"context"
	"time"

	"vialward/alerts"
	"vialward/tracker"
	"vialward/tracker/sweep"
	"vialward/tracker/templog"
)

// Sweep is a list as it was made, and whether it was worked. Number 0 = a preview.
type Sweep struct {
	sweep.List
	ConfirmBy   *Instant `json:"confirm_by"`
	ConfirmedAt *Instant `json:"confirmed_at"`
	ConfirmedBy string   `json:"confirmed_by,omitempty"`
	Broken      string   `json:"signature_broken,omitempty"` // why the signature under it does not stand
}

// SweepOf in the site's time, its signature held against the record.
func SweepOf(ctx context.Context, v tracker.View, r tracker.SweepRow, now time.Time) (Sweep, error) {
	a := Of(v, now)
	broken, err := tracker.BrokenListSignature(ctx, v, r)
	return Sweep{r.List, a.Maybe(r.ConfirmBy), a.Maybe(r.ConfirmedAt), r.ConfirmedBy, broken}, err
}

// Intake is one file or post of readings.
type Intake struct {
	Intake     int64             `json:"intake"`
	Source     string            `json:"source"`
	Name       string            `json:"name"`
	ReceivedAt Instant           `json:"received_at"`
	By         string            `json:"by"`
	Zone       string            `json:"zone,omitempty"` // as given beside it
	Finished   bool              `json:"finished"`
	Rows       templog.Rows      `json:"rows"`
	Refused    []templog.Refusal `json:"refused"` // the first of them; rows has their number
	Withdrawn  bool              `json:"withdrawn"`
}

// Intake in the site's time.
func (a As) Intake(in tracker.Intake) Intake {
	return Intake{
		in.ID, in.Source, in.Name, a.Instant(in.ReceivedAt), in.By, in.Zone, !in.Finished.IsZero(), in.Rows,
		append([]templog.Refusal{}, in.Refused...), in.Withdrawn,
	}
}

// Mail is a row of the outbox without its text.
type Mail struct {
	ID        int64           `json:"id"`
	Kind      alerts.Kind     `json:"kind"`
	Severity  alerts.Severity `json:"severity"`
	To        string          `json:"to"`
	Subject   string          `json:"subject"`
	State     alerts.State    `json:"state"`
	CreatedAt Instant         `json:"created_at"`
	Attempts  int             `json:"attempts"`
	LastError string          `json:"last_error,omitempty"`
	Answer    string          `json:"relay_answer,omitempty"`
	MessageID string          `json:"message_id"`
	Thread    string          `json:"thread,omitempty"`
}

// Mail in the site's time.
func (a As) Mail(r alerts.Row) Mail {
	return Mail{r.ID, r.Kind, r.Severity, r.To, r.Subject, r.State, a.Instant(r.Created), r.Attempt, r.LastError, r.Answer, r.MessageID, r.Thread}
}
