package stock

import "time"

// Signature under an event: who signed, by printed name, when, and what it means (21 CFR 11.50(a): M). It stands in the
// event and covers, by Over, the event and the record that was signed (21 CFR 11.70: M), so it can be neither taken off
// nor put under another.
type Signature struct {
	Person  string    `json:"person"` // code
	Name    string    `json:"name"`   // printed, as the site had it then
	Meaning string    `json:"meaning"`
	At      time.Time `json:"at"`
	Method  string    `json:"method"` // by which it was proved who signs: "password", "demo"
	Over    string    `json:"over"`   // hex SHA-256 of the canonical form of what was signed
}

// Signed says whether an event has to carry its person's signature: a decision that somebody took by name. What a rule
// did, and a site's first set-up by whoever runs the machine, nobody signs.
func (e Event) Signed() bool {
	switch e.Kind {
	case Verified, Lifted, Released, Shortened, SweepConfirmed, SiteLoaded, ProductApproved:
		return e.Via != "daemon" && e.Via != "account"
	default:
		return false
	}
}

// Unsigned is the event's canonical line before its signature covered it: Over left empty.
func (e Event) Unsigned() []byte {
	if e.Body.Signature != nil {
		s := *e.Body.Signature
		s.Over = ""
		e.Body.Signature = &s
	}
	return e.Canonical()
}
