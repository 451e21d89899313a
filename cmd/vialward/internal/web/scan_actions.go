package web

import (
	"context"
	"slices"
	"strconv"
	"time"

	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/stock"
)

// scanAction is something that may be done with what is in hand. Its code is also what a card to scan says.
type scanAction struct {
	code, Say string
	op        access.Operation
	fits      func(stock.Vial) bool // the vial stands so that it can be asked for; the operation itself decides
	do        func(ctx context.Context, a *acting, f *form, hand []inHand) (string, error)
}

// Code of the action.
func (a scanAction) Code() string { return a.code }

// scanActions in the order in which a vial goes through them.
var scanActions []scanAction

func init() { // the table names functions that read it
	stands := func(all ...stock.State) func(stock.Vial) bool {
		return func(x stock.Vial) bool { return slices.Contains(all, x.State) }
	}
	here := stands(stock.InPreparation, stock.Available)
	scanActions = []scanAction{
		{"label", "Label is on", access.Label, func(x stock.Vial) bool { return x.State == stock.InPreparation && x.Label == 0 }, plainly((*tracker.Tracker).Label)},
		{"verify", "Checked", access.Verify, func(x stock.Vial) bool { return x.State == stock.InPreparation && x.Label > 0 }, verifyInHand},
		{"place", "Place or move", access.Place, func(x stock.Vial) bool { return here(x) && x.Label > 0 }, putDown},
		{"issue", "Issue", access.Issue, stands(stock.Available), issueScanned},
		{"give", "Given", access.Give, stands(stock.WithWard), plainly((*tracker.Tracker).Give)},
		{"return", "Came back", access.Return, stands(stock.WithWard), putDown},
		{"enter", "Punctured", access.Enter, func(x stock.Vial) bool { return !x.State.Closed() && x.EnteredAt.IsZero() }, enterInHand},
		{"hold", "Hold", access.Hold, func(x stock.Vial) bool { return !x.State.Closed() }, holdInHand},
		{"lift", "Lift a hold", access.Lift, func(x stock.Vial) bool {
			return slices.ContainsFunc(x.Holds, func(h stock.Hold) bool { return h.Kind != stock.HoldRelabel })
		}, liftInHand},
		{"discard", "Discard", access.Discard, func(x stock.Vial) bool { return !x.State.Closed() }, discardInHand},
		{"find", "Found here", access.Find, func(x stock.Vial) bool { return x.State == stock.WasLost || here(x) }, putDown},
	}
	scanActions = append(scanActions, scanAction{"lose", "Cannot be found", access.Lose, func(x stock.Vial) bool { return !x.State.Closed() }, loseInHand})
}

// actionsOn are those that fit all vials and this person.
func (v *visit) actionsOn(vials []stock.Vial) []scanAction {
	var out []scanAction
	for _, a := range scanActions {
		if len(vials) > 0 && v.mayNot(a.op) == nil && !slices.ContainsFunc(vials, func(x stock.Vial) bool { return !a.fits(x) }) {
			out = append(out, a)
		}
	}
	return out
}

// scanBeside says beside which field a refusal stands.
var scanBeside = map[string]string{
	"destination": "dest", "not_earliest": "reason", "place": "place", "witness": "witness", "container": "container", "cause": "cause", "reason": "reason",
	"signature": "password", "kind": "kind", "no_hold": "kind", "shorter": "accept", "future": "at", "order": "at",
}

// scanning is the page and everything that is sent from it.
func (s *Server) scanning() []served {
	d := doing{path: "/scan", template: "scan", op: access.Place, show: scanPageOf, do: scan, beside: map[string]string{"place": "scan"}, back: scanBack}
	all := s.doings(d)
	for _, x := range scanActions {
		all = append(all, s.does(doing{
			path: "/scan/" + x.code, page: "/scan", template: "scan", op: x.op, show: scanPageOf, beside: scanBeside, back: scanBack,
			do: func(ctx context.Context, a *acting, f *form) (string, error) {
				f.values.Set("do", x.code)
				hand, err := handful(f.All("vial"))
				if err != nil || len(hand) == 0 {
					f.fault("scan", "Scan the vials first.")
					return "", nil //nolint:nilerr // that is what is said
				}
				return x.do(ctx, a, f, hand)
			},
		}))
	}
	undo := doing{path: "/scan/undo", page: "/scan", template: "scan", op: access.Place, show: scanPageOf, do: undoMove}
	return append(all, s.does(undo))
}

