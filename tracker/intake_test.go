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
	"vialward/tracker/templog"
)

// log is text in the plain form for sensor T1: a temperature every five minutes from an instant on.
func plainLog(from time.Time, celsius ...string) string {
	var b strings.Builder
	b.WriteString("sensor,at,celsius\n")
	for i, c := range celsius {
		fmt.Fprintf(&b, "T1,%s,%s\n", from.Add(time.Duration(i)*5*time.Minute).Format(time.RFC3339), c)
	}
	return b.String()
}

func (s *setup) takeIn(t *testing.T, text string) tracker.Intake {
	t.Helper()
	p, err := templog.NewParser(strings.NewReader(text), nil, templog.Options{})
	require.NoError(t, err)
	in, err := s.TakeIn(t.Context(), "SMALL", tracker.Rule, tracker.Delivery{Source: "command", Name: "test", Values: p})
	require.NoError(t, err)
	r := in.Rows
	require.Equal(t, r.Read, r.Stored+r.Duplicate+r.Conflicting+r.Missing+r.Refused, "what is taken in adds up")
	return in
}

// live feeds readings one by one at their own time.
func (s *setup) live(t *testing.T, celsius ...string) {
	t.Helper()
	for _, c := range celsius {
		s.now = s.now.Add(5 * time.Minute)
		s.takeIn(t, plainLog(s.now, c))
	}
}

func (s *setup) cases(t *testing.T) []tracker.Case {
	t.Helper()
	var out []tracker.Case
	require.NoError(t, s.store.Read(t.Context(), "SMALL", func(v tracker.View) (err error) {
		out, err = v.Cases(t.Context(), tracker.CaseQuery{})
		return err
	}))
	return out
}

func (s *setup) mails(t *testing.T) []alerts.Row {
	t.Helper()
	var out []alerts.Row
	require.NoError(t, s.store.Read(t.Context(), "SMALL", func(v tracker.View) (err error) {
		out, err = v.Outbox(t.Context(), 1000)
		return err
	}))
	return out
}

func kinds(mails []alerts.Row) (k []alerts.Kind) {
	for _, m := range slices.Backward(mails) {
		k = append(k, m.Kind)
	}
	return k
}

// A door ajar: opens after its delay, holds what was there, also what was moved out and issued meanwhile, mails once,
// recovers without releasing; a pharmacist releases, and what has expired by then stays dead.
func TestDoorAjar(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 5, "R1/A")
	s.live(t, "4.8", "4.9", "5.0")
	s.live(t, "8.5") // beyond, not for 15 minutes yet
	require.Empty(t, s.cases(t))
	_, err := s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes[:1], To: "WARD"})
	require.NoError(t, err)
	_, err = s.Place(ctx, "SMALL", technician, tracker.Place{Vials: codes[1:2], To: "R2/A"})
	require.NoError(t, err)
	s.live(t, "9.0", "9.3", "9.6")
	cases := s.cases(t)
	require.Len(t, cases, 1)
	require.Equal(t, "open", cases[0].State)
	require.Equal(t, "warm", cases[0].Kind)
	for _, c := range codes {
		require.Equal(t, "case 1 (warm)", s.vial(t, c).HoldsInWords(), c)
	}
	require.Equal(t, []alerts.Kind{alerts.Warm}, kinds(s.mails(t)))
	warm := s.mails(t)[0]
	require.Contains(t, warm.Subject, "WARM R1")
	require.Contains(t, warm.Text, "5 vials on hold")
	_, err = s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes[2:3], To: "WARD"})
	refused(t, err, "on_hold")
	_, err = s.Release(ctx, "SMALL", pharmacist, tracker.Release{Case: 1, Vials: codes[2:3], Basis: "short"})
	refused(t, err, "still_out")
	s.live(t, "7.5", "5.0", "4.8", "4.7")
	require.Equal(t, "recovered", s.cases(t)[0].State)
	require.Equal(t, []alerts.Kind{alerts.Warm, alerts.Recovered}, kinds(s.mails(t)))
	require.Contains(t, s.mails(t)[0].Subject, "5 STILL ON HOLD")
	require.Equal(t, s.mails(t)[0].Thread, warm.Thread)
	minutes := 22
	_, err = s.Release(ctx, "SMALL", technician, tracker.Release{Case: 1, Vials: codes, Basis: "within allowance", Minutes: &minutes})
	refused(t, err, "role")
	_, err = s.Release(ctx, "SMALL", pharmacist, tracker.Release{Case: 1, Vials: codes, Basis: "within allowance", Minutes: &minutes})
	require.NoError(t, err)
	_, err = s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes[2:3], To: "WARD"})
	require.NoError(t, err)
	s.recounted(t)
}

