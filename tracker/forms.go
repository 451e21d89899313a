package tracker

import (
	"context"
	"errors"
	"time"

	"vialward/tracker/walltime"
)

// ErrDone is for a form that was done when it was sent the first time: a second touch, a page sent again. Nothing is done
// twice.
var ErrDone = errors.New("this was done already, and was not done a second time")

// Draft is what somebody typed into a form and has not sent, or sent too late to be let in.
type Draft struct {
	Person  string
	Form    string              // address of its page
	Fields  map[string][]string // never a password
	SavedAt time.Time
}

// DraftKept is how long what was typed waits for its person.
const DraftKept = 3 * 24 * time.Hour

// FormView reads working rows of forms.
type FormView interface {
	// Draft of a person's form; false when there is none.
	Draft(ctx context.Context, person, form string) (Draft, bool, error)
	// SentForm is the address that was answered to a form of a person; "" where that is not known, or it never was sent.
	SentForm(ctx context.Context, once, person string) (string, error)
}

// FormTx changes them.
type FormTx interface {
	// SendForm marks a form as done in this transaction; false when it was done before.
	SendForm(ctx context.Context, once, person string, at time.Time) (bool, error)
	AnswerForm(ctx context.Context, once, answer string) error
	SaveDraft(ctx context.Context, d Draft) error
	DropDraft(ctx context.Context, person, form string) error
}

// SaveDraft keeps what a person typed, in place of what they typed before.
func (t *Tracker) SaveDraft(ctx context.Context, site string, d Draft) error {
	d.SavedAt = walltime.Cut(t.Now())
	return t.Store.In(ctx, site, func(tx Tx) error { return tx.SaveDraft(ctx, d) })
}

// AnsweredForm notes where a form that was done led to, and that nothing of it waits any more.
func (t *Tracker) AnsweredForm(ctx context.Context, site, person, form, once, answer string) error {
	return t.Store.In(ctx, site, func(tx Tx) error {
		if err := tx.AnswerForm(ctx, once, answer); err != nil {
			return err
		}
		return tx.DropDraft(ctx, person, form)
	})
}

// EndedSession is a session by its browser's token, whether it goes on or not: to keep what its person had typed.
func (t *Tracker) EndedSession(ctx context.Context, token string) (Session, bool) {
	if !isToken(token) {
		return Session{}, false
	}
	s, err := t.Store.SessionByHash(ctx, HashToken(token))
	return s, err == nil
}

// once marks the actor's form, if they sent one, before anything else of its operation.
func (a Actor) once(ctx context.Context, tx Tx, now time.Time) error {
	if a.Once == "" {
		return nil
	}
	first, err := tx.SendForm(ctx, a.Once, a.Person.Code, now)
	if err == nil && !first {
		return ErrDone
	}
	return err
}
