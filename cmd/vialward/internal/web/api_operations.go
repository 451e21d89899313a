package web

import (
	"context"
	"time"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/access"
)

// theseVials is the request of an operation that needs nothing but vials.
type theseVials struct {
	Vials []string  `json:"vials"`
	At    time.Time `json:"at,omitzero"` // when it happened; now if left out
}

type relabel struct {
	Vials  []string  `json:"vials"`
	Reason string    `json:"reason,omitempty"`
	At     time.Time `json:"at,omitzero"`
}

type verification struct {
	theseVials
	signing
}

type lifting struct {
	tracker.Hold
	signing
}

type shortening struct {
	tracker.Shorten
	signing
}

// release is tracker.Release but for its case, which stands in the path.
type release struct {
	Vials   []string   `json:"vials"`
	Basis   string     `json:"basis"`
	Minutes *int       `json:"minutes_out,omitempty"`
	BUD     *time.Time `json:"beyond_use,omitempty"`
	Witness string     `json:"witness,omitempty"`
	At      time.Time  `json:"at,omitzero"`
	signing
}

// operation is a method of the tracker on vials.
type operation[B any] func(*tracker.Tracker, context.Context, string, tracker.Actor, B) (tracker.Handled, error)

// onVials makes the route of an operation on vials; vials finds them in its request.
func onVials[B any](op access.Operation, path, say string, vials func(*B) *[]string, do operation[B]) route {
	return post(op, path, say, func(ctx context.Context, q *ask, b B) (present.Handled, error) {
		list := vials(&b)
		var err error
		if *list, err = vialCodes(*list); err != nil {
			return present.Handled{}, err
		}
		done, err := do(q.t, ctx, q.site.Code, q.who, b)
		return q.as.Handled(done), err
	})
}

// only fits an operation that takes nothing but vials and a time.
func only(do func(*tracker.Tracker, context.Context, string, tracker.Actor, []string, time.Time) (tracker.Handled, error)) operation[theseVials] {
	return func(t *tracker.Tracker, ctx context.Context, site string, a tracker.Actor, b theseVials) (tracker.Handled, error) {
		return do(t, ctx, site, a, b.Vials, b.At)
	}
}

func stockOperations() []route {
	var (
		these = func(b *theseVials) *[]string { return &b.Vials }
		place = func(b *tracker.Place) *[]string { return &b.Vials }
		hold  = func(b *tracker.Hold) *[]string { return &b.Vials }
		end   = func(b *tracker.Close) *[]string { return &b.Vials }
	)
	return []route{
		post(access.Prepare, "/batches", "Record a prepared batch; its beyond-use date is computed, never given.", prepare),
		post(access.SignStep, "/batches/{code}/steps", "Sign the next step of a batch's record.", signStep),
		post(access.CloseBatch, "/batches/{code}/close", "Close a batch: vials, yield and what was thrown away are accounted for.", closeBatch),
		post(access.TakeOver, "/stock", "Take over stock that was there before the record; its beyond-use date as on its label.", takeOver),
		post(access.Label, "/vials/print", "Print labels of vials: what stands on each, and what its code says. Printing one again takes a reason, and is counted.", printed),
		post(access.Label, "/batches/{code}/labels", "Account for a batch's printed labels: on vials, on its record, spoiled.", accountLabels),
		onVials(access.Label, "/vials/label", "Labels are on.", these, only((*tracker.Tracker).Label)),
		onVials(access.Verify, "/vials/verify", "Labelled vials were checked, by another person than their preparer.", func(b *verification) *[]string { return &b.Vials },
			func(t *tracker.Tracker, ctx context.Context, site string, a tracker.Actor, b verification) (tracker.Handled, error) {
				return t.Verify(ctx, site, a, b.Vials, b.At)
			}),
		onVials(access.Place, "/vials/place", "Vials were put on a shelf, or moved. A warmer place shortens their beyond-use date.", place, (*tracker.Tracker).Place),
		onVials(access.Issue, "/vials/issue", "Vials were handed out.", func(b *tracker.Issue) *[]string { return &b.Vials }, (*tracker.Tracker).Issue),
		onVials(access.Give, "/vials/give", "Issued vials were given.", these, only((*tracker.Tracker).Give)),
		onVials(access.Return, "/vials/return", "Issued vials came back; they are on hold.", place, (*tracker.Tracker).Return),
		onVials(access.Enter, "/vials/enter", "Vials were punctured.", func(b *tracker.Enter) *[]string { return &b.Vials }, (*tracker.Tracker).Enter),
		onVials(access.Hold, "/vials/hold", "Put vials on hold.", hold, (*tracker.Tracker).Hold),
		onVials(access.Lift, "/vials/lift", "Take one of the vials' own holds off.", func(b *lifting) *[]string { return &b.Vials },
			func(t *tracker.Tracker, ctx context.Context, site string, a tracker.Actor, b lifting) (tracker.Handled, error) {
				return t.Lift(ctx, site, a, b.Hold)
			}),
		onVials(access.Shorten, "/vials/shorten", "Give vials an earlier beyond-use date.", func(b *shortening) *[]string { return &b.Vials },
			func(t *tracker.Tracker, ctx context.Context, site string, a tracker.Actor, b shortening) (tracker.Handled, error) {
				return t.Shorten(ctx, site, a, b.Shorten)
			}),
		onVials(access.Relabel, "/vials/relabel", "New labels are on.", func(b *relabel) *[]string { return &b.Vials },
			func(t *tracker.Tracker, ctx context.Context, site string, a tracker.Actor, b relabel) (tracker.Handled, error) {
				return t.Relabel(ctx, site, a, b.Vials, b.Reason, b.At)
			}),
		onVials(access.Discard, "/vials/discard", "Vials were thrown away.", end, (*tracker.Tracker).Discard),
		onVials(access.Lose, "/vials/lose", "Vials cannot be found.", end, (*tracker.Tracker).Lose),
		onVials(access.Void, "/vials/void", "The record of these vials was wrong from the start; two pharmacists.", end, (*tracker.Tracker).Void),
		onVials(access.Send, "/vials/send", "Vials left for another site.", end, (*tracker.Tracker).Send),
		onVials(access.Find, "/vials/find", "Vials were found where the record does not have them.", place, (*tracker.Tracker).Find),
		post(access.Release, "/cases/{no}/release", "Take a case's holds off vials, on a pharmacist's decision.", releaseFrom),
		post(access.Count, "/counts", "A blind count of a product on a shelf or in a unit.", count),
		post(access.Recall, "/recalls", "Hold everything made from a lot or of a batch, and trace it.", recall),
	}
}

