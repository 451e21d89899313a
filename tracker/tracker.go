// Package tracker is the operations a person or a clock asks for, and the Store they need. One file an operation or a
// family of them; each reads as: check who asks, load under lock, refuse or record, tell whom it concerns, commit.
//
// Domain time is always a parameter: an operation is told the instant it happened (At) and the instant it is entered
// (now, from the Tracker's clock). Nothing below asks a clock.
package tracker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Tracker runs operations against a Store.
type Tracker struct {
	Store Store
	Now   func() time.Time // the app's clock: the machine's, or the demo's
	Log   *slog.Logger

	MailDomain string // right side of Message-IDs
	URL        string // of the pages, as mails name it; "" = none
}

// Actor is who asks, and how: the record says both.
type Actor struct {
	Person stock.Person
	Via    string // machine, token, page, demo, daemon
}

// Rule is the actor of what a rule or a clock does by itself.
var Rule = Actor{Person: stock.Person{Code: "vialward", Name: "vialward"}, Via: "daemon"}

// ErrNotFound is for anything asked for by code that the record does not know; the message names it.
var ErrNotFound = errors.New("not in the record")

// ErrAway is for a database that does not answer now: nothing was done, or it is not known whether it was. What was
// asked may be asked again once it is back.
var ErrAway = errors.New("the database does not answer")

// NotFound makes an error a person can read that is ErrNotFound.
func NotFound(what, code string) error {
	return fmt.Errorf("%s %q is %w", what, code, ErrNotFound)
}

// must refuses an actor who has none of the roles.
func (a Actor) must(what string, roles ...string) error {
	if a.Via == "daemon" || a.Person.Is(roles...) {
		return nil
	}
	return stock.Refuse("role", "", "%s may not %s: it takes the role of %s", a.Person.Code, what, orList(roles))
}

func orList(words []string) string {
	s := ""
	for i, w := range words {
		switch {
		case i == 0:
		case i == len(words)-1:
			s += " or "
		default:
			s += ", "
		}
		s += w
	}
	return s
}

// when settles the instant an operation happened: now unless told, never in the future. A minute is allowed for a
// tablet's clock.
func when(at, now time.Time) (time.Time, error) {
	if at.IsZero() {
		return now, nil
	}
	if at.After(now.Add(time.Minute)) {
		return at, stock.Refuse("future", "", "%s lies in the future; say when it happened, or leave the time out", at.Format(time.RFC3339))
	}
	return walltime.Cut(at), nil
}

// recordAll applies one event to all its vials and stores event, vials, stays and holds in the running transaction.
// The answer is the vials as they are now.
func recordAll(ctx context.Context, tx Tx, e stock.Event, vials []stock.Vial) ([]stock.Vial, error) {
	for _, v := range vials {
		e.Vials = append(e.Vials, v.Code)
	}
	if err := tx.Append(ctx, &e); err != nil {
		return nil, err
	}
	after := make([]stock.Vial, len(vials))
	for i, v := range vials {
		next, err := v.Apply(e)
		if err != nil {
			return nil, err
		}
		after[i] = next
	}
	return after, tx.SaveVials(ctx, e, vials, after)
}

// event starts an event by an actor.
func event(tx Tx, kind stock.Kind, a Actor, at, now time.Time, b stock.Body) stock.Event {
	return stock.Event{Site: tx.Site().ID, Kind: kind, At: at, EnteredAt: now, By: a.Person.Code, Via: a.Via, Body: b}
}
