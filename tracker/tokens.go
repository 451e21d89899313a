package tracker

import (
	"context"
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
	"time"

	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Token is an API token as found. Its person's roles are those of the site's document now.
type Token struct {
	Site    string
	Number  int64 // as people name it
	Person  string
	Scopes  []string // any of ScopeAct, ScopeRead, ScopeReadings
	Sensors []string // of ScopeReadings; none = all
	Name    string   // what it is for
	MadeAt  time.Time
	Ends    time.Time // zero = never: only the demonstration's
	UsedAt  time.Time // the last time, to a minute; zero = never
	Revoked time.Time // zero = not
}

// Scopes of a token. What it lets its holder do is also what its person may, at that time.
const (
	ScopeAct      = "act"      // everything, as its person
	ScopeRead     = "read"     // look at the record
	ScopeReadings = "readings" // write readings, of the token's sensors only if it names any
)

// Allows says whether a token reaches as far as a scope: act includes the others, which include nothing else.
func (k Token) Allows(scope string) bool {
	return slices.Contains(k.Scopes, scope) || slices.Contains(k.Scopes, ScopeAct)
}

// lifeOfToken is how long one is good where nothing else is asked for: no token is for ever.
const lifeOfToken = 365 * 24 * time.Hour

// MakeToken makes an API token for a person or a logger and answers it once; only its hash is kept. It ends after a year
// unless told otherwise. A token that acts as a person is made by that person and nobody else: an administrator could
// else verify and release in a pharmacist's name.
func (t *Tracker) MakeToken(ctx context.Context, site string, a Actor, k Token) (string, error) {
	now := walltime.Cut(t.Now())
	switch {
	case k.Ends.IsZero():
		k.Ends = now.Add(lifeOfToken)
	case !k.Ends.After(now):
		return "", stock.Refuse("ends", "", "%s has gone by; say when the token is to end, or leave it out for a year from now", k.Ends.Format(time.RFC3339))
	}
	token := newToken()
	return token, t.AddToken(ctx, site, a, token, k)
}

// AddToken records a token by its hash.
func (t *Tracker) AddToken(ctx context.Context, site string, a Actor, token string, k Token) error {
	now := walltime.Cut(t.Now())
	k.MadeAt, k.Ends = now, walltime.Cut(k.Ends)
	slices.Sort(k.Scopes)
	k.Scopes = slices.Compact(k.Scopes)
	for _, s := range k.Scopes {
		if !slices.Contains([]string{ScopeAct, ScopeRead, ScopeReadings}, s) {
			return stock.Refuse("scope", "", "scope %q does not exist; use act, read or readings", s)
		}
	}
	if len(k.Scopes) == 0 {
		return stock.Refuse("scope", "", "say what the token is for: act, read, readings, or read and readings")
	}
	return t.in(ctx, site, a, tokensOf(k.Person, a), now, func(tx Tx) error {
		if k.Person != a.Person.Code && slices.Contains(k.Scopes, ScopeAct) {
			return stock.Refuse("scope", "", "a token that acts as %s is made by %s; for others there are the scopes read and readings", k.Person, k.Person)
		}
		if p, ok := tx.Site().Person(k.Person); !ok || p.Gone(now) {
			return stock.Refuse("person", "", "there is no person %q at %s", k.Person, site)
		}
		for _, s := range k.Sensors {
			if _, ok := tx.Site().Sensor(s); !ok {
				return stock.Refuse("sensor", "", "there is no sensor %q at %s", s, site)
			}
		}
		if err := tx.AddToken(ctx, HashToken(token), k); err != nil {
			return err
		}
		e := event(tx, stock.TokenMade, a, now, now, stock.Body{To: k.Person, Note: k.Name, Reason: strings.Join(k.Scopes, ", ")})
		return tx.Append(ctx, &e)
	})
}

// tokensOf a person are their own affair, or an administrator's.
func tokensOf(person string, a Actor) access.Operation {
	if person == a.Person.Code {
		return access.MakeToken
	}
	return access.MakeOthers
}

// RevokeToken ends a token for good, one's own or, as an administrator, anybody's.
func (t *Tracker) RevokeToken(ctx context.Context, site string, a Actor, number int64) (Token, error) {
	now := walltime.Cut(t.Now())
	var k Token
	err := t.Store.In(ctx, site, func(tx Tx) error {
		all, err := tx.Tokens(ctx)
		if err != nil {
			return err
		}
		i := slices.IndexFunc(all, func(k Token) bool { return k.Number == number })
		k = Token{}
		if i >= 0 {
			k = all[i]
		}
		if err := a.may(tx.Site(), tokensOf(k.Person, a), now); err != nil {
			return err
		}
		switch {
		case i < 0:
			return NotFound("token", fmt.Sprint(number))
		case !k.Revoked.IsZero():
			return stock.Refuse("ended", "", "token %d was revoked on %s", number, walltime.Say(k.Revoked, tx.Site().Location()))
		}
		k.Revoked = now
		if err := tx.RevokeToken(ctx, number, now); err != nil {
			return err
		}
		e := event(tx, stock.TokenRevoked, a, now, now, stock.Body{To: k.Person, Note: k.Name, Number: int(number)})
		return tx.Append(ctx, &e)
	})
	return k, err
}

// Tokens lists a person's, or everybody's (person "") for whoever may see them; newest first, those that ended too.
func (t *Tracker) Tokens(ctx context.Context, site string, a Actor, person string) ([]Token, error) {
	var out []Token
	err := t.Store.Read(ctx, site, func(v View) error {
		op := access.SeeAccounts
		if person == a.Person.Code {
			op = access.OwnAccount
		}
		if err := a.may(v.Site(), op, walltime.Cut(t.Now())); err != nil {
			return err
		}
		all, err := v.Tokens(ctx)
		out = slices.DeleteFunc(all, func(k Token) bool { return person != "" && k.Person != person })
		return err
	})
	return out, err
}

// HashToken is how a token is stored and looked up. Tokens are 260 random bits, so a fast hash keeps them.
func HashToken(token string) []byte {
	h := sha256.Sum256([]byte(token))
	return h[:]
}
