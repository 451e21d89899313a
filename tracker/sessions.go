package tracker

import (
	"context"
	"errors"
	"fmt"
	"time"

	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// ErrSignedOut answers a token of no session, or of one that is over.
var ErrSignedOut = errors.New("nobody is signed in here")

// seenEvery is how exactly the last request is noted: a request a minute writes, the others only read.
const seenEvery = time.Minute

// SessionNow is the session of a token, which goes on, and notes that it was used. ErrSignedOut otherwise.
func (t *Tracker) SessionNow(ctx context.Context, token string) (Session, error) {
	s, err := t.sessionOf(ctx, token)
	if err != nil {
		return s, err
	}
	now := walltime.Cut(t.Now())
	if s.Site == "" || !s.Live(now) {
		return s, ErrSignedOut
	}
	if now.Sub(s.SeenAt) >= seenEvery {
		if err := t.Store.SeeSession(ctx, s, now); err != nil {
			return s, err
		}
		s.SeenAt = now
	}
	return s, nil
}

// Actor is who acts on a session's pages, with the roles they have at this instant. ErrSignedOut for somebody who is no
// longer there; ErrStart while their password is one that was given out.
func (s Session) Actor(site *stock.Site, now time.Time) (Actor, error) {
	p, there := site.Person(s.Person)
	switch {
	case !there || p.Gone(now):
		return Actor{}, ErrSignedOut
	case s.Method == ByStart:
		return Actor{}, ErrStart
	}
	return Actor{Person: p, Via: ViaPage}, nil
}

// SignOut ends the session of a token. One that is over or unknown is left as it is.
func (t *Tracker) SignOut(ctx context.Context, token string) error {
	s, err := t.sessionOf(ctx, token)
	if err != nil || s.Site == "" {
		return err
	}
	return t.Store.In(ctx, s.Site, func(tx Tx) error {
		_, err := tx.EndSession(ctx, s.Number, s.Person, "signed out", walltime.Cut(t.Now()))
		return err
	})
}

// Sessions lists those that go on, of one person or, for whoever may see them, of everybody; newest first.
func (t *Tracker) Sessions(ctx context.Context, site string, a Actor, person string) ([]Session, error) {
	now := walltime.Cut(t.Now())
	var live []Session
	err := t.Store.Read(ctx, site, func(v View) error {
		op := access.SeeAccounts
		if person == a.Person.Code {
			op = access.OwnAccount
		}
		if err := a.may(v.Site(), op, now); err != nil {
			return err
		}
		all, err := v.Sessions(ctx, SessionQuery{Person: person, SeenSince: now.Add(-access.Idle), GoingOn: true})
		for _, s := range all {
			if s.Live(now) {
				live = append(live, s)
			}
		}
		return err
	})
	return live, err
}

// EndSession ends one by its number: one's own, or somebody else's, which is an event.
func (t *Tracker) EndSession(ctx context.Context, site string, a Actor, number int64) (Session, error) {
	now := walltime.Cut(t.Now())
	var s Session
	err := t.Store.In(ctx, site, func(tx Tx) error {
		found, err := tx.Sessions(ctx, SessionQuery{Number: number})
		if err != nil {
			return err
		}
		own := len(found) == 1 && found[0].Person == a.Person.Code
		op := access.EndSessions
		if own {
			op = access.OwnAccount
		}
		if err := a.may(tx.Site(), op, now); err != nil {
			return err
		}
		if len(found) == 0 {
			return NotFound("session", fmt.Sprint(number))
		}
		if s = found[0]; !s.Live(now) {
			return stock.Refuse("ended", "", "session %d of %s is over already", number, s.Person)
		}
		if !own {
			e := event(tx, stock.SessionEnded, a, now, now, stock.Body{To: s.Person, Number: int(number)})
			if err := tx.Append(ctx, &e); err != nil {
				return err
			}
		}
		_, err = tx.EndSession(ctx, number, a.Person.Code, "ended by "+a.Person.Code, now)
		return err
	})
	return s, err
}

// endAll sessions of a person.
func endAll(ctx context.Context, tx Tx, person, by, why string, now time.Time) error {
	all, err := tx.Sessions(ctx, SessionQuery{Person: person, SeenSince: now.Add(-access.Idle), GoingOn: true})
	if err != nil {
		return err
	}
	for _, s := range all {
		if _, err := tx.EndSession(ctx, s.Number, by, why, now); err != nil {
			return err
		}
	}
	return nil
}
