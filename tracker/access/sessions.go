package access

import (
	"time"

	"vialward/tracker/walltime"
)

// Limits of being signed in: after so long without a request, and after so long since the password was given whatever
// happens (NIST SP 800-63B, 4.2.3, for its second level: 30 minutes and 12 hours: M).
const (
	Idle     = 30 * time.Minute
	Absolute = 12 * time.Hour
)

// WrongPINs in a row after which a device asks that person for the password again.
const WrongPINs = 5

// Known is for how long a device or an address that signed somebody in is told from a stranger's.
const Known = 90 * 24 * time.Hour

// StartPassword is for how long one that an administrator gave out can be used, once, to choose one's own.
const StartPassword = 72 * time.Hour

// SignedWithin is for how long a password that was given is good for the one thing it was given for.
const SignedWithin = 5 * time.Minute

// Fresh says whether a password given then is good for a signature now. A clock set back makes it no fresher.
func Fresh(given, now time.Time) bool {
	return !given.After(now.Add(time.Minute)) && now.Before(given.Add(SignedWithin))
}

// Standing is what a session's right to go on rests on.
type Standing struct {
	Full time.Time // the password was given
	Seen time.Time // the last request
}

// Ends is when it is over unless there is another request before.
func (s Standing) Ends() time.Time {
	idle, full := s.Seen.Add(Idle), s.Full.Add(Absolute)
	if full.Before(idle) {
		return full
	}
	return idle
}

// Live says whether it goes on at an instant; at the limit itself it is over.
func (s Standing) Live(now time.Time) bool { return now.Before(s.Ends()) }

// MayUsePIN says whether a PIN is enough for a person on a device: they gave the password there on the same local day,
// within the absolute limit, and have not been wrong too often since.
func MayUsePIN(full, now time.Time, wrong int, zone *time.Location) bool {
	if full.IsZero() || now.Before(full) || wrong >= WrongPINs || !now.Before(full.Add(Absolute)) {
		return false
	}
	a, b := walltime.Of(full, zone), walltime.Of(now, zone)
	return a.Year == b.Year && a.Month == b.Month && a.Day == b.Day
}
