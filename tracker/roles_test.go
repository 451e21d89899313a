package tracker_test

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/templog"
)

// operations is every one that changes something, asked for past all doors: of the tracker itself. Each call is refused
// for its own reasons where its actor may, since nothing it names is there.
func operations(t *testing.T, s *setup) map[access.Operation]func(a tracker.Actor) error {
	t.Helper()
	ctx := t.Context()
	one := []string{"251013-1-01"}
	handled := func(f func(a tracker.Actor) (tracker.Handled, error)) func(tracker.Actor) error {
		return func(a tracker.Actor) error { _, err := f(a); return err }
	}
	closing := func(f func(*tracker.Tracker, tracker.Actor, tracker.Close) (tracker.Handled, error)) func(tracker.Actor) error {
		return func(a tracker.Actor) error {
			_, err := f(s.Tracker, a, tracker.Close{Vials: one, Reason: "expired", To: "elsewhere"})
			return err
		}
	}
	token := func(person string) func(a tracker.Actor) error {
		return func(a tracker.Actor) error {
			whose := person
			if whose == "" {
				whose = a.Person.Code
			}
			_, err := s.MakeToken(ctx, "SMALL", a, tracker.Token{Person: whose, Scopes: []string{"read"}, Name: "x"})
			return err
		}
	}
	name := "New"
	return map[access.Operation]func(a tracker.Actor) error{
		access.Prepare: func(a tracker.Actor) error {
			_, err := s.Prepare(ctx, "SMALL", a, tracker.Prepare{Product: "NONE", Count: 1, Area: "PA", StartedAt: s.now.Add(-time.Hour)})
			return err
		},
		access.TakeOver: func(a tracker.Actor) error {
			_, err := s.TakeOver(ctx, "SMALL", a, tracker.TakeOver{Product: "NONE", Count: 1, BUD: "2025-10-20", Made: "2025-10-10", To: "R1/A"})
			return err
		},
		access.Label:  handled(func(a tracker.Actor) (tracker.Handled, error) { return s.Label(ctx, "SMALL", a, one, s.now) }),
		access.Verify: handled(func(a tracker.Actor) (tracker.Handled, error) { return s.Verify(ctx, "SMALL", a, one, s.now) }),
		access.Place: handled(func(a tracker.Actor) (tracker.Handled, error) {
			return s.Place(ctx, "SMALL", a, tracker.Place{Vials: one, To: "R1/A"})
		}),
		access.Issue: handled(func(a tracker.Actor) (tracker.Handled, error) {
			return s.Issue(ctx, "SMALL", a, tracker.Issue{Vials: one, To: "WARD"})
		}),
		access.Give: handled(func(a tracker.Actor) (tracker.Handled, error) { return s.Give(ctx, "SMALL", a, one, s.now) }),
		access.Return: handled(func(a tracker.Actor) (tracker.Handled, error) {
			return s.Return(ctx, "SMALL", a, tracker.Place{Vials: one, To: "R1/A"})
		}),
		access.Enter: handled(func(a tracker.Actor) (tracker.Handled, error) {
			return s.Enter(ctx, "SMALL", a, tracker.Enter{Vials: one})
		}),
		access.Hold: handled(func(a tracker.Actor) (tracker.Handled, error) {
			return s.Hold(ctx, "SMALL", a, tracker.Hold{Vials: one, Reason: "x"})
		}),
		access.Lift: handled(func(a tracker.Actor) (tracker.Handled, error) {
			return s.Lift(ctx, "SMALL", a, tracker.Hold{Vials: one, Kind: "manual", Reason: "x"})
		}),
		access.Release: handled(func(a tracker.Actor) (tracker.Handled, error) {
			return s.Release(ctx, "SMALL", a, tracker.Release{Case: 1, Vials: one, Basis: "x"})
		}),
		access.Shorten: handled(func(a tracker.Actor) (tracker.Handled, error) {
			return s.Shorten(ctx, "SMALL", a, tracker.Shorten{Vials: one, BUD: s.now, Reason: "x"})
		}),
		access.Relabel: handled(func(a tracker.Actor) (tracker.Handled, error) { return s.Relabel(ctx, "SMALL", a, one, "", s.now) }),
		access.Discard: closing(func(k *tracker.Tracker, a tracker.Actor, c tracker.Close) (tracker.Handled, error) {
			return k.Discard(ctx, "SMALL", a, c)
		}),
		access.Lose: closing(func(k *tracker.Tracker, a tracker.Actor, c tracker.Close) (tracker.Handled, error) {
			return k.Lose(ctx, "SMALL", a, c)
		}),
		access.Void: closing(func(k *tracker.Tracker, a tracker.Actor, c tracker.Close) (tracker.Handled, error) {
			return k.Void(ctx, "SMALL", a, c)
		}),
		access.Send: closing(func(k *tracker.Tracker, a tracker.Actor, c tracker.Close) (tracker.Handled, error) {
			return k.Send(ctx, "SMALL", a, c)
		}),
		access.Find: handled(func(a tracker.Actor) (tracker.Handled, error) {
			return s.Find(ctx, "SMALL", a, tracker.Place{Vials: one, To: "R1/A"})
		}),
		access.Count: func(a tracker.Actor) error {
			_, err := s.Count(ctx, "SMALL", a, tracker.Count{Place: "R1", Product: "NONE"})
			return err
		},
		access.Recall: func(a tracker.Actor) error {
			_, err := s.Recall(ctx, "SMALL", a, tracker.Recall{Lot: "none", Reason: "x"})
			return err
		},
		access.Short: func(a tracker.Actor) error {
			_, err := s.FellShort(ctx, "SMALL", a, tracker.Shortage{Product: "NONE", Vials: 1})
			return err
		},
		access.Correct: handled(func(a tracker.Actor) (tracker.Handled, error) {
			return s.CorrectCause(ctx, "SMALL", a, tracker.Correction{Vials: one, Reason: "expired", Note: "x"})
		}),
		access.SignStep: func(a tracker.Actor) error {
			_, err := s.SignStep(ctx, "SMALL", a, "251013-1", tracker.StepDone{Name: "mixed", At: s.now})
			return err
		},
		access.CloseBatch: func(a tracker.Actor) error {
			_, err := s.CloseBatch(ctx, "SMALL", a, "251013-1", tracker.CloseBatch{})
			return err
		},
		access.Confirm:  func(a tracker.Actor) error { _, err := s.ConfirmSweep(ctx, "SMALL", a, 1, s.now); return err },
		access.Withdraw: func(a tracker.Actor) error { _, err := s.Withdraw(ctx, "SMALL", a, 1, "x"); return err },
		access.WriteReadings: func(a tracker.Actor) error {
			values, err := templog.NewParser(strings.NewReader("sensor,at,celsius\n"), nil, templog.Options{})
			require.NoError(t, err)
			_, err = s.TakeIn(ctx, "SMALL", a, tracker.Delivery{Source: "http", Name: "x", Values: values})
			return err
		},
		access.DeclareZone: func(a tracker.Actor) error { return s.DeclareZone(ctx, "SMALL", a, "T9", "set", "x") },
		access.PlanWork: func(a tracker.Actor) error {
			return s.PlanWork(ctx, "SMALL", a, tracker.PlannedWork{Unit: "R9", From: s.now, To: s.now.Add(time.Hour), Reason: "x"})
		},
		access.SetArea: func(a tracker.Actor) error { return s.SetArea(ctx, "SMALL", a, "PB", stock.AreaStatus{Reason: "x"}) },
		access.SetUp: func(a tracker.Actor) error {
			next := wardSite()
			next.Code = "OTHER"
			_, err := s.LoadSite(ctx, a, next)
			return err
		},
		access.LoadSite: func(a tracker.Actor) error {
			next := wardSite()
			next.Name = "Renamed"
			_, err := s.LoadSite(ctx, a, next)
			return err
		},
		access.AddPerson: func(a tracker.Actor) error {
			_, err := s.AddPerson(ctx, "SMALL", a, stock.Person{Code: "rph-1", Roles: []string{stock.Technician}})
			return err
		},
		access.ChangePerson: func(a tracker.Actor) error {
			_, err := s.ChangePerson(ctx, "SMALL", a, "nobody", tracker.PersonChange{Name: &name})
			return err
		},
		access.Assess: func(a tracker.Actor) error {
			_, err := s.Assess(ctx, "SMALL", a, "nobody", tracker.Assessment{What: stock.Sweeping, Until: s.now.Add(time.Hour)})
			return err
		},
		access.MakeToken: token(""), access.MakeOthers: token("nobody"),
		access.OwnAccount:  func(a tracker.Actor) error { _, err := s.Sessions(ctx, "SMALL", a, a.Person.Code); return err },
		access.SeeAccounts: func(a tracker.Actor) error { _, err := s.Sessions(ctx, "SMALL", a, ""); return err },
		access.EndSessions: func(a tracker.Actor) error { _, err := s.EndSession(ctx, "SMALL", a, 1); return err },
		access.FirstPassword: func(a tracker.Actor) error {
			return s.FirstAdministrator(ctx, "SMALL", a, "rph-1", "kettle moss of nobody")
		},
		access.ResetPassword: func(a tracker.Actor) error { _, _, err := s.ResetPassword(ctx, "SMALL", a, "tech-1"); return err },
	}
}

