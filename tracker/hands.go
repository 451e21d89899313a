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

// ErrPassword asks for the password where a PIN is not enough.
var ErrPassword = errors.New("this takes the password: a PIN is enough for whoever gave their password on this device today, and not after five wrong ones")

// ErrWrongPIN leaves some tries.
var ErrWrongPIN = errors.New("this is not the PIN; after five wrong ones the password is asked for")

// ChangeHands gives a shared device to a person by their PIN: they gave their password on it on the same day of the site.
// The session there was ends. The new one rests on that password and lasts no longer than it would have.
func (t *Tracker) ChangeHands(ctx context.Context, site, person, pin string, from From) (SignedIn, error) {
	c, hand, err := t.provePIN(ctx, site, person, pin, from)
	if err != nil {
		return SignedIn{}, err
	}
	return t.begin(ctx, site, from, func(tx Tx, _ time.Time) (Session, error) {
		if err := unchanged(ctx, tx, c); err != nil {
			return Session{}, err
		}
		return Session{Person: person, Method: ByPIN, FullAt: hand.FullAt}, nil
	})
}

// provePIN looks at a person's PIN on a device. The try is counted before it is looked at, so that many at once are no
// more than five.
func (t *Tracker) provePIN(ctx context.Context, site, person, pin string, from From) (c Credential, hand Hand, err error) {
	if !isToken(from.Device) {
		return c, hand, ErrPassword
	}
	done, err := t.admit(ctx, site, person, from)
	if err != nil {
		return c, hand, err
	}
	right := false
	defer func() { done(right) }()
	now, device := walltime.Cut(t.Now()), HashToken(from.Device)
	err = t.Store.In(ctx, site, func(tx Tx) error {
		if _, there := tx.Site().Person(person); !there {
			return ErrPassword
		}
		if hand, err = tx.LockHand(ctx, device, person); err != nil {
			return err
		}
		if c, err = mayByPIN(ctx, tx, hand, now); err != nil {
			return err
		}
		hand.WrongPINs++
		return tx.SaveHand(ctx, device, hand)
	})
	if err != nil {
		return c, hand, err
	}
	if right, err = t.Door.passwords.Check(pin, c.PINHash); err != nil {
		return c, hand, fmt.Errorf("change hands to %s: %w", person, err)
	}
	if !right {
		t.Log.Warn("a PIN was wrong", "site", site, "person", person, "from", from.Address, "in_a_row", hand.WrongPINs)
		if hand.WrongPINs >= access.WrongPINs {
			return c, hand, ErrPassword
		}
		return c, hand, ErrWrongPIN
	}
	return c, hand, nil
}

// mayByPIN is the credential of a person whose PIN is enough on a device, or ErrPassword.
func mayByPIN(ctx context.Context, v View, h Hand, now time.Time) (Credential, error) {
	p, there := v.Site().Person(h.Person)
	if !there || p.Gone(now) || h.FullAt.IsZero() {
		return Credential{}, ErrPassword
	}
	all, err := v.Credentials(ctx, h.Person)
	if err != nil {
		return Credential{}, err
	}
	if len(all) == 0 || all[0].PINHash == "" || h.FullAt.Before(all[0].PasswordAt) || !access.MayUsePIN(h.FullAt, now, h.WrongPINs, v.Site().Location()) {
		return Credential{}, ErrPassword
	}
	return all[0], nil
}

// Nearby lists who may take a device by their PIN now, in order of their codes.
func (t *Tracker) Nearby(ctx context.Context, site, device string) ([]stock.Person, error) {
	if !isToken(device) {
		return nil, nil
	}
	now := walltime.Cut(t.Now())
	var near []stock.Person
	err := t.Store.Read(ctx, site, func(v View) error {
		hands, err := v.Hands(ctx, HashToken(device))
		if err != nil {
			return err
		}
		for _, h := range hands {
			switch _, err := mayByPIN(ctx, v, h, now); {
			case errors.Is(err, ErrPassword):
			case err != nil:
				return err
			default:
				p, _ := v.Site().Person(h.Person)
				near = append(near, p)
			}
		}
		return nil
	})
	return near, err
}
