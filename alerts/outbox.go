package alerts

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"
)

// State of an outbox row: waiting -> claimed -> accepted | failed, or claimed -> waiting again; superseded ends a
// waiting row that something newer said better.
type State string

const (
	Waiting    State = "waiting"
	Claimed    State = "claimed"
	Accepted   State = "accepted"
	Failed     State = "failed"
	Superseded State = "superseded"
)

// Row is one mail to one recipient, rendered before it is stored: what is sent is what was decided, whatever changes
// later. One row a recipient, so that a refused mailbox delays nobody else.
type Row struct {
	Site int32
	ID   int64 // given by the store, growing within a site

	Kind      Kind
	Severity  Severity
	DedupeKey string // Key(kind, about, slot, recipient); unique within a site
	To        string // one address, no display name

	Subject string // at most 60 characters, no line breaks
	Text    string // lines end in \n
	HTML    string // empty: the mail is text alone

	Thread    string // incident it belongs to; "" = stands alone
	First     bool   // the first mail of its thread to this recipient: its MessageID is the thread's root
	MessageID string // without angle brackets; the same at every attempt

	State       State
	Attempt     int       // claims so far; never goes down
	Owner       string    // who holds the lease, while claimed
	LeaseUntil  time.Time // database clock
	NextAttempt time.Time // database clock
	Created     time.Time // domain time; the mail's Date
	LastError   string    // why it is not accepted yet, in words a person can act on
	Answer      string    // what the relay said when it took the mail
}

// ErrLeaseLost answers Accepted, Retry, Failed and Release when the row is no longer claimed by that owner at that
// attempt: somebody else has it, and what they say stands.
var ErrLeaseLost = errors.New("the row was claimed anew by another sender")

// Outbox is the store of mails as the sender needs it.
//
// A lease belongs to (owner, attempt). Claim sets both, adding one to Attempt, so no pair ever comes twice. An answer
// counts while the row is still claimed by that pair, even if the lease has run out meanwhile: nobody else has it then,
// and the answer is the truth. Once claimed anew, a late answer changes nothing and gets ErrLeaseLost. All waiting and
// leasing is by the database's clock: daemons with wrong clocks cannot steal from each other.
type Outbox interface {
	// Claim takes at most n rows that are due: waiting with NextAttempt reached, or claimed with the lease run out.
	// Rows claimed by others at this moment are skipped, not waited for. High severity first, then the oldest. A row
	// whose thread has an earlier one for the same recipient still waiting or claimed stays where it is, so that
	// "recovered" never overtakes "warm".
	Claim(ctx context.Context, n int, lease time.Duration, owner string) ([]Row, error)
	// Accepted ends a row: the relay has taken responsibility for it. answer is its line.
	Accepted(ctx context.Context, r Row, answer string) error
	// Retry puts a row back to waiting, due after the given time from now, with the reason.
	Retry(ctx context.Context, r Row, why string, after time.Duration) error
	// Failed ends a row that this relay will never take for this recipient; it is shown to people.
	Failed(ctx context.Context, r Row, why string) error
	// Release puts a row back that was claimed and not tried, due at once; LastError stays as it was.
	Release(ctx context.Context, r Row) error
	// Wait returns nil when something may be due: a notification came, the next attempt or lease end is reached, or a
	// bounded time has passed. It does not return at once for a row that Claim would not hand out. It returns the
	// context's error when that ends, and a store's error at once. The sender has one call running at a time.
	Wait(ctx context.Context) error
}

// Key builds a dedupe key. about names the thing ("case/57", "sweep/2025-11-12 07:00"), slot the occasion within it
// (see Slot). A bar or percent sign inside a part is escaped, so two different quadruples never make one key.
func Key(kind Kind, about, slot, to string) string {
	e := strings.NewReplacer("%", "%25", "|", "%7C")
	return e.Replace(string(kind)) + "|" + e.Replace(about) + "|" + e.Replace(slot) + "|" + e.Replace(to)
}

// Slot names an occasion: the step of the escalation (0 = those told first) and what happened, with its count.
func Slot(step int, what string, n int) string { return fmt.Sprintf("step%d/%s/%d", step, what, n) }

// MessageID of a row: fixed before it is stored, the same at every attempt (RFC 5322, 3.6.4). Created is part of it, so
// that a database set up anew does not repeat the identifiers of the old one and have its mails dropped as copies.
func MessageID(site int32, dedupeKey string, created time.Time, domain string) string {
	return digest(domain, fmt.Sprint(site), dedupeKey, created.UTC().Format(time.RFC3339Nano))
}

// Root is the Message-ID of the first mail of this row's thread to this recipient; "" for a mail outside any thread.
// Later mails refer to it in In-Reply-To and References (RFC 5322, 3.6.4).
func (r Row) Root() string {
	if r.Thread == "" {
		return ""
	}
	_, domain, _ := strings.Cut(r.MessageID, "@")
	return threadRoot(r.Site, r.Thread, r.To, domain)
}

func threadRoot(site int32, thread, to, domain string) string {
	return digest(domain, fmt.Sprint(site), "thread", thread, strings.ToLower(to))
}

// digest is 128 bits of SHA-256 over the parts, each closed by a zero byte.
func digest(domain string, parts ...string) string {
	h := sha256.New()
	for _, p := range parts {
		h.Write([]byte(p)) //nolint:errcheck // a hash never fails to write
		h.Write([]byte{0})
	}
	return hex.EncodeToString(h.Sum(nil)[:16]) + "@" + domain
}

// Supersedes says whether a newer mail of the same thread makes an older one, still waiting, not worth sending: a
// reminder is overtaken by anything later, a change for the worse by a later one. The mail that opened an incident,
// and the one that says it recovered, are always sent.
func Supersedes(newer, older Kind) bool {
	switch older { //nolint:exhaustive // every other kind is sent, however late
	case StillOpen:
		return newer == StillOpen || newer == Worse || newer == Recovered
	case Worse:
		return newer == Worse
	default:
		return false
	}
}
