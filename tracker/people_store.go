package tracker

import (
	"context"
	"time"

	"vialward/tracker/access"
)

// Credential is what a person proves themselves with, as hashes. The zero one is of a person who has none.
type Credential struct {
	Person       string
	PasswordHash string // "" = none
	PasswordAt   time.Time
	StartUntil   time.Time // given out by somebody else, to choose one's own with; zero = it is their own
	PINHash      string    // "" = none
	PINAt        time.Time
}

// Hand is a person on a device: when they gave their password there last, and how many wrong PINs came since.
type Hand struct {
	Person    string
	FullAt    time.Time // zero = never
	WrongPINs int
}

// Ways of proving oneself.
const (
	ByPassword = "password"
	ByStart    = "start" // a password that somebody else gave out: good for choosing one's own, and nothing else
	ByPIN      = "pin"
)

// Session is somebody signed in on a device.
type Session struct {
	Site      string
	Number    int64
	Person    string
	Device    []byte // SHA-256 of its token
	Browser   string // what it calls itself
	Address   string // of the network
	Method    string // ByPassword, ByStart or ByPIN
	FullAt    time.Time
	StartedAt time.Time
	SeenAt    time.Time // to a minute
	EndedAt   time.Time // zero = not by anybody: then its limits count
	EndedBy   string
	EndedWhy  string
}

// Standing is what its limits are computed from.
func (s Session) Standing() access.Standing { return access.Standing{Full: s.FullAt, Seen: s.SeenAt} }

// Live says whether it goes on at an instant.
func (s Session) Live(now time.Time) bool { return s.EndedAt.IsZero() && s.Standing().Live(now) }

// SessionQuery narrows Sessions; zero fields do not.
type SessionQuery struct {
	Number    int64
	Person    string
	SeenSince time.Time
	GoingOn   bool // nobody ended it; its limits are the asker's to look at
	Limit     int
}

// Acquainted is what told a device or an address from a stranger's.
type Acquainted struct {
	Devices   [][]byte
	Addresses []string // as access.Source has them
}

// PeopleStore is what is asked before a site is known, or on every request.
type PeopleStore interface {
	// SessionByHash finds a session by the SHA-256 of its token, whether it goes on or not. ErrNotFound for an unknown one.
	SessionByHash(ctx context.Context, hash []byte) (Session, error)
	// SeeSession notes a request; of one that has ended nothing is noted.
	SeeSession(ctx context.Context, s Session, at time.Time) error
	// Acquainted lists the devices and addresses where a password was right since then.
	Acquainted(ctx context.Context, site string, since time.Time) (Acquainted, error)
}

// PeopleView reads credentials and sessions.
type PeopleView interface {
	// Credentials of these persons, or of all who have one; in order of their codes.
	Credentials(ctx context.Context, persons ...string) ([]Credential, error)
	// Hands on a device, in order of their codes.
	Hands(ctx context.Context, device []byte) ([]Hand, error)
	// Sessions, newest first.
	Sessions(ctx context.Context, q SessionQuery) ([]Session, error)
	// Tokens of the site, newest first, those that ended too.
	Tokens(ctx context.Context) ([]Token, error)
}

// PeopleTx changes them.
type PeopleTx interface {
	// LockCredential reads a person's credential, which nobody else changes until commit; the zero one where there is none.
	LockCredential(ctx context.Context, person string) (Credential, error)
	SaveCredential(ctx context.Context, c Credential) error
	// LockHand reads a person on a device likewise.
	LockHand(ctx context.Context, device []byte, person string) (Hand, error)
	SaveHand(ctx context.Context, device []byte, h Hand) error
	// KnowAddress notes that a password was right from there.
	KnowAddress(ctx context.Context, address string, at time.Time) error
	// NewSession stores one under the SHA-256 of its token, and fills in its number.
	NewSession(ctx context.Context, hash []byte, s *Session) error
	// EndSession ends one that nobody has ended; false when somebody had.
	EndSession(ctx context.Context, number int64, by, why string, at time.Time) (bool, error)
}
