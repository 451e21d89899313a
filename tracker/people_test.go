package tracker_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/stock"
)

var (
	other  = tracker.Actor{Person: stock.Person{Code: "rph-2"}, Via: "token"}
	nobody = tracker.Actor{Person: stock.Person{Code: "rph-1", Roles: []string{stock.Pharmacist}}, Via: "elsewhere"}
)

// staffed is a site with an administrator and a second pharmacist who is competent in nothing.
func staffed(t *testing.T) *setup {
	t.Helper()
	return newSiteLike(t, func(s *stock.Site) {
		s.People = append(s.People, stock.Person{Code: "admin-1", Roles: []string{stock.Administrator}})
	})
}

func (s *setup) person(t *testing.T, code string) stock.Person {
	t.Helper()
	site, err := s.ShowSite(t.Context(), "SMALL")
	require.NoError(t, err)
	p, ok := site.Person(code)
	require.True(t, ok)
	return p
}

// Somebody comes, is assessed, works, fails an assessment, and goes: each in the document that says who may do what, and
// in an event that says who said so.
func TestAPersonFromFirstToLastDay(t *testing.T) {
	t.Parallel()
	s, ctx := staffed(t), t.Context()
	_, err := s.AddPerson(ctx, "SMALL", admin, stock.Person{
		Code: "tech-3", Name: "Technician 3", Roles: []string{stock.Technician}, Competencies: able(s.now, stock.Aseptic),
	})
	require.NoError(t, err)
	require.Empty(t, s.person(t, "tech-3").Competencies, "whoever adds somebody assesses nobody")
	prepare := func() error {
		_, err := s.Prepare(ctx, "SMALL", tracker.Actor{Person: stock.Person{Code: "tech-3"}, Via: "token"}, tracker.Prepare{
			Product: "PANT", Count: 2, Area: "PA", StartedAt: s.now.Add(-30 * time.Minute), Components: lots("pantoprazole"),
		})
		return err
	}
	refused(t, prepare(), "competency")

	begins, lapses := s.now, s.now.AddDate(0, 2, 0)
	_, err = s.Assess(ctx, "SMALL", pharmacist, "tech-3", tracker.Assessment{What: stock.Aseptic, Until: lapses, Note: "media fill 7"})
	require.NoError(t, err)
	require.Equal(t, []stock.Competency{{What: stock.Aseptic, AssessedBy: "rph-1", From: begins, Until: lapses, Note: "media fill 7"}}, s.person(t, "tech-3").Competencies)
	refused(t, prepare(), "competency") // it began half an hour before the assessment
	s.now = s.now.Add(30 * time.Minute)
	require.NoError(t, prepare())
	s.now = lapses.Add(-time.Microsecond)
	require.NoError(t, prepare(), "completed a microsecond before")
	s.now = lapses
	refused(t, prepare(), "competency")

	s.now = lapses.Add(-24 * time.Hour)
	_, err = s.Assess(ctx, "SMALL", pharmacist, "tech-3", tracker.Assessment{What: stock.Aseptic, Failed: true, Note: "growth"})
	require.NoError(t, err)
	require.Equal(t, s.now, s.person(t, "tech-3").Competencies[0].Until)
	refused(t, prepare(), "competency")

	gone := s.now.Add(time.Hour)
	_, err = s.ChangePerson(ctx, "SMALL", admin, "tech-3", tracker.PersonChange{Left: &gone})
	require.NoError(t, err)
	s.now = gone
	_, err = s.Hold(ctx, "SMALL", tracker.Actor{Person: stock.Person{Code: "tech-3"}, Via: "token"}, tracker.Hold{Vials: []string{"x"}, Reason: "x"})
	refused(t, err, "role")

	var said []string
	for _, e := range s.events(t, "SMALL") {
		if e.Body.To == "tech-3" {
			said = append(said, fmt.Sprint(e.Kind, " by ", e.By, ": ", e.Body.Note, " ", e.Body.Reason))
			require.NotEmpty(t, e.Body.Details)
			require.NotEmpty(t, e.Body.Digest, "bound to the document it made")
		}
	}
	require.Equal(t, []string{
		"person_added by admin-1: technician ", "person_assessed by rph-1: aseptic media fill 7", "person_assessed by rph-1: aseptic growth",
		"person_changed by admin-1:  ",
	}, said)
}

