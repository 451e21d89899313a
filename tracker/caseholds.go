package tracker

import (
	"context"
	"slices"
	"time"
)

// hold places or grows the excursion's one hold row: from the last good reading before to the first good one after.
// changed is the event of late data that changed what is known within it, 0 for none: who was there then is undecided
// again, also where a pharmacist had released on what was known before.
func (j *judgement) hold(ctx context.Context, w watch, c Case, x ExcursionRow, changed int64) error {
	holds, err := j.tx.Holds(ctx, c.No)
	if err != nil {
		return err
	}
	h := HoldRow{Case: c.No, Excursion: x.ID, Kind: string(x.Found.Kind), Unit: x.Unit, Shelves: x.Shelves}
	switch i := slices.IndexFunc(holds, func(o HoldRow) bool { return o.Excursion == x.ID }); {
	case i >= 0:
		h = holds[i]
	case !w.rule.Hold:
		return nil
	}
	from := x.Found.WorstFromMicros
	if from == 0 {
		from = x.Found.FromMicros
	}
	if f := time.UnixMicro(from).UTC(); h.From.IsZero() || f.Before(h.From) {
		h.From = f
	}
	switch to := time.UnixMicro(x.Found.WorstToMicros).UTC(); {
	case !x.Found.Over():
		h.To = time.Time{}
	case h.To.IsZero() || to.After(h.To):
		h.To = to
	}
	if x.Found.Over() && h.To.Before(h.From) {
		h.To = h.From
	}
	if changed > 0 {
		h.widenChange(changed, j.freshFrom, j.freshTo)
	}
	return j.tx.SaveHold(ctx, &h)
}

// Meets is the rule by which a hold touches a stay; the database has the same one.
func (h HoldRow) Meets(s Stay) bool {
	return h.Unit == s.Unit && (len(h.Shelves) == 0 || slices.Contains(h.Shelves, s.Shelf)) &&
		(s.To.IsZero() || !h.From.After(s.To)) && (h.To.IsZero() || !h.To.Before(s.From))
}

// widenChange notes which time new readings were of.
func (h *HoldRow) widenChange(seq, fromMicros, toMicros int64) {
	from, to := time.UnixMicro(fromMicros).UTC(), time.UnixMicro(toMicros).UTC()
	if h.ChangedSeq == 0 || from.Before(h.ChangedFrom) {
		h.ChangedFrom = from
	}
	if h.ChangedSeq == 0 || to.After(h.ChangedTo) {
		h.ChangedTo = to
	}
	h.ChangedSeq = seq
}

// undecided is the event that makes earlier releases count no more: only late data does, what is new lies behind them.
func (j *judgement) undecided(seq int64) int64 {
	if j.appended {
		return 0
	}
	return seq
}