// One freezing reading holds the whole unit at once; no average can hide it.
func TestOneFreezingReading(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	codes := s.batch(t, 1, "R1/B")
	s.live(t, "5.0", "5.0", "0.3", "5.0") // 0.3 is at the limit and the sensor's uncertainty of 0.3
	require.Equal(t, "case 1 (freeze)", s.vial(t, codes[0]).HoldsInWords())
	require.Equal(t, alerts.Freezing, kinds(s.mails(t))[0])
}

// Silence is an alarm: judged by receipt, held as unknown, and a backlog that fills the gap marks it, releases nothing.
func TestSilence(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 2, "R1/A")
	s.live(t, "5.0", "5.0")
	last := s.now
	s.now = s.now.Add(15 * time.Minute) // silent_after is 15 min: not for longer
	require.NoError(t, s.Silence(ctx, "SMALL", s.now))
	require.Empty(t, s.cases(t))
	s.now = s.now.Add(time.Second)
	require.NoError(t, s.Silence(ctx, "SMALL", s.now))
	require.NoError(t, s.Silence(ctx, "SMALL", s.now), "asked again, nothing happens again")
	require.Len(t, s.cases(t), 1)
	require.Equal(t, "no_data", s.cases(t)[0].Kind)
	require.Equal(t, last, s.cases(t)[0].From)
	require.Equal(t, "case 1 (no temperatures)", s.vial(t, codes[0]).HoldsInWords())
	s.now = s.now.Add(2 * time.Hour)
	s.takeIn(t, plainLog(last.Add(5*time.Minute), strings.Split(strings.Repeat("5.1,", 28)+"5.1", ",")...))
	require.Equal(t, "not borne out", s.cases(t)[0].State)
	require.Equal(t, "case 1 (no temperatures)", s.vial(t, codes[0]).HoldsInWords(), "no rule releases")
	_, err := s.Release(ctx, "SMALL", pharmacist, tracker.Release{Case: 1, Vials: codes, Basis: "the logger's own backlog, 5.0 to 5.1"})
	require.NoError(t, err)
	require.Empty(t, s.vial(t, codes[0]).HoldsInWords())
}

// A gap that stays a gap is an excursion of unknown size from the last good reading to the next.
func TestGapThatStays(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	s.batch(t, 1, "R1/A")
	s.live(t, "5.0", "5.0")
	last := s.now
	s.now = s.now.Add(5 * time.Hour)
	require.NoError(t, s.Silence(ctx, "SMALL", s.now))
	s.live(t, "5.0")
	c := s.cases(t)[0]
	require.Equal(t, "recovered", c.State)
	require.Equal(t, []time.Time{last, s.now}, []time.Time{c.From, c.To})
}

// A first load of last year's logs finds what was in them, holds nothing that was not there, and wakes nobody.
func TestLastYearsLogs(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	codes := s.batch(t, 1, "R1/A")
	in := s.takeIn(t, plainLog(s.now.AddDate(0, -6, 0), "5", "9", "9", "9", "9", "5", "5", "5", "5", "-1", "-1", "5"))
	require.Equal(t, int64(12), in.Rows.Stored)
	require.Len(t, s.cases(t), 2)
	for _, c := range s.cases(t) {
		require.True(t, c.Late)
	}
	require.Equal(t, []alerts.Kind{alerts.LateData}, kinds(s.mails(t)), "one mail an intake")
	require.Empty(t, s.vial(t, codes[0]).HoldsInWords())
}

