package db

// VerifyIn is Verify within a transaction, so that a test can tamper, look, and take it back.
var VerifyIn = verify

// LookedAt are the tables a verification holds against the events.
func LookedAt() []string {
	all := []string{
		"site", "event", "event_vial", "vial", "vial_hold", "vial_closing", "stay", "intake", "intake_total", "refused_value", "reading",
	}
	for _, b := range allBrought {
		all = append(all, b.name)
	}
	for _, k := range allKept {
		all = append(all, k.name)
	}
	return all
}
