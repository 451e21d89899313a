package tracker_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
	"vialward/tracker"
	"vialward/tracker/stock"
)

// A certificate that says the sensor read 1.5 °C too low since an hour ago: what it measured since is judged again in the
// commit that says so. The unit is out now, so it pages; what was out and over is told as late data.
func TestCalibrationRecomputesFromItsDate(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	codes := s.batch(t, 2, "R1/A")
	from := s.now
	s.live(t, "7", "7", "7", "7", "7", "7", "5", "5", "5", "5")
	require.Empty(t, s.cases(t))
	recalibrate := func(site *stock.Site) {
		cs := slices.Clone(site.Sensors[0].Calibrations)
		cs[0].To = from
		cs = append(cs, stock.Calibration{Certificate: "C-2", From: from, Due: from.AddDate(1, 0, 0), OffsetMilliC: 1500, UncertaintyMilliC: 300})
		site.Sensors[0].Calibrations = cs
	}
	require.NoError(t, s.reload(t, recalibrate))
	cases := s.cases(t)
	require.Len(t, cases, 1)
	require.Equal(t, "recovered", cases[0].State)
	require.Equal(t, int32(8500), int32(cases[0].Excursions[0].Found.ExtremeMilliC))
	require.Equal(t, "case 1 (warm)", s.vial(t, codes[0]).HoldsInWords())
	require.NotEmpty(t, s.mails(t))
	before := len(s.mails(t))
	require.NoError(t, s.reload(t, recalibrate), "the same again changes nothing")
	require.Len(t, s.mails(t), before)
	// Taken back, nothing is undone: the case is marked, and its hold stays.
	require.NoError(t, s.reload(t))
	require.Equal(t, "not borne out", s.cases(t)[0].State)
	require.Equal(t, "case 1 (warm)", s.vial(t, codes[0]).HoldsInWords())
}

// A sensor that is moved to another unit while its old one is out: the old unit's case ends with the assignment, the time
// until then stays held, and what it reads in its new place is of that place only.
func TestSensorMovedWhileOut(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 2, "R1/A")
	s.live(t, "5", "9", "9", "9", "9")
	require.Equal(t, "open", s.cases(t)[0].State)
	moved := s.now.Add(10 * time.Minute)
	move := func(site *stock.Site) {
		a := slices.Clone(site.Sensors[0].Assignments)
		a[0].To = moved
		site.Sensors[0].Assignments = append(a, stock.Assignment{Unit: "R2", From: moved})
	}
	gone := func(site *stock.Site) { site.Sensors[0].Assignments = []stock.Assignment{{Unit: "R2", From: moved}} }
	var wrong *tracker.SiteMistakes
	require.ErrorAs(t, s.reload(t, gone), &wrong, "while its case is open, the assignment is ended, not erased")
	require.NoError(t, s.reload(t, move))
	require.Equal(t, "open", s.cases(t)[0].State, "not yet")
	s.now = moved.Add(time.Minute)
	require.NoError(t, s.Tick(ctx, "SMALL"))
	require.NoError(t, s.Tick(ctx, "SMALL"))
	c := s.cases(t)[0]
	require.Equal(t, "recovered", c.State)
	holds := s.holds(t, c.No)
	require.Len(t, holds, 1)
	require.Equal(t, moved, holds[0].To)
	s.live(t, "9", "9", "9", "9", "9")
	for _, c := range s.cases(t)[:1] {
		require.Equal(t, "R2", c.Unit)
	}
	require.Len(t, s.holds(t, 1), 1)
	_, err := s.Release(ctx, "SMALL", pharmacist, tracker.Release{Case: 1, Vials: codes, Basis: "20 minutes, within allowance"})
	require.NoError(t, err)
}

func (s *setup) holds(t *testing.T, caseNo int64) (holds []tracker.HoldRow) {
	t.Helper()
	require.NoError(t, s.store.Read(t.Context(), "SMALL", func(v tracker.View) (err error) {
		holds, err = v.Holds(t.Context(), caseNo)
		return err
	}))
	return holds
}

// A dead sensor is taken from its unit: the time without temperatures ends there, on record and held.
func TestDeadSensorTakenAway(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 1, "R1/A")
	s.live(t, "5", "5")
	last := s.now
	s.now = last.Add(time.Hour)
	require.NoError(t, s.Silence(ctx, "SMALL", s.now))
	require.Equal(t, "open", s.cases(t)[0].State)
	taken := last.Add(50 * time.Minute)
	require.NoError(t, s.reload(t, func(site *stock.Site) {
		site.Sensors[0].Assignments = []stock.Assignment{{Unit: "R1", From: site.Sensors[0].Assignments[0].From, To: taken}}
	}))
	c := s.cases(t)[0]
	require.Equal(t, "recovered", c.State)
	require.Equal(t, []time.Time{last, taken}, []time.Time{c.From, c.To})
	require.Equal(t, []time.Time{last, taken}, []time.Time{s.holds(t, 1)[0].From, s.holds(t, 1)[0].To})
	require.Equal(t, "case 1 (no temperatures)", s.vial(t, codes[0]).HoldsInWords())
}