func prepare(ctx context.Context, q *ask, b preparation) (present.Prepared, error) {
	asked, err := b.asked()
	if err != nil {
		return present.Prepared{}, err
	}
	done, err := q.t.Prepare(ctx, q.site.Code, q.who, asked)
	if err != nil {
		return present.Prepared{}, err
	}
	return q.as.Prepared(done), nil
}

func signStep(ctx context.Context, q *ask, b tracker.StepDone) (present.Batch, error) {
	code, err := batchCode(q.r.PathValue("code"))
	if err != nil {
		return present.Batch{}, err
	}
	done, err := q.t.SignStep(ctx, q.site.Code, q.who, code, b)
	if err != nil {
		return present.Batch{}, err
	}
	return q.as.Batch(done), nil
}

func closeBatch(ctx context.Context, q *ask, b closing) (present.Batch, error) {
	code, err := batchCode(q.r.PathValue("code"))
	if err != nil {
		return present.Batch{}, err
	}
	asked, err := b.asked()
	if err != nil {
		return present.Batch{}, err
	}
	done, err := q.t.CloseBatch(ctx, q.site.Code, q.who, code, asked)
	if err != nil {
		return present.Batch{}, err
	}
	return q.as.Batch(done), nil
}

func printed(ctx context.Context, q *ask, b tracker.PrintLabels) (present.Printed, error) {
	var err error
	if b.Vials, err = vialCodes(b.Vials); err != nil {
		return present.Printed{}, err
	}
	labels, seq, err := q.t.Print(ctx, q.site.Code, q.who, b)
	if err != nil {
		return present.Printed{}, err
	}
	return present.PrintedOf(labels, seq)
}

func accountLabels(ctx context.Context, q *ask, b tracker.CountLabels) (tracker.LabelCount, error) {
	code, err := batchCode(q.r.PathValue("code"))
	if err != nil {
		return tracker.LabelCount{}, err
	}
	return q.t.CountLabels(ctx, q.site.Code, q.who, code, b)
}

func takeOver(ctx context.Context, q *ask, b tracker.TakeOver) (present.Prepared, error) {
	done, err := q.t.TakeOver(ctx, q.site.Code, q.who, b)
	if err != nil {
		return present.Prepared{}, err
	}
	return q.as.Prepared(done), nil
}

func releaseFrom(ctx context.Context, q *ask, b release) (present.Handled, error) {
	no, err := q.inPath("no", "case")
	if err != nil {
		return present.Handled{}, err
	}
	if b.Vials, err = vialCodes(b.Vials); err != nil {
		return present.Handled{}, err
	}
	done, err := q.t.Release(ctx, q.site.Code, q.who, tracker.Release{
		Case: no, Vials: b.Vials, Basis: b.Basis, Minutes: b.Minutes, BUD: b.BUD, Witness: b.Witness, At: b.At,
	})
	return q.as.Handled(done), err
}

func count(ctx context.Context, q *ask, b tracker.Count) (present.Counted, error) {
	done, err := q.t.Count(ctx, q.site.Code, q.who, b)
	return present.CountedOf(done), err
}

func recall(ctx context.Context, q *ask, b tracker.Recall) (present.Recalled, error) {
	done, err := q.t.Recall(ctx, q.site.Code, q.who, b)
	return present.RecalledOf(done), err
}
