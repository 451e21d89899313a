package tracker

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"time"
	"unicode"

	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Passwords hashes secrets slowly and checks them. What it makes says by which means and at which cost.
type Passwords interface {
	Hash(secret string) (string, error)
	// Check costs the same whatever the answer.
	Check(secret, hash string) (bool, error)
}

// Door is what people prove themselves against, and how often they may try. One stands before a daemon's record.
type Door struct {
	passwords Passwords
	tries     throttle
	nobody    nobody

	right, wrong, notLookedAt atomic.Int64
}

// Count of the tries since the start.
func (d *Door) Count() SignInCount {
	return SignInCount{d.right.Load(), d.wrong.Load(), d.notLookedAt.Load()}
}

// NewDoor hashes with passwords.
func NewDoor(passwords Passwords) *Door {
	return &Door{passwords: passwords, tries: throttle{
		known: map[string]*acquainted{}, knownHash: make(chan struct{}, hashesAtOnce), strangeHash: make(chan struct{}, hashesAtOnce),
	}}
}

// ErrWrong answers a wrong password and a name nobody has alike.
var ErrWrong = errors.New("person and password do not go together; look at both and try again. An administrator of the site gives out a new password")

// ErrPassword asks for the password where a PIN was given and is not enough.
// ErrStart asks for a password of one's own first.
var ErrStart = errors.New("this password was given out to begin with; choose one of your own first")

// From is where somebody asks from.
type From struct {
	Address string // of the network; "" = the machine itself
	Device  string // the token its browser keeps; "" = none yet
	Browser string // what it calls itself
	Session string // token of the session there was so far; it ends where another one begins
}

// SignedIn is a new session, with the tokens its browser keeps. Only their hashes are stored.
type SignedIn struct {
	Session Session
	Token   string
	Device  string
}

// SignIn proves a person by their password and begins a session. The tokens are new: whatever the browser had before is
// worth nothing afterwards. It refuses with ErrWrong or *TooManyTries. A session by a password that was given out is for
// choosing one's own (ByStart).
func (t *Tracker) SignIn(ctx context.Context, site, person, password string, from From) (SignedIn, error) {
	c, err := t.provePassword(ctx, site, person, password, from)
	if err != nil {
		return SignedIn{}, err
	}
	method := ByPassword
	if !c.StartUntil.IsZero() {
		method = ByStart
	}
	return t.begin(ctx, site, from, func(tx Tx, now time.Time) (Session, error) {
		if err := unchanged(ctx, tx, c); err != nil {
			return Session{}, err
		}
		return Session{Person: c.Person, Method: method, FullAt: now}, nil
	})
}

// Prove answers for a person who does one thing, on the machine itself: by their password, each time.
func (t *Tracker) Prove(ctx context.Context, site, person, password string, from From) (stock.Person, error) {
	c, err := t.provePassword(ctx, site, person, password, from)
	if err != nil {
		return stock.Person{}, err
	}
	if !c.StartUntil.IsZero() {
		return stock.Person{}, ErrStart
	}
	var p stock.Person
	err = t.Store.Read(ctx, site, func(v View) error {
		p, _ = v.Site().Person(c.Person)
		return nil
	})
	return p, err
}

// provePassword looks at a person's password. Somebody who is not there, has left or has none costs as much as a wrong
// password, and is answered like one.
func (t *Tracker) provePassword(ctx context.Context, site, person, password string, from From) (Credential, error) {
	done, err := t.admit(ctx, site, person, from)
	if err != nil {
		return Credential{}, err
	}
	right := false
	defer func() { done(right) }()
	now := walltime.Cut(t.Now())
	nobodys := ""
	if from.Address != "" { // whoever is on the machine can ask the record who there is
		if nobodys, err = t.Door.nobody.of(t.Door.passwords); err != nil {
			return Credential{}, err
		}
	}
	var c Credential
	err = t.Store.Read(ctx, site, func(v View) error {
		p, there := v.Site().Person(person)
		asked := person
		if !there || p.Gone(now) {
			asked = "-" // no person's code, and one query as for everybody
		}
		all, err := v.Credentials(ctx, asked)
		if err == nil && len(all) == 1 {
			c = all[0]
		}
		return err
	})
	if err != nil {
		return c, err
	}
	hash := c.PasswordHash
	if hash == "" {
		hash = nobodys
	}
	if hash == "" {
		return c, ErrWrong
	}
	same, err := t.Door.passwords.Check(password, hash)
	switch {
	case err != nil:
		return c, fmt.Errorf("sign %s in: %w", person, err)
	case !same || c.PasswordHash == "":
		t.Log.Warn("a password was wrong", "site", site, "person", c.Person, "from", from.Address) // of nobody: no name, it may be a password
		return c, ErrWrong
	}
	right = true
	if !c.StartUntil.IsZero() && !now.Before(c.StartUntil) {
		return c, stock.Refuse("start", "", "this password was given out to begin with, and could be used until %s; ask an administrator of the site for another one", c.StartUntil.Format(time.RFC3339))
	}
	return c, nil
}

