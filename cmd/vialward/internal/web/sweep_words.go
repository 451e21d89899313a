package web

import (
	"time"

	"vialward/tracker/sweep"
)

// listWords is a list in its own words, the same as on the list as text, and shown in its own zone, whatever the site's is
// by now.
type listWords struct {
	words sweep.Words
	shown
}

func (v *visit) listWords(l sweep.List) listWords {
	s := v.shown
	if zone, err := time.LoadLocation(l.Zone); err == nil && l.Zone != "" {
		s.zone = zone
	}
	return listWords{l.Words(), s}
}
