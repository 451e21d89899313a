package tracker

import (
	"context"
	"time"

	"vialward/alerts"
	"vialward/tracker/stock"
)

// occasion is what makes a mail one of its kind: its key, its thread, whether planned work mutes it.
type occasion struct {
	about, slot string
	n           int
	unit        string
	severity    string // of the rule that raised it; "" = the kind's own
	thread      string
	first       bool
	muted       bool
}

// mailSite is what every mail says of its site.
func (t *Tracker) mailSite(s *stock.Site, now time.Time) alerts.Site {
	return alerts.Site{Name: s.Name, Zone: s.Location(), Now: now, Fahrenheit: s.Unit == "[degF]", HideProducts: s.HideProducts, URL: t.URL}
}

// post words a mail and puts it into the outbox in the running transaction: the fact and its mail are one commit. A
// layout that fails is logged and the plain facts are sent.
func (t *Tracker) post(ctx context.Context, tx Tx, f alerts.Facts, kind alerts.Kind, o occasion) error {
	mail, err := alerts.Templates().Render(kind, f)
	if err != nil {
		t.Log.Error("mail worded as plain facts", "kind", kind, "error", err)
	}
	policy, wrong := alerts.NewPolicy(tx.Site(), t.domain())
	if len(wrong) > 0 { // said when the site was loaded; a mail goes to whom the good routes name
		t.Log.Warn("routes of the site", "site", tx.Site().Code, "wrong", wrong)
	}
	return tx.Post(ctx, policy.Plan(alerts.Notice{
		Mail: mail, Severity: alerts.Severity(o.severity), Unit: o.unit, About: o.about, What: o.slot, N: o.n,
		Thread: o.thread, First: o.first, Muted: o.muted, At: t.Now().UTC(),
	}))
}

func (t *Tracker) domain() string {
	if t.MailDomain == "" {
		return "vialward.invalid"
	}
	return t.MailDomain
}
