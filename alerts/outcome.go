package alerts

import (
	"math/bits"
	"time"
)

// Outcome of one attempt to hand a mail to the relay.
type Outcome string

const (
	Taken  Outcome = "accepted" // the relay answered 250 to the message: it is responsible now
	Again  Outcome = "again"    // not now: the row waits
	Refuse Outcome = "failed"   // never, for this recipient or this message: shown to people
)

// Stage of an SMTP exchange (RFC 5321) at which an answer came.
type Stage string

const (
	AtSession   Stage = "session"   // connecting, greeting, EHLO, TLS, AUTH
	AtSender    Stage = "sender"    // MAIL FROM
	AtRecipient Stage = "recipient" // RCPT TO
	AtMessage   Stage = "message"   // DATA and the answer to the final dot
)

// Classify reads a reply code; 0 stands for no answer at all (network, time-out, a line that is not SMTP).
//
// 4xx and no answer: again. 5xx about the recipient or the message: failed. A 5xx before any recipient was named
// (a changed password, a refused sender, a relay that shuts its door) says nothing about this mail and would fail every
// page of the night alike: again, with the reason, until it is put right; only 552, message too large, is about this
// mail. The same goes for 530, 534, 535 and 538, which ask for another sign-in at whatever stage they come (RFC 4954).
// Whatever else a peer says is unknown, and unknown means again.
func Classify(at Stage, code int) Outcome {
	switch {
	case at == AtMessage && code == 250:
		return Taken
	case code == 530 || code == 534 || code == 535 || code == 538:
		return Again
	case code == 552:
		return Refuse
	case code >= 500 && code < 600 && (at == AtRecipient || at == AtMessage):
		return Refuse
	default:
		return Again
	}
}

// Limits of Backoff. The longest wait is short on purpose: after an outage of the relay a page must not sit out an hour.
const (
	FirstRetry   = 5 * time.Second
	LongestRetry = 5 * time.Minute
)

// Backoff is the wait after attempt n (1 = the first) failed: FirstRetry doubled each time, not above LongestRetry,
// and of that between one half and the whole, as jitter (any 32 random bits) says, so that many rows spread out.
// Attempts below 1 count as 1. Integer arithmetic throughout: no factor to cast away.
func Backoff(attempt int, jitter uint32) time.Duration {
	d := FirstRetry
	for i := 1; i < attempt && d < LongestRetry; i++ {
		d *= 2
	}
	d = min(d, LongestRetry)
	half := d / 2
	hi, lo := bits.Mul64(uint64(half), uint64(jitter)) // half * jitter / 2^32: the product needs 70 bits
	return half + time.Duration(hi<<32|lo>>32)
}