// Nobody says what they themselves may do: not an administrator, not a pharmacist, not through the site file either.
func TestNobodyChangesTheirOwnRights(t *testing.T) {
	t.Parallel()
	s, ctx := staffed(t), t.Context()
	all := []string{stock.Administrator, stock.Pharmacist}
	_, err := s.ChangePerson(ctx, "SMALL", admin, "admin-1", tracker.PersonChange{Roles: all})
	refused(t, err, "own_rights")
	name := "Ada"
	_, err = s.ChangePerson(ctx, "SMALL", admin, "admin-1", tracker.PersonChange{Name: &name})
	require.NoError(t, err, "what does not say what they may do, they may change")
	until := s.now.AddDate(1, 0, 0)
	_, err = s.Assess(ctx, "SMALL", other, "rph-2", tracker.Assessment{What: stock.Releasing, Until: until, AssessedBy: "the trainer"})
	refused(t, err, "own_rights")
	_, err = s.Assess(ctx, "SMALL", pharmacist, "rph-2", tracker.Assessment{What: stock.Releasing, Until: until, AssessedBy: "rph-2"})
	refused(t, err, "own_rights")

	site, err := s.ShowSite(ctx, "SMALL")
	require.NoError(t, err)
	for _, change := range []func(p *stock.Person){
		func(p *stock.Person) { p.Roles = all },
		func(p *stock.Person) { p.Competencies = able(s.now, stock.Aseptic) },
		func(p *stock.Person) { p.Left = s.now },
	} {
		for i, a := range map[int]tracker.Actor{len(site.People) - 1: admin, len(site.People) - 2: other} {
			next := site
			next.People = append([]stock.Person{}, site.People...)
			change(&next.People[i])
			_, err = s.LoadSite(ctx, a, next)
			refused(t, err, "own_rights")
		}
	}
	_, err = s.ChangePerson(ctx, "SMALL", nobody, "tech-1", tracker.PersonChange{Roles: all})
	refused(t, err, "role") // the actor's own copy of their roles counts for nothing
	require.Equal(t, []string{stock.Administrator}, s.person(t, "admin-1").Roles)
}

// What cannot be is refused in a sentence and changes nothing.
func TestPeopleAsTheyCannotBe(t *testing.T) {
	t.Parallel()
	s, ctx := staffed(t), t.Context()
	before := len(s.events(t, "SMALL"))
	add := func(p stock.Person) error { _, err := s.AddPerson(ctx, "SMALL", admin, p); return err }
	change := func(code string, c tracker.PersonChange) error {
		_, err := s.ChangePerson(ctx, "SMALL", admin, code, c)
		return err
	}
	assess := func(a tracker.Actor, code string, x tracker.Assessment) error {
		_, err := s.Assess(ctx, "SMALL", a, code, x)
		return err
	}
	tech := []string{stock.Technician}
	until, mail, none := s.now.AddDate(1, 0, 0), "rph-1 at small", ""
	refused(t, add(stock.Person{Code: "tech-1", Roles: tech}), "person")
	refused(t, add(stock.Person{Code: "tech 9", Roles: tech}), "person")
	refused(t, add(stock.Person{Code: "vialward", Roles: tech}), "person")
	refused(t, add(stock.Person{Code: "tech-9"}), "person")
	refused(t, add(stock.Person{Code: "tech-9", Roles: []string{"chemist"}}), "person")
	refused(t, change("rph-1", tracker.PersonChange{Mail: &mail}), "person")
	refused(t, change("rph-1", tracker.PersonChange{Mail: &none}), "person") // a route of mail would reach nobody
	refused(t, change("rph-1", tracker.PersonChange{}), "unchanged")
	require.ErrorIs(t, change("tech-9", tracker.PersonChange{Mail: &none}), tracker.ErrNotFound)
	refused(t, assess(pharmacist, "tech-1", tracker.Assessment{What: "juggling", Until: until}), "person")
	refused(t, assess(pharmacist, "tech-1", tracker.Assessment{What: stock.Sweeping}), "until")
	refused(t, assess(pharmacist, "tech-1", tracker.Assessment{What: stock.Sweeping, Until: until, Failed: true}), "until")
	refused(t, assess(pharmacist, "tech-1", tracker.Assessment{What: stock.Sweeping, Until: s.now}), "person")
	refused(t, assess(pharmacist, "tech-1", tracker.Assessment{What: stock.Sweeping, From: s.now.Add(time.Hour), Until: until}), "future")
	refused(t, assess(pharmacist, "tech-1", tracker.Assessment{What: stock.Sweeping, Failed: true}), "competency")
	require.ErrorIs(t, assess(pharmacist, "tech-9", tracker.Assessment{What: stock.Sweeping, Until: until}), tracker.ErrNotFound)
	refused(t, assess(admin, "tech-1", tracker.Assessment{What: stock.Sweeping, Until: until}), "role")
	_, err := s.AddPerson(ctx, "SMALL", pharmacist, stock.Person{Code: "tech-9", Roles: tech})
	refused(t, err, "role")
	require.Len(t, s.events(t, "SMALL"), before)
}