func undoMove(ctx context.Context, a *acting, f *form) (string, error) {
	seq, err := strconv.ParseInt(f.Get("record"), 10, 64)
	if err != nil {
		f.Say = "Say which record is taken back."
		return "", nil //nolint:nilerr // that is what is said
	}
	return a.handled(a.t.UndoMove(ctx, a.site, a.who, seq))
}

// plainly fits an operation that takes vials and a time.
func plainly(do func(*tracker.Tracker, context.Context, string, tracker.Actor, []string, time.Time) (tracker.Handled, error)) func(context.Context, *acting, *form, []inHand) (string, error) {
	return func(ctx context.Context, a *acting, f *form, hand []inHand) (string, error) {
		at := f.moment("at")
		if !f.ok() {
			return "", nil
		}
		return a.handled(do(a.t, ctx, a.site, a.who, codesOf(hand), at))
	}
}

// prove the person by the password in the form, for what is signed. Nobody real signs in the demonstration.
func (a *acting) prove(ctx context.Context, f *form) error {
	if a.s.DemoClock {
		return nil
	}
	password := f.values.Get("password")
	if password == "" {
		f.fault("password", "This is signed: give your password.")
		return nil
	}
	who, err := a.t.ProveActor(ctx, a.site, a.who.Person.Code, password, a.who.Via, from(a.r))
	if err != nil {
		return err
	}
	who.Once, a.who = a.who.Once, who
	return nil
}

func verifyInHand(ctx context.Context, a *acting, f *form, hand []inHand) (string, error) {
	at := f.moment("at")
	if err := a.prove(ctx, f); err != nil || !f.ok() {
		return "", err
	}
	return a.handled(a.t.Verify(ctx, a.site, a.who, codesOf(hand), at))
}

func enterInHand(ctx context.Context, a *acting, f *form, hand []inHand) (string, error) {
	e := tracker.Enter{Vials: codesOf(hand), ISO5: f.Get("iso5") == "yes", At: f.moment("at")}
	if !f.ok() {
		return "", nil
	}
	return a.handled(a.t.Enter(ctx, a.site, a.who, e))
}

func holdInHand(ctx context.Context, a *acting, f *form, hand []inHand) (string, error) {
	h := tracker.Hold{Vials: codesOf(hand), Kind: stock.HoldManual, Reason: f.text("reason", "Say why it is held."), At: f.moment("at")}
	if !f.ok() {
		return "", nil
	}
	return a.handled(a.t.Hold(ctx, a.site, a.who, h))
}

func discardInHand(ctx context.Context, a *acting, f *form, hand []inHand) (string, error) {
	c := tracker.Close{
		Vials: codesOf(hand), Reason: f.text("cause", "Say why it is thrown away."), Container: f.Get("container"), Witness: f.Get("witness"), Note: f.Get("note"), At: f.moment("at"),
	}
	if !f.ok() {
		return "", nil
	}
	return a.handled(a.t.Discard(ctx, a.site, a.who, c))
}

func liftInHand(ctx context.Context, a *acting, f *form, hand []inHand) (string, error) {
	h := tracker.Hold{Vials: codesOf(hand), Kind: f.text("kind", "Say which hold."), Reason: f.text("reason", "Say on what basis it is lifted."), Witness: f.Get("witness"), At: f.moment("at")}
	if !f.ok() {
		return "", nil
	}
	if err := a.prove(ctx, f); err != nil || !f.ok() {
		return "", err
	}
	return a.handled(a.t.Lift(ctx, a.site, a.who, h))
}

func loseInHand(ctx context.Context, a *acting, f *form, hand []inHand) (string, error) {
	c := tracker.Close{Vials: codesOf(hand), Reason: f.text("cause", "Say why."), Witness: f.text("witness", "Name the second person who looked."), Note: f.Get("note"), At: f.moment("at")}
	if !f.ok() {
		return "", nil
	}
	return a.handled(a.t.Lose(ctx, a.site, a.who, c))
}