// nobody's hash is of a secret that is not kept: what is looked at where there is no credential, at the same cost.
type nobody struct {
	once sync.Once
	hash string
	err  error
}

func (n *nobody) of(p Passwords) (string, error) {
	n.once.Do(func() { n.hash, n.err = p.Hash(rand.Text()) })
	return n.hash, n.err
}

// unchanged locks a credential that was looked at before the transaction and refuses if it is another one by now.
func unchanged(ctx context.Context, tx Tx, c Credential) error {
	is, err := tx.LockCredential(ctx, c.Person)
	if err != nil {
		return err
	}
	if is.PasswordHash != c.PasswordHash || is.PINHash != c.PINHash {
		return ErrWrong
	}
	return nil
}

// begin makes a session and its tokens, ends the one there was on this browser, and remembers device and address.
func (t *Tracker) begin(ctx context.Context, site string, from From, who func(Tx, time.Time) (Session, error)) (SignedIn, error) {
	now, source := walltime.Cut(t.Now()), access.Source(from.Address)
	before, err := t.sessionOf(ctx, from.Session)
	if err != nil {
		return SignedIn{}, err
	}
	var out SignedIn
	err = t.Store.In(ctx, site, func(tx Tx) error {
		s, err := who(tx, now)
		if err != nil {
			return err
		}
		out = SignedIn{Token: newToken(), Device: from.Device}
		if !isToken(out.Device) {
			out.Device = newToken()
		}
		s.Device, s.Browser, s.Address, s.StartedAt, s.SeenAt = HashToken(out.Device), plainName(from.Browser), source, now, now
		if before.Site == site {
			if _, err := tx.EndSession(ctx, before.Number, s.Person, replaced, now); err != nil {
				return err
			}
		}
		if s.Method != ByStart {
			if err := tx.SaveHand(ctx, s.Device, Hand{Person: s.Person, FullAt: s.FullAt}); err != nil {
				return err
			}
		}
		if s.Method == ByPassword && source != "" {
			if err := tx.KnowAddress(ctx, source, now); err != nil {
				return err
			}
		}
		err = tx.NewSession(ctx, HashToken(out.Token), &s)
		out.Session = s
		return err
	})
	if err != nil {
		return SignedIn{}, err
	}
	if before.Site != "" && before.Site != site {
		err = t.Store.In(ctx, before.Site, func(tx Tx) error {
			_, err := tx.EndSession(ctx, before.Number, before.Person, replaced, now)
			return err
		})
	}
	if out.Session.Method == ByPassword {
		t.Door.tries.meet(site, out.Session.Device, source)
	}
	return out, err
}

const replaced = "another session began on the same browser"

// sessionOf a token, live or not; the zero one for a token nobody has.
func (t *Tracker) sessionOf(ctx context.Context, token string) (Session, error) {
	if !isToken(token) {
		return Session{}, nil
	}
	s, err := t.Store.SessionByHash(ctx, HashToken(token))
	if isNotFound(err) {
		return Session{}, nil
	}
	return s, err
}

// tokenLength of two rand.Text: 260 bits.
const tokenLength = 52

func newToken() string { return rand.Text() + rand.Text() }

// isToken looks at a token's form: what has another was not made here, and is not asked for.
func isToken(s string) bool {
	return len(s) == tokenLength && !strings.ContainsFunc(s, func(c rune) bool { return (c < 'A' || c > 'Z') && (c < '2' || c > '7') })
}

// plainName cuts what a browser calls itself down to what can be stored and shown.
func plainName(s string) string {
	s = strings.Map(func(c rune) rune {
		if unicode.IsControl(c) || c == unicode.ReplacementChar {
			return -1
		}
		return c
	}, strings.ToValidUTF8(s, ""))
	runes := []rune(s)
	return string(runes[:min(len(runes), 120)])
}
