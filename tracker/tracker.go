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

	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Tracker runs operations against a Store.
type Tracker struct {
	Store Store
	Now   func() time.Time // the app's clock: the machine's, or the demo's
	Log   *slog.Logger

	Door       *Door  // by which people come in; nil = nobody can sign in
	MailDomain string // right side of Message-IDs
	URL        string // of the pages, as mails name it; "" = none
}

// Actor is who asks, and how: the record says both.
type Actor struct {
	Person stock.Person
	Via    string
	Proof  *Proof // nil = they did not give their password for this
	Once   string // of the form they sent: what it asks for is done once, however often it arrives; "" = no form
}

// Ways in which something is asked for.
const (
	ViaMachine = "machine" // a command on the machine, by a person of the site
	ViaAccount = "account" // a command on the machine, by whoever runs it: nobody of the site
	ViaToken   = "token"
	ViaPage    = "page"
	ViaDemo    = "demo"
	ViaDaemon  = "daemon"
)

// Rule is the actor of what a rule or a clock does by itself.
var Rule = Actor{Person: stock.Person{Code: "vialward", Name: "vialward"}, Via: ViaDaemon}

// Account is the actor of what is done on the machine without naming a person: the account's name is no person's code.
func Account(name string) Actor {
	return Actor{Person: stock.Person{Code: name, Name: name}, Via: ViaAccount}
}

// ErrNotFound is for anything asked for by code that the record does not know; the message names it.
var ErrNotFound = errors.New("not in the record")

// ErrAway is for a database that does not answer now: nothing was done, or it is not known whether it was. What was
// asked may be asked again once it is back.
var ErrAway = errors.New("the database does not answer")

// NotFound makes an error a person can read that is ErrNotFound.
func NotFound(what, code string) error {
	return fmt.Errorf("%s %q is %w", what, code, ErrNotFound)
}

// may refuses an actor who has no right to an operation at this site. did is every instant at which it was done.
func (a Actor) may(s *stock.Site, op access.Operation, now time.Time, did ...time.Time) error {
	rule, _ := access.Of(op)
	switch {
	case a.Via == ViaDaemon && rule.Daemon, a.Via == ViaAccount && rule.Machine:
		return nil
	case a.Via == ViaDaemon:
		return stock.Refuse("role", "", "a rule may not %s: a named person does", rule.Do)
	case a.Via == ViaAccount:
		return stock.Refuse("role", "", "say who you are to %s; an account of the machine is nobody of site %s", rule.Do, s.Code)
	default:
		return access.May(s, a.Person.Code, op, now, did...)
	}
}

// in runs one operation of an actor: in a transaction, after it is settled that they may. did is every instant at which
// it was done; none = now.
func (t *Tracker) in(ctx context.Context, site string, a Actor, op access.Operation, now time.Time, f func(Tx) error, did ...time.Time) error {
	return t.Store.In(ctx, site, func(tx Tx) error {
		if err := a.may(tx.Site(), op, now, did...); err != nil {
			return err
		}
		if err := a.once(ctx, tx, now); err != nil {
			return err
		}
		return f(tx)
	})
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
		if err := linger(ctx, tx, e, v); err != nil {
			return nil, err
		}
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