// An old copy of the site file takes out nobody who came since it was written, and nothing that was assessed since.
func TestAnOldFileUndoesNoAssessment(t *testing.T) {
	t.Parallel()
	s, ctx := staffed(t), t.Context()
	old, err := s.ShowSite(ctx, "SMALL")
	require.NoError(t, err)
	_, err = s.Assess(ctx, "SMALL", pharmacist, "rph-2", tracker.Assessment{What: stock.Verifying, Until: s.now.AddDate(1, 0, 0)})
	require.NoError(t, err)
	_, err = s.AddPerson(ctx, "SMALL", admin, stock.Person{Code: "tech-3", Roles: []string{stock.Technician}})
	require.NoError(t, err)
	old.Name = "Small Pharmacy, renamed"
	_, err = s.LoadSite(ctx, admin, old)
	var wrong *tracker.SiteMistakes
	require.ErrorAs(t, err, &wrong)
	require.Len(t, wrong.List, 2)
	require.Contains(t, wrong.Error(), "rph-2's competency \"verifying\"")
	require.Contains(t, wrong.Error(), "tech-3 is gone from the file")

	now, err := s.ShowSite(ctx, "SMALL")
	require.NoError(t, err)
	now.Name = old.Name
	reaching := now
	reaching.People = append([]stock.Person{}, now.People...)
	for i, p := range reaching.People {
		if p.Code == "rph-2" {
			reaching.People[i].Competencies = []stock.Competency{p.Competencies[0]}
			reaching.People[i].Competencies[0].Until = s.now.AddDate(2, 0, 0)
		}
	}
	_, err = s.LoadSite(ctx, admin, reaching)
	require.ErrorContains(t, err, "reaches further", "a competency is renewed by another assessment, not drawn out")
	_, err = s.LoadSite(ctx, admin, now)
	require.NoError(t, err)
}

// Two at once: both changes are in the document, none is written over.
func TestTwoChangePeopleAtOnce(t *testing.T) {
	t.Parallel()
	s, ctx := staffed(t), t.Context()
	const n = 4 // of as many at once, each is first within as many tries
	errs := make(chan error, n)
	for i := range n {
		go func() {
			_, err := s.AddPerson(ctx, "SMALL", admin, stock.Person{Code: fmt.Sprint("new-", i), Roles: []string{stock.Technician}})
			errs <- err
		}()
	}
	for range n {
		require.NoError(t, <-errs)
	}
	site, err := s.ShowSite(ctx, "SMALL")
	require.NoError(t, err)
	kept := 0
	for i := range n {
		if _, ok := site.Person(fmt.Sprint("new-", i)); ok {
			kept++
		}
	}
	require.Equal(t, n, kept)
	require.Equal(t, 1+n, site.Version)
}