// Whatever door somebody comes in by, the operation itself asks: of each role, of whoever left, of a stranger, of an
// account of the machine, and of the daemon, which decides nothing. Who may not is told so and leaves no trace.
func TestEveryOperationByEveryRole(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, func(s *stock.Site) {
		for _, role := range stock.Roles() {
			s.People = append(s.People, stock.Person{Code: "only-" + strings.ReplaceAll(role, " ", "-"), Roles: []string{role}})
		}
		s.People = append(s.People, stock.Person{Code: "left", Roles: stock.Roles(), Left: time.Date(2025, 10, 1, 0, 0, 0, 0, time.UTC)})
	})
	s.Door = tracker.NewDoor(&counted{})
	by := func(code, via string, claims ...string) tracker.Actor {
		return tracker.Actor{Person: stock.Person{Code: code, Roles: claims}, Via: via}
	}
	all := operations(t, s)
	before := len(s.events(t, "SMALL"))
	var allowed []func()
	for _, op := range access.Operations() {
		rule, _ := access.Of(op)
		do, there := all[op]
		if !there {
			within := op == access.ExplainYield // asked while a batch is closed
			require.True(t, rule.Reads || rule.Anyone || within || op == access.Operate, "%s changes something and is not tried here", op)
			continue
		}
		try := func(a tracker.Actor, may bool) {
			if may {
				allowed = append(allowed, func() { require.False(t, noRole(do(a)), "%s by %s via %s", op, a.Person.Code, a.Via) })
				return
			}
			err := do(a)
			require.True(t, noRole(err), "%s by %s via %s: %v", op, a.Person.Code, a.Via, err)
		}
		for _, role := range stock.Roles() {
			code := "only-" + strings.ReplaceAll(role, " ", "-")
			for _, via := range []string{tracker.ViaToken, tracker.ViaPage, tracker.ViaMachine, tracker.ViaDemo} {
				try(by(code, via, stock.Roles()...), slices.Contains(rule.Roles, role)) // what they claim to be counts for nothing
			}
		}
		try(by("left", tracker.ViaPage, stock.Roles()...), false)
		try(by("stranger", tracker.ViaToken, stock.Roles()...), false)
		try(by("", "", stock.Roles()...), false)
		try(by("only-pharmacist", tracker.ViaAccount), rule.Machine) // an account of the machine is no person of that name
		try(by("only-pharmacist", tracker.ViaDaemon), rule.Daemon)
	}
	require.Len(t, s.events(t, "SMALL"), before, "somebody who may not changed the record")
	for _, f := range allowed {
		f()
	}
}

func noRole(err error) bool {
	var no *stock.Refusal
	return errors.As(err, &no) && no.Code == "role"
}
