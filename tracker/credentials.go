package tracker

import (
	"context"
	"crypto/rand"
	"strings"
	"time"

	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// FirstAdministrator gives an administrator of the site a password, as long as no administrator has one. It is done on
// the machine itself, by whoever runs it.
func (t *Tracker) FirstAdministrator(ctx context.Context, site string, a Actor, person, password string) error {
	now := walltime.Cut(t.Now())
	hash, err := t.newPassword(ctx, site, person, password)
	if err != nil {
		return err
	}
	return t.in(ctx, site, a, access.FirstPassword, now, func(tx Tx) error {
		if err := tx.Order(ctx); err != nil { // two at once: one is first
			return err
		}
		p, ok := tx.Site().Person(person)
		if !ok || p.Gone(now) || !p.Is(stock.Administrator) {
			return stock.Refuse("person", "", "%s is no administrator of site %s; give somebody that role in the site file, and load it", person, site)
		}
		for _, other := range tx.Site().People {
			if !other.Is(stock.Administrator) || other.Gone(now) {
				continue
			}
			c, err := tx.LockCredential(ctx, other.Code)
			if err != nil {
				return err
			}
			if c.PasswordHash != "" && (c.StartUntil.IsZero() || now.Before(c.StartUntil)) {
				return stock.Refuse("first", "", "%s is an administrator of site %s and has a password; from now on administrators give out passwords: vialward person password", other.Code, site)
			}
		}
		return savePassword(ctx, tx, a, Credential{Person: person, PasswordHash: hash, PasswordAt: now}, "the first administrator's")
	})
}

// SetPassword changes a person's password for one of their own, by the one they have. All their sessions end; where it was
// done on a page a new one begins.
func (t *Tracker) SetPassword(ctx context.Context, site, person, old, password string, from From) (SignedIn, error) {
	c, err := t.provePassword(ctx, site, person, old, from)
	if err != nil {
		return SignedIn{}, err
	}
	if old == password {
		return SignedIn{}, stock.Refuse("password", "", "this is the password there is; choose another one")
	}
	hash, err := t.newPassword(ctx, site, person, password)
	if err != nil {
		return SignedIn{}, err
	}
	change := func(tx Tx, now time.Time) (Session, error) {
		a := ownAccount(person, from)
		if err := tx.Order(ctx); err != nil {
			return Session{}, err
		}
		if err := a.may(tx.Site(), access.OwnAccount, now); err != nil {
			return Session{}, err
		}
		if err := unchanged(ctx, tx, c); err != nil {
			return Session{}, err
		}
		next := Credential{Person: person, PasswordHash: hash, PasswordAt: now, PINHash: c.PINHash, PINAt: c.PINAt}
		return Session{Person: person, Method: ByPassword, FullAt: now}, savePassword(ctx, tx, a, next, "")
	}
	if from.Address == "" {
		return SignedIn{}, t.Store.In(ctx, site, func(tx Tx) error {
			_, err := change(tx, walltime.Cut(t.Now()))
			return err
		})
	}
	return t.begin(ctx, site, from, change)
}

// ResetPassword gives out a password for somebody else and answers it once, with the instant until which it is good for
// choosing one's own. Their sessions and their PIN end.
func (t *Tracker) ResetPassword(ctx context.Context, site string, a Actor, person string) (start string, until time.Time, err error) {
	now := walltime.Cut(t.Now())
	if person == a.Person.Code {
		return "", until, stock.Refuse("person", "", "%s changes their own password by the one they have; another administrator can give out a new one", person)
	}
	start = startPassword()
	hash, err := t.hash(ctx, start)
	if err != nil {
		return "", until, err
	}
	until = now.Add(access.StartPassword)
	err = t.in(ctx, site, a, access.ResetPassword, now, func(tx Tx) error {
		if err := access.May(tx.Site(), person, access.OwnAccount, now); err != nil {
			return err
		}
		if err := tx.Order(ctx); err != nil {
			return err
		}
		if _, err := tx.LockCredential(ctx, person); err != nil {
			return err
		}
		return savePassword(ctx, tx, a, Credential{Person: person, PasswordHash: hash, PasswordAt: now, StartUntil: until}, "")
	})
	if err != nil {
		return "", until, err
	}
	return start, until, nil
}

// SetPIN chooses a person's PIN, by their password. It is good on devices where that password is given.
func (t *Tracker) SetPIN(ctx context.Context, site, person, password, pin string, from From) error {
	c, err := t.provePassword(ctx, site, person, password, from)
	switch {
	case err != nil:
		return err
	case !c.StartUntil.IsZero():
		return ErrStart
	}
	if err := access.NewPIN(pin); err != nil {
		return err
	}
	hash, err := t.hash(ctx, pin)
	if err != nil {
		return err
	}
	now, a := walltime.Cut(t.Now()), ownAccount(person, from)
	return t.in(ctx, site, a, access.OwnAccount, now, func(tx Tx) error {
		if err := tx.Order(ctx); err != nil {
			return err
		}
		if err := unchanged(ctx, tx, c); err != nil {
			return err
		}
		c.PINHash, c.PINAt = hash, now
		if err := tx.SaveCredential(ctx, c); err != nil {
			return err
		}
		e := event(tx, stock.PINSet, a, now, now, stock.Body{To: person})
		return tx.Append(ctx, &e)
	})
}

// savePassword with its event; all sessions of its person end.
func savePassword(ctx context.Context, tx Tx, a Actor, c Credential, reason string) error {
	kind, why := stock.PasswordSet, "the password was changed"
	if !c.StartUntil.IsZero() {
		kind, why = stock.PasswordReset, "a new password was given out"
	}
	if err := tx.SaveCredential(ctx, c); err != nil {
		return err
	}
	e := event(tx, kind, a, c.PasswordAt, c.PasswordAt, stock.Body{To: c.Person, Reason: reason})
	if err := tx.Append(ctx, &e); err != nil {
		return err
	}
	return endAll(ctx, tx, c.Person, a.Person.Code, why, c.PasswordAt)
}

// newPassword is the hash of one that is not too easily guessed.
func (t *Tracker) newPassword(ctx context.Context, site, person, password string) (string, error) {
	err := t.Store.Read(ctx, site, func(v View) error {
		p, _ := v.Site().Person(person)
		return access.NewPassword(password, person, p.Name, p.Mail, v.Site().Name, "vialward")
	})
	if err != nil {
		return "", err
	}
	return t.hash(ctx, password)
}

// hash waits for its place: how many are computed at once is bounded.
func (t *Tracker) hash(ctx context.Context, secret string) (string, error) {
	done, err := t.admit(ctx, "", "", From{})
	if err != nil {
		return "", err
	}
	defer done(true)
	return t.Door.passwords.Hash(secret)
}

// ownAccount is a person who looks after their own.
func ownAccount(person string, from From) Actor {
	a := Actor{Person: stock.Person{Code: person}, Via: ViaPage}
	if from.Address == "" {
		a.Via = ViaMachine
	}
	return a
}

// startPassword is 80 bits in four groups, in letters that are not mistaken for digits: it is read from a screen, or a slip
// of paper, and typed once.
func startPassword() string {
	text := strings.ToLower(rand.Text())
	return text[0:4] + "-" + text[4:8] + "-" + text[8:12] + "-" + text[12:16]
}
