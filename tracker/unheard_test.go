package tracker_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
	"vialward/tracker"
	"vialward/tracker/stock"
)

// watch lets minutes pass as the schedule does: silence is looked for at each.
func (s *setup) watch(t *testing.T, minutes int) {
	t.Helper()
	for range minutes {
		s.now = s.now.Add(time.Minute)
		require.NoError(t, s.Silence(t.Context(), "SMALL", s.now))
	}
}

// hours lets time pass with a look an hour: nothing in between is due.
func (s *setup) hours(t *testing.T, n int) {
	t.Helper()
	for range n {
		s.now = s.now.Add(59 * time.Minute)
		s.watch(t, 1)
	}
}

func (s *setup) unheard(t *testing.T) []tracker.UnheardSensor {
	t.Helper()
	var out []tracker.UnheardSensor
	require.NoError(t, s.store.Read(t.Context(), "SMALL", func(v tracker.View) (err error) {
		out, err = tracker.UnheardSensors(t.Context(), v, s.now)
		return err
	}))
	return out
}

// sensorCount is what metrics show of the site's only sensor.
func (s *setup) sensorCount(t *testing.T) tracker.SensorCount {
	t.Helper()
	snapshot, err := s.store.Snapshot(t.Context(), s.now)
	require.NoError(t, err)
	require.Len(t, snapshot.Sensors, 1)
	return snapshot.Sensors[0]
}

// The first day as it goes: the site file is loaded, stock taken over, loggers connected an hour later. People are told
// that the logger has not been heard; nothing is held, and nothing more is said once it is.
func TestFirstDayHoldsNothing(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.watch(t, 10)
	codes := s.batch(t, 3, "R1/A")
	s.watch(t, 6)
	require.Empty(t, s.mails(t), "looked for since the first minute, though the site file says since January: 15 minutes")
	s.watch(t, 1)
	require.Equal(t, []alerts.Kind{alerts.NeverHeard}, kinds(s.mails(t)))
	m := s.mails(t)[0]
	require.Equal(t, "NEVER HEARD: T1 in R1, 3 vials unproven", m.Subject)
	require.Equal(t, alerts.Medium, m.Severity)
	require.Contains(t, unwrapped(m.Text), "No temperature has ever been recorded for R1 (Room Q): nothing proves how its 3 vials were kept. The first stood there 07:15 EDT.")
	require.Contains(t, unwrapped(m.Text), "since Wed 1 Jan 2025 00:00 EST")
	require.Contains(t, unwrapped(m.Text), "Put on hold if nothing is heard by then: 3 vials in R1 at 09:15 EDT.")
	require.True(t, s.sensorCount(t).NeverHeard)
	s.watch(t, 48)
	s.post(t, plainLog(s.now, "5.0"))
	s.watch(t, 15)
	s.post(t, plainLog(s.now, "5.0"))
	require.Empty(t, s.cases(t))
	require.Empty(t, s.vial(t, codes[0]).HoldsInWords())
	require.Len(t, s.mails(t), 1)
	require.Empty(t, s.unheard(t))
	require.False(t, s.sensorCount(t).NeverHeard)
	_, err := s.Issue(t.Context(), "SMALL", technician, tracker.Issue{Vials: codes[:1], To: "WARD"})
	require.NoError(t, err)
}

// Nobody connects it: two hours after the first vial came, all that stood there is on hold from its placing on, what was
// issued meanwhile too; people are told once a day; the first reading ends the case and releases nothing.
func TestNeverHeardHoldsFromTheFirstPlacing(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, func(site *stock.Site) { site.RemindMinutes = 60 })
	codes := s.batch(t, 3, "R1/A")
	placed := s.now
	s.watch(t, 30)
	_, err := s.Issue(t.Context(), "SMALL", technician, tracker.Issue{Vials: codes[:1], To: "WARD"})
	require.NoError(t, err)
	s.watch(t, 89)
	require.Empty(t, s.cases(t))
	require.Equal(t, placed.Add(2*time.Hour), s.unheard(t)[0].CaseAt)
	s.watch(t, 1)
	require.NoError(t, s.Silence(t.Context(), "SMALL", s.now), "asked again, nothing happens again")
	require.Len(t, s.cases(t), 1)
	c := s.cases(t)[0]
	require.Equal(t, []any{"R1", "no_data", "open", placed}, []any{c.Unit, c.Kind, c.State, c.From})
	for _, code := range codes {
		require.Equal(t, "case 1 (no temperatures)", s.vial(t, code).HoldsInWords(), code)
	}
	require.Equal(t, []alerts.Kind{alerts.NeverHeard, alerts.NeverHeard}, kinds(s.mails(t)), "told at once of the hold, by the mail that speaks for all, and by none of its own")
	require.Equal(t, "NEVER HEARD: T1 in R1, 3 vials on hold", s.mails(t)[0].Subject)
	require.Contains(t, unwrapped(s.mails(t)[0].Text), "2 vials there; case 1")

	s.hours(t, 23)
	require.NoError(t, s.Reminders(t.Context(), "SMALL", s.now))
	require.Len(t, s.mails(t), 2)
	s.hours(t, 1)
	require.Len(t, s.mails(t), 3, "a day after all were told last")
	s.hours(t, 23)
	require.Len(t, s.mails(t), 3)

	s.now = s.now.Add(time.Minute)
	s.post(t, plainLog(s.now, "5.0"))
	c = s.cases(t)[0]
	require.Equal(t, []any{"recovered", placed, s.now}, []any{c.State, c.From, c.To})
	require.Equal(t, alerts.Recovered, s.mails(t)[0].Kind)
	require.Contains(t, s.mails(t)[0].Subject, "3 STILL ON HOLD, R1 first heard")
	require.Equal(t, "case 1 (no temperatures)", s.vial(t, codes[1]).HoldsInWords(), "no rule releases")
	s.live(t, "5.0", "5.1")
	s.watch(t, 2)
	require.Len(t, s.cases(t), 1)
	require.Empty(t, s.unheard(t))
	s.recounted(t)
}