// Verifying and releasing at the instant of lapse, in the record and not only in the rule.
func TestLapsedCompetencyStopsAtItsInstant(t *testing.T) {
	t.Parallel()
	start := time.Date(2025, 10, 13, 11, 5, 0, 0, time.UTC)
	lapses := start.Add(2 * time.Hour)
	s := newSiteLike(t, func(site *stock.Site) {
		for i := range site.People {
			if site.People[i].Code == "rph-1" {
				for k := range site.People[i].Competencies {
					site.People[i].Competencies[k].Until = lapses
				}
			}
		}
	})
	ctx := t.Context()
	codes := s.batch(t, 4, "R1/A")
	p, err := s.Prepare(ctx, "SMALL", technician, tracker.Prepare{Product: "PANT", Count: 2, Area: "PA", StartedAt: s.now.Add(-30 * time.Minute), Components: lots("pantoprazole")})
	require.NoError(t, err)
	unverified := []string{p.Vials[0].Code, p.Vials[1].Code}
	_, err = s.Label(ctx, "SMALL", technician, unverified, time.Time{})
	require.NoError(t, err)
	_, err = s.Hold(ctx, "SMALL", technician, tracker.Hold{Vials: codes[:2], Reason: "cap looks odd"})
	require.NoError(t, err)

	s.now = lapses.Add(-time.Microsecond)
	_, err = s.Verify(ctx, "SMALL", pharmacist, unverified[:1], time.Time{})
	require.NoError(t, err)
	_, err = s.Lift(ctx, "SMALL", pharmacist, tracker.Hold{Vials: codes[:1], Kind: "manual", Reason: "looked at it"})
	require.NoError(t, err)
	for _, back := range []time.Duration{0, time.Hour} { // also of what is said to have been done in time
		s.now = lapses
		at := s.now.Add(-back)
		_, err = s.Verify(ctx, "SMALL", pharmacist, unverified[1:], at)
		refused(t, err, "competency")
		_, err = s.Lift(ctx, "SMALL", pharmacist, tracker.Hold{Vials: codes[1:2], Kind: "manual", Reason: "looked at it", At: at})
		refused(t, err, "competency")
		_, err = s.Release(ctx, "SMALL", pharmacist, tracker.Release{Case: 1, Vials: codes[1:2], Basis: "within its allowance", At: at})
		refused(t, err, "competency")
	}
	_, err = s.Shorten(ctx, "SMALL", pharmacist, tracker.Shorten{Vials: codes[2:3], BUD: s.now.Add(time.Hour), Reason: "decided"})
	require.NoError(t, err, "the safe direction goes on")
}

// Whoever had a hand in a preparation is no second pair of eyes: who signed a step of it does not verify, and who verified
// signs no step afterwards.
func TestWhoHadAHandDoesNotVerify(t *testing.T) {
	t.Parallel()
	s, batch, codes := closable(t, same, 2)
	ctx := t.Context()
	_, err := s.Label(ctx, "SMALL", technician, codes, time.Time{})
	require.NoError(t, err)
	step := func(by, name string) error {
		_, err := s.SignStep(ctx, "SMALL", technician, batch, tracker.StepDone{Name: name, By: by, At: s.now.Add(-20 * time.Minute)})
		return err
	}
	require.NoError(t, step("tech-2", "dissolved"))
	_, err = s.Verify(ctx, "SMALL", pharmacist, codes[:1], time.Time{})
	require.NoError(t, err, "whoever had none verifies")
	refused(t, step("rph-1", "inspected: clear, no particles"), "same_person")

	s, batch, codes = closable(t, same, 2)
	_, err = s.Label(ctx, "SMALL", technician, codes, time.Time{})
	require.NoError(t, err)
	require.NoError(t, step("rph-1", "dissolved"))
	_, err = s.Verify(ctx, "SMALL", pharmacist, codes, time.Time{})
	refused(t, err, "same_person")
	require.ErrorContains(t, err, "dissolved")
}