// Late data extends and merges, never undoes; sending again is harmless.
func TestLateDataMerges(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.batch(t, 1, "R1/A")
	start := s.now.Add(time.Minute)
	s.now = s.now.Add(6 * time.Hour)
	s.takeIn(t, plainLog(start, "5", "9", "9", "9", "9"))
	s.takeIn(t, plainLog(start.Add(60*time.Minute), "9", "9", "9", "9", "5", "5", "5", "5", "5"))
	before := s.cases(t)
	require.NotEmpty(t, before)
	in := s.takeIn(t, plainLog(start.Add(20*time.Minute), "9", "9", "9", "9", "9", "9", "9", "9"))
	require.Equal(t, templog.Rows{Read: 8, Stored: 7, Duplicate: 1}, in.Rows)
	after := s.cases(t)
	require.GreaterOrEqual(t, len(after), len(before), "no case is deleted")
	in = s.takeIn(t, plainLog(start.Add(20*time.Minute), "9", "9", "9", "9", "9", "9", "9", "9"))
	require.Equal(t, int64(8), in.Rows.Duplicate)
	require.Equal(t, after, s.cases(t))
}

// Planned work mutes the page, never the record, and ends by itself: what is still out of range then is paged.
func TestPlannedWork(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 1, "R1/A")
	s.live(t, "5.0")
	require.NoError(t, s.PlanWork(ctx, "SMALL", technician, tracker.PlannedWork{Unit: "R1", From: s.now, To: s.now.Add(time.Hour), Reason: "cleaning"}))
	s.live(t, "9", "9", "9", "9", "9")
	require.Len(t, s.cases(t), 1)
	require.Equal(t, "case 1 (warm)", s.vial(t, codes[0]).HoldsInWords())
	require.Empty(t, s.mails(t))
	s.now = s.now.Add(40 * time.Minute)
	require.NoError(t, s.Tick(ctx, "SMALL"))
	require.Contains(t, kinds(s.mails(t)), alerts.WorkEndedOut)
}

// Unknown sensors, the future, a conflict with a freeze: each value has its class.
func TestClasses(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	codes := s.batch(t, 1, "R1/A")
	text := "sensor,at,celsius\n" +
		"T9," + s.now.Format(time.RFC3339) + ",5\n" +
		"T1," + s.now.Add(time.Hour).Format(time.RFC3339) + ",5\n" +
		"T1," + s.now.Format(time.RFC3339) + ",5\n" +
		"T1," + s.now.Format(time.RFC3339) + ",5.000\n"
	in := s.takeIn(t, text)
	require.Equal(t, templog.Rows{Read: 4, Stored: 1, Duplicate: 1, Refused: 2}, in.Rows)
	require.Equal(t, 2, in.Refused[0].Line)
	require.Contains(t, in.Refused[0].Why, "not set up")
	require.Contains(t, in.Refused[1].Why, "future")
	in = s.takeIn(t, plainLog(s.now, "-2"))
	require.Equal(t, templog.Rows{Read: 1, Conflicting: 1}, in.Rows)
	require.Equal(t, "case 1 (freeze)", s.vial(t, codes[0]).HoldsInWords(), "a conflicting freeze holds")
}

// An intake that was withdrawn counts no more; its readings stay, and the case it had shown stays, marked.
func TestWithdrawnIntake(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	s.batch(t, 1, "R1/A")
	at := s.now.Add(-time.Hour)
	in := s.takeIn(t, plainLog(at, "5", "9", "9", "9", "9", "5", "5"))
	require.Len(t, s.cases(t), 1)
	_, err := s.Withdraw(ctx, "SMALL", technician, in.ID, "wrong zone")
	refused(t, err, "role")
	_, err = s.Withdraw(ctx, "SMALL", pharmacist, in.ID, "wrong zone")
	require.NoError(t, err)
	require.Equal(t, "not borne out", s.cases(t)[0].State)
	_, err = s.Withdraw(ctx, "SMALL", pharmacist, in.ID, "wrong zone")
	refused(t, err, "withdrawn")
	again := s.takeIn(t, plainLog(at.Add(-time.Hour), "5", "9", "9", "9", "9", "5", "5"))
	require.Equal(t, int64(7), again.Rows.Stored)
}