// A log that the logger kept while nobody was connected to it: the case is not borne out, the pharmacist releases.
func TestTheLogOfANeverHeardLogger(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	codes := s.batch(t, 1, "R1/A")
	placed := s.now
	s.watch(t, 120)
	require.Len(t, s.cases(t), 1)
	last := s.now
	s.post(t, plainLog(last, "5.0"))
	require.Equal(t, "recovered", s.cases(t)[0].State)
	s.now = s.now.Add(time.Minute)
	s.takeIn(t, plainLog(placed.Add(10*time.Minute), strings.Split(strings.Repeat("5.0,", 21)+"5.0", ",")...))
	c := s.cases(t)[0]
	require.Equal(t, "not borne out", c.State)
	require.Equal(t, "case 1 (no temperatures)", s.vial(t, codes[0]).HoldsInWords())
	require.Len(t, s.cases(t), 1)
	_, err := s.Release(t.Context(), "SMALL", pharmacist, tracker.Release{Case: 1, Vials: codes, Basis: "the logger's own log"})
	require.NoError(t, err)
}

// Last year's log says nothing of stock that is there now: the case goes on until something is measured after it began.
func TestAnOldLogIsNotHeard(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.batch(t, 1, "R1/A")
	placed := s.now
	s.watch(t, 120)
	s.takeIn(t, plainLog(placed.AddDate(0, -3, 0), "5.0", "5.0"))
	require.Equal(t, "open", s.cases(t)[0].State)
	s.watch(t, 30)
	require.Len(t, s.cases(t), 1, "its silence since is the same case")
	require.Equal(t, placed, s.cases(t)[0].From)
	s.live(t, "5.0")
	require.Equal(t, "recovered", s.cases(t)[0].State)
	require.Equal(t, s.now, s.cases(t)[0].To)
}

// The logger's own log comes in parts: the first ends before the stock came, the second goes on from there. Nothing was
// unknown, so the case is not borne out.
func TestTheLogOfANeverHeardLoggerInParts(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.batch(t, 1, "R1/A")
	placed := s.now
	s.watch(t, 120)
	s.takeIn(t, plainLog(placed.Add(-10*time.Minute), "5.0", "5.0"))
	require.Equal(t, "open", s.cases(t)[0].State)
	s.takeIn(t, plainLog(placed, "5.0", "5.0", "5.0"))
	require.Equal(t, "not borne out", s.cases(t)[0].State)
}

// Another sensor speaks for the shelf: people are told, nothing is held. When that one falls silent, it is its own case.
func TestAnotherSensorSpeaksForTheShelf(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, twoSensors)
	codes := s.batch(t, 1, "R1/A")
	for range 50 {
		s.watch(t, 5)
		s.post(t, logOf("T2", s.now, "5.0"))
	}
	require.Empty(t, s.cases(t))
	require.Empty(t, s.vial(t, codes[0]).HoldsInWords())
	require.Equal(t, []alerts.Kind{alerts.NeverHeard}, kinds(s.mails(t)))
	require.Contains(t, unwrapped(s.mails(t)[0].Text), "1 vial there, for which another logger speaks")
	last := s.now
	s.watch(t, 60)
	require.Len(t, s.cases(t), 1)
	require.Equal(t, last, s.cases(t)[0].From)
}

