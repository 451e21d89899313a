package access

import "time"

// Rate is how many tries there are at once, and how long it takes until one more comes back.
type Rate struct {
	Burst int
	Every time.Duration
}

// Bucket holds the tries left at a Rate: the zero one is full. It is one instant, that at which it is full again; in any
// stretch of time it lets no more through than its burst and one for every Every of the stretch (the generic cell rate
// algorithm, ITU-T I.371: M).
type Bucket struct {
	fullAt time.Time
}

// Take one try, or say how long to wait for it. A clock that was set back empties the bucket at most, never more.
func (b *Bucket) Take(r Rate, now time.Time) (wait time.Duration, ok bool) {
	room := time.Duration(r.Burst) * r.Every
	at := b.fullAt
	if at.Before(now) {
		at = now
	} else if late := now.Add(room); at.After(late) {
		at = late
	}
	next := at.Add(r.Every)
	if wait = next.Sub(now) - room; wait > 0 {
		b.fullAt = at
		return wait, false
	}
	b.fullAt = next
	return 0, true
}

// Return a try that was taken: it was no guess.
func (b *Bucket) Return(r Rate) { b.fullAt = b.fullAt.Add(-r.Every) }

// Full says whether nothing has to be remembered of the bucket.
func (b *Bucket) Full(now time.Time) bool { return !b.fullAt.After(now) }

// How often a sign-in may be tried, before anything is hashed. An account takes at most 100 wrong tries an hour from
// strangers and from one known device together (OWASP ASVS 4.0, 2.2.1: M). A device or an address that signed somebody
// in before has buckets of its own: whoever guesses from elsewhere cannot shut out the on-call person. Tries that
// succeed are given back, so that a shift that signs in from behind one address finds room.
var (
	ByAccount   = Rate{10, 2 * time.Minute}  // an account, from all strangers; or from one known device or address
	ByAddress   = Rate{20, 20 * time.Second} // all accounts, from one address
	ByStrangers = Rate{30, 4 * time.Second}  // all accounts, from everywhere: hashing for strangers takes less than a twentieth of the time
)
