package tracker

import (
	"context"
	"crypto/sha256"
	"encoding/hex"

	"vialward/alerts"
	"vialward/tracker/walltime"
)

// mostToldLines bounds what a mail lists of a file; the report beside the file has all.
const mostToldLines = 20

// TellIntake mails what was refused of a file: of a part its values, from where on it was not read, or why the whole was.
// Once a file.
func (t *Tracker) TellIntake(ctx context.Context, site, name string, digest []byte, in Intake, whole error) error {
	if whole == nil && in.Rows.Refused == 0 && in.NotRead == nil {
		return nil
	}
	now := walltime.Cut(t.Now())
	return t.Store.In(ctx, site, func(tx Tx) error {
		facts := alerts.Intake{
			Site: t.mailSite(tx.Site(), now), Source: name, Received: now, Read: int(in.Rows.Read), Stored: int(in.Rows.Stored),
			Duplicate: int(in.Rows.Duplicate), Conflicting: int(in.Rows.Conflicting), Missing: int(in.Rows.Missing), RefusedAll: int(in.Rows.Refused),
		}
		if whole != nil {
			facts.Why = whole.Error()
		}
		if in.NotRead != nil {
			facts.NotRead, facts.FromLine = in.NotRead.String(), in.NotRead.FromLine
		}
		for _, r := range in.Refused[:min(len(in.Refused), mostToldLines)] {
			facts.Refused = append(facts.Refused, alerts.RefusedLine{Line: r.Line, Why: r.Why})
		}
		sum := sha256.Sum256(append([]byte(name), digest...))
		return t.post(ctx, tx, facts, alerts.IntakeReport, occasion{about: "file/" + hex.EncodeToString(sum[:8]), slot: "report"})
	})
}