// Of two sensors of a unit one has never been heard, and its shelf is held. The other one's silence is news all the same.
func TestHalfAUnit(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, twoSensors, func(site *stock.Site) {
		site.Sensors[1].Assignments = []stock.Assignment{{Unit: "R1", From: site.Sensors[0].Assignments[0].From, Shelves: []string{"A"}}}
	})
	a, b := s.batch(t, 1, "R1/A"), s.batch(t, 2, "R1/B")
	for range 30 {
		s.watch(t, 5)
		s.post(t, logOf("T2", s.now, "5.0"))
	}
	require.Len(t, s.cases(t), 1)
	require.Empty(t, s.vial(t, a[0]).HoldsInWords())
	require.Equal(t, "case 1 (no temperatures)", s.vial(t, b[0]).HoldsInWords())
	require.Contains(t, unwrapped(s.mails(t)[0].Text), "No temperature has ever been recorded for R1 (Room Q), shelf B: nothing proves how its 2 vials were kept.")
	before := len(s.mails(t))
	s.watch(t, 60)
	require.Len(t, s.cases(t), 1)
	require.Equal(t, "case 1 (no temperatures)", s.vial(t, a[0]).HoldsInWords())
	require.Equal(t, 1, count(s.mails(t)[:len(s.mails(t))-before], alerts.NoTemperatures))
}

// All of a site are told of in one mail, a new one with the others; two daemons tell once.
func TestOneMailForAllNeverHeard(t *testing.T) {
	t.Parallel()
	third := func(site *stock.Site) {
		x := site.Sensors[0]
		x.Code, x.Assignments = "T3", []stock.Assignment{{Unit: "R2", From: site.Sensors[0].Assignments[0].From}}
		site.Sensors = append(site.Sensors, x)
	}
	s := newSiteLike(t, twoSensors)
	s.watch(t, 22)
	require.NoError(t, s.Silence(t.Context(), "SMALL", s.now))
	require.Len(t, s.mails(t), 1)
	require.Equal(t, "NEVER HEARD: 2 loggers, since Wed 1 Jan 00:00", s.mails(t)[0].Subject)
	require.NoError(t, s.reload(t, twoSensors, third))
	s.watch(t, 22)
	require.Len(t, s.mails(t), 2)
	require.Contains(t, s.mails(t)[0].Subject, "3 loggers")
	s.hours(t, 24)
	require.Len(t, s.mails(t), 3, "all of them at once from then on")
	require.Contains(t, s.mails(t)[0].Subject, "3 loggers")
	require.Empty(t, s.cases(t), "no stock, no hold")
}

// The assignment of a sensor never heard ends: so does its case, its hold stays, and nothing more is said.
func TestUnassignedWithoutAWord(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	codes := s.batch(t, 1, "R1/A")
	s.watch(t, 120)
	require.Equal(t, "open", s.cases(t)[0].State)
	ended := s.now.Add(time.Minute)
	s.now = ended.Add(time.Minute)
	require.NoError(t, s.reload(t, func(site *stock.Site) { site.Sensors[0].Assignments[0].To = ended }))
	require.NoError(t, s.Tick(t.Context(), "SMALL"))
	c := s.cases(t)[0]
	require.Equal(t, []any{"recovered", ended}, []any{c.State, c.To})
	require.Equal(t, "case 1 (no temperatures)", s.vial(t, codes[0]).HoldsInWords())
	n := len(s.mails(t))
	s.hours(t, 30)
	require.Len(t, s.mails(t), n)
	_, err := s.Release(t.Context(), "SMALL", pharmacist, tracker.Release{Case: 1, Vials: codes, Basis: "a thermometer beside them"})
	require.NoError(t, err)
}

// A sensor that replaced another and has never been heard: stock is unproven from when the first one left.
func TestReplacedByASensorNobodyHears(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	codes := s.batch(t, 1, "R1/A")
	s.live(t, "5.0", "5.0", "5.0")
	left := s.now
	replaced := func(site *stock.Site) {
		twoSensors(site)
		site.Sensors[0].Assignments = []stock.Assignment{{Unit: "R1", From: site.Sensors[0].Assignments[0].From, To: left}}
		site.Sensors[1].Assignments = []stock.Assignment{{Unit: "R1", From: left.Add(-10 * time.Minute)}}
	}
	require.NoError(t, s.reload(t, replaced))
	s.watch(t, 119)
	require.Empty(t, s.cases(t))
	s.watch(t, 1)
	require.Len(t, s.cases(t), 1)
	require.Equal(t, left, s.cases(t)[0].From)
	require.Equal(t, "case 1 (no temperatures)", s.vial(t, codes[0]).HoldsInWords())
	require.Contains(t, unwrapped(s.mails(t)[0].Text), "when another logger's time there ended")
}

// Where the unit's rule for missing data holds nothing, there is a case all the same, and the mail says that nothing holds.
func TestNoRuleHoldsTheUnproven(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, func(site *stock.Site) { site.Rules[3].Hold = false })
	codes := s.batch(t, 2, "R1/A")
	s.watch(t, 121)
	require.Len(t, s.cases(t), 1)
	require.Empty(t, s.vial(t, codes[0]).HoldsInWords())
	require.Contains(t, unwrapped(s.mails(t)[0].Text), "No rule of the unit holds 2 vials: ask a pharmacist before any is used.")
}

// unwrapped is a text without its wrapping, for looking a sentence up.
func unwrapped(s string) string { return strings.Join(strings.Fields(s), " ") }