// A rule cannot be taken out from under its open case, or nothing could ever show its end.
func TestRuleOfAnOpenCaseStays(t *testing.T) {
	t.Parallel()
	room := func(kinds ...string) func(*stock.Site) {
		return func(site *stock.Site) {
			u := stock.Unit{Code: "C1", Class: stock.Room, Shelves: []stock.Shelf{{Code: "A"}}}
			for _, r := range site.Rules {
				if slices.Contains(kinds, r.Kind) {
					r.ForClass, r.LimitMilliC = "", map[string]int32{"warm": 25000, "cold": 15000}[r.Kind]
					u.Rules = append(u.Rules, r)
				}
			}
			site.Rooms[0].Units = append(site.Rooms[0].Units, u)
			site.Sensors[0].Assignments = []stock.Assignment{{Unit: "C1", From: site.Sensors[0].Assignments[0].From}}
		}
	}
	s := newSiteLike(t, room("warm", "cold", "no_data"))
	s.live(t, "20", "14", "14", "14", "14")
	require.Equal(t, "open", s.cases(t)[0].State)
	var wrong *tracker.SiteMistakes
	require.ErrorAs(t, s.reload(t, room("warm", "no_data")), &wrong)
	require.Contains(t, wrong.Error(), "case 1")
	s.live(t, "20", "20")
	require.NoError(t, s.reload(t, room("warm", "no_data")))
}

// A lapsed certificate does not make a sensor exact: its uncertainty still widens the freeze limit.
func TestUncertaintyOutlivesItsCertificate(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, func(site *stock.Site) {
		cs := slices.Clone(site.Sensors[0].Calibrations)
		cs[0].To = time.Date(2025, 10, 1, 0, 0, 0, 0, time.UTC)
		site.Sensors[0].Calibrations = cs
	})
	codes := s.batch(t, 1, "R1/B")
	s.live(t, "5.0", "0.3")
	require.Equal(t, "case 1 (freeze)", s.vial(t, codes[0]).HoldsInWords())
}

// Every logger silent is one mail, also when it is said again, and so is their coming back; one that stays silent when the
// others are back is named there and said by itself from then on.
func TestAllSilentIsOneMail(t *testing.T) {
	t.Parallel()
	s, ctx := newSiteLike(t, func(site *stock.Site) {
		twoSensors(site)
		site.Sensors[1].Assignments = []stock.Assignment{{Unit: "R2", From: site.Sensors[0].Assignments[0].From}}
		site.RemindMinutes = 30
	}), t.Context()
	s.takeIn(t, logOf("T1", s.now, "5"))
	s.takeIn(t, logOf("T2", s.now, "5"))
	for range 50 {
		s.now = s.now.Add(time.Minute)
		require.NoError(t, s.Silence(ctx, "SMALL", s.now))
		require.NoError(t, s.Reminders(ctx, "SMALL", s.now))
	}
	require.Equal(t, []alerts.Kind{alerts.AllSilent, alerts.AllSilent}, kinds(s.mails(t)), "at once, and after half an hour")
	require.Len(t, s.cases(t), 2)
	look := func() {
		require.NoError(t, s.Silence(ctx, "SMALL", s.now))
		require.NoError(t, s.Reminders(ctx, "SMALL", s.now))
	}
	for range 30 {
		s.takeIn(t, logOf("T1", s.now, "5"))
		look()
		require.Len(t, s.mails(t), 2, "the other one is waited for")
		s.now = s.now.Add(time.Minute)
	}
	s.takeIn(t, logOf("T1", s.now, "5"))
	look()
	look()
	require.Equal(t, []alerts.Kind{alerts.AllSilent, alerts.AllSilent, alerts.AllBack}, kinds(s.mails(t)))
	require.Contains(t, s.mails(t)[0].Subject, "1 of 2 loggers back 07:55")
	require.Contains(t, unwrapped(s.mails(t)[0].Text), "Not back: T2 in R2.")
	for range 29 {
		s.now = s.now.Add(time.Minute)
		s.takeIn(t, logOf("T1", s.now, "5"))
		look()
	}
	require.Len(t, s.mails(t), 3)
	s.now = s.now.Add(time.Minute)
	s.takeIn(t, logOf("T1", s.now, "5"))
	look()
	require.Equal(t, alerts.StillOpen, s.mails(t)[0].Kind)
	require.Contains(t, s.mails(t)[0].Subject, "R2")
	s.takeIn(t, logOf("T2", s.now, "5"))
	require.Equal(t, alerts.Recovered, s.mails(t)[0].Kind, "a case like any other by now")
}