// A live clock an hour slow is told once; it clears nothing until its zone is declared.
func TestClockAnHourOff(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	s.batch(t, 1, "R1/A")
	post := func(c string) {
		s.now = s.now.Add(5 * time.Minute)
		p, err := templog.NewParser(strings.NewReader(plainLog(s.now.Add(-time.Hour), c)), nil, templog.Options{})
		require.NoError(t, err)
		_, err = s.TakeIn(ctx, "SMALL", tracker.Rule, tracker.Delivery{Source: "http", Name: "post", Live: true, Values: p})
		require.NoError(t, err)
	}
	for _, c := range []string{"5", "5", "5", "9", "9", "9", "9", "9", "5", "5", "5", "5"} {
		post(c)
	}
	suspects := 0
	for _, k := range kinds(s.mails(t)) {
		if k == alerts.ClockSuspect {
			suspects++
		}
	}
	require.Equal(t, 1, suspects)
	require.Len(t, s.cases(t), 1)
	require.Equal(t, "open", s.cases(t)[0].State, "its readings clear nothing")
	require.NoError(t, s.DeclareZone(ctx, "SMALL", pharmacist, "T1", "Etc/GMT+6", "compared with the wall clock"))
	require.Equal(t, "recovered", s.cases(t)[0].State)
}

// Every day's list once, whoever asks; nothing pulled out of its slot; an unsigned one raises its own mail.
func TestSweepSlots(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	s.batch(t, 2, "R1/A")
	s.now = time.Date(2025, 10, 14, 11, 0, 0, 0, time.UTC) // 07:00 EDT
	require.NoError(t, s.Sweeps(ctx, "SMALL", s.now))
	require.NoError(t, s.Sweeps(ctx, "SMALL", s.now))
	require.Equal(t, []alerts.Kind{alerts.NothingToPull}, kinds(s.mails(t)))
	require.Contains(t, s.mails(t)[0].Subject, "SWEEP 001")
	s.now = s.now.Add(61 * time.Minute)
	require.NoError(t, s.Unconfirmed(ctx, "SMALL", s.now))
	require.NoError(t, s.Unconfirmed(ctx, "SMALL", s.now))
	require.Equal(t, []alerts.Kind{alerts.NothingToPull, alerts.SweepUnconfirmed}, kinds(s.mails(t)))
	row, err := s.ConfirmSweep(ctx, "SMALL", technician, 1, time.Time{})
	require.NoError(t, err)
	require.Equal(t, "tech-1", row.ConfirmedBy)
	_, err = s.ConfirmSweep(ctx, "SMALL", tech2, 1, s.now.Add(-time.Minute))
	refused(t, err, "confirmed")
	s.now = s.now.Add(10*24*time.Hour + 20*time.Minute) // down for ten days, until 08:21
	require.NoError(t, s.Sweeps(ctx, "SMALL", s.now))
	require.NoError(t, s.Sweeps(ctx, "SMALL", s.now))
	require.Equal(t, []alerts.Kind{alerts.ScheduleMissed, alerts.SweepList}, kinds(s.mails(t))[2:], "one mail for nine slots, and the list of the tenth")
	require.Equal(t, "NOT MADE: 9 sweep lists, Wed 15 Oct 07:00 to Thu 07:00", s.mails(t)[1].Subject)
	require.Contains(t, unwrapped(s.mails(t)[1].Text), "Work list 002 of 07:00 EDT now")
	require.Contains(t, unwrapped(s.mails(t)[1].Text), "9 sweep lists were due from Wed 15 Oct 2025 07:00 EDT to Thu 23 Oct 2025 07:00 EDT, and none of them was made.")
	require.Contains(t, s.mails(t)[0].Subject, "SWEEP 002, 24 Oct")
	var slots []string
	for _, e := range s.events(t, "SMALL") {
		if e.Kind == stock.SweepMissed && e.Body.Number == 0 {
			slots = append(slots, e.Body.Note)
		}
	}
	require.Len(t, slots, 9, "the record has each of them")
	require.Equal(t, []string{"2025-10-15 07:00", "2025-10-23 07:00"}, []string{slots[0], slots[8]})
	s.now = s.now.Add(23 * time.Hour)
	require.NoError(t, s.Sweeps(ctx, "SMALL", s.now))
	require.Equal(t, 1, count(s.mails(t), alerts.ScheduleMissed))
	s.recounted(t)
}
