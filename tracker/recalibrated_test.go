package tracker_test

import (
	"slices"
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

// Every logger silent is one mail, also when it is said again; one that stays silent when the others are back is said by
// itself.
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
	s.takeIn(t, logOf("T1", s.now, "5"))
	require.Equal(t, alerts.Recovered, kinds(s.mails(t))[2])
	s.now = s.now.Add(14 * time.Minute)
	s.takeIn(t, logOf("T1", s.now, "5"))
	require.NoError(t, s.Reminders(ctx, "SMALL", s.now))
	require.Equal(t, alerts.StillOpen, kinds(s.mails(t))[3])
	require.Contains(t, s.mails(t)[0].Subject, "R2")
}