// twoUnits has a sensor in each, both heard just now, and stock in each.
func twoUnits(t *testing.T) (s *setup, one, two []string) {
	t.Helper()
	s = newSiteLike(t, twoSensors, func(site *stock.Site) {
		site.Sensors[1].Assignments = []stock.Assignment{{Unit: "R2", From: site.Sensors[0].Assignments[0].From}}
	})
	one, two = s.batch(t, 2, "R1/A"), s.batch(t, 1, "R2/A")
	s.post(t, logOf("T1", s.now, "5"))
	s.post(t, logOf("T2", s.now, "5"))
	return s, one, two
}

// After a night without a word of any logger they come back within minutes of each other: one mail in the thread of the
// one that said so, with what is still on hold. A unit that comes back warm has its own page beside it.
func TestAllBackIsOneMail(t *testing.T) {
	t.Parallel()
	s, one, two := twoUnits(t)
	last := s.now
	s.watch(t, 60)
	require.Equal(t, []alerts.Kind{alerts.AllSilent}, kinds(s.mails(t)))
	silent := s.mails(t)[0]
	require.Equal(t, []any{true, fmt.Sprintf("silence/%d", last.Unix())}, []any{silent.First, silent.Thread})
	s.post(t, logOf("T1", s.now.Add(-20*time.Minute), "9.2", "9.3", "9.4", "9.5", "9.6"))
	require.Equal(t, []alerts.Kind{alerts.AllSilent, alerts.Warm}, kinds(s.mails(t)))
	s.watch(t, 4)
	s.post(t, logOf("T2", s.now, "5"))
	require.Len(t, s.mails(t), 2, "no unit's recovery by itself")
	s.watch(t, 1)
	s.watch(t, 1)
	require.Equal(t, []alerts.Kind{alerts.AllSilent, alerts.Warm, alerts.AllBack}, kinds(s.mails(t)))
	m := s.mails(t)[0]
	require.Equal(t, "3 STILL ON HOLD, all loggers back 08:06, R1 out of range", m.Subject)
	require.Equal(t, silent.Thread, m.Thread)
	require.Equal(t, silent.MessageID, m.Root())
	require.Contains(t, unwrapped(m.Text), "First R1: it came back out of range (case 3, warm since Mon 13 Oct 2025 07:45 EDT).")
	require.Contains(t, unwrapped(m.Text), "2 vials on hold, case 1")
	require.Contains(t, s.vial(t, one[0]).HoldsInWords(), "case 1 (no temperatures)")
	require.Equal(t, "case 2 (no temperatures)", s.vial(t, two[0]).HoldsInWords())
	s.watch(t, 4)
	s.post(t, logOf("T1", s.now, "9.5"))
	s.post(t, logOf("T2", s.now, "5"))
	require.Len(t, s.mails(t), 3)
}

// Back before any case was opened: people who were told that all are silent are told that they are not.
func TestAllBackBeforeAnythingWasHeld(t *testing.T) {
	t.Parallel()
	s, one, _ := twoUnits(t)
	s.watch(t, 14)
	require.Equal(t, []alerts.Kind{alerts.AllSilent}, kinds(s.mails(t)))
	s.post(t, logOf("T1", s.now, "5"))
	s.post(t, logOf("T2", s.now, "5"))
	s.watch(t, 1)
	require.Equal(t, []alerts.Kind{alerts.AllSilent, alerts.AllBack}, kinds(s.mails(t)))
	require.Equal(t, "All loggers back 07:20, nothing on hold for it", s.mails(t)[0].Subject)
	require.Empty(t, s.vial(t, one[0]).HoldsInWords())
}

// The way to the loggers is cut again before all were back: one silence, one thread, and in the end one mail. What they
// kept meanwhile fills the gap: the cases are not borne out, and no mail says so unit by unit.
func TestSilentAgainBeforeAllWereBack(t *testing.T) {
	t.Parallel()
	s, one, _ := twoUnits(t)
	last := s.now
	s.watch(t, 40)
	s.post(t, logOf("T1", s.now, "5"))
	s.watch(t, 40)
	require.Equal(t, []alerts.Kind{alerts.AllSilent, alerts.AllSilent}, kinds(s.mails(t)), "who had come back went again: said, in the same thread")
	require.Equal(t, s.mails(t)[1].Thread, s.mails(t)[0].Thread)
	require.True(t, s.mails(t)[1].First)
	require.False(t, s.mails(t)[0].First)
	backlog := strings.Split(strings.Repeat("5,", 15)+"5", ",")
	s.post(t, logOf("T1", last.Add(5*time.Minute), backlog...))
	s.post(t, logOf("T2", last.Add(5*time.Minute), backlog...))
	s.watch(t, 1)
	require.Equal(t, []alerts.Kind{alerts.AllSilent, alerts.AllSilent, alerts.AllBack}, kinds(s.mails(t)))
	require.Equal(t, "3 STILL ON HOLD, all loggers back 08:26", s.mails(t)[0].Subject)
	for _, c := range s.cases(t) {
		require.Contains(t, []string{"not borne out", "recovered"}, c.State)
	}
	require.NotEmpty(t, s.vial(t, one[0]).HoldsInWords(), "no rule releases")
}
