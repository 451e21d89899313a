package demo_test

import (
	"context"
	"log/slog"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
	"vialward/alerts/mail"
	"vialward/cmd/vialward/internal/demo"
	"vialward/db"
	"vialward/db/dbtest"
	"vialward/tracker"
	"vialward/tracker/stock"
)

// played is what the thirty days left behind, read once; every check below is made on it.
type played struct {
	dsn    string
	store  *db.DB
	gate   *demo.Gate
	onMail atomic.Value // func(mail.Mail), once somebody asks
	told   demo.Told
	took   time.Duration
	zone   *time.Location
	end    time.Time // the morning

	events  []stock.Event
	vials   []stock.Vial
	lists   []tracker.SweepRow // oldest first
	cases   []tracker.Case     // oldest first
	holds   map[int64][]tracker.HoldRow
	mails   []alerts.Row // oldest first
	caught  []mail.Mail
	intakes []tracker.Intake
}

// play tells the thirty days against a real Postgres in a hostile session zone and a real SMTP listener.
func play(t *testing.T) *played {
	t.Helper()
	ctx := t.Context()
	dsn := dbtest.Fresh(t)
	store, err := db.Open(ctx, dsn)
	require.NoError(t, err)
	t.Cleanup(store.Close)
	p := &played{dsn: dsn, store: store, gate: &demo.Gate{}, holds: map[int64][]tracker.HoldRow{}}
	catcher, err := mail.NewCatcher("127.0.0.1:0", func(m mail.Mail) {
		if f, ok := p.onMail.Load().(func(mail.Mail)); ok {
			f(m)
		}
	})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, catcher.Close()) })
	clock, log := &demo.Clock{}, slog.New(slog.DiscardHandler)
	story, err := demo.New(&tracker.Tracker{Store: store, Now: clock.Now, Log: log, MailDomain: "quillmere.example"}, clock, p.gate)
	require.NoError(t, err)
	send(t, store, p.gate, catcher)
	begun := time.Now()
	require.NoError(t, story.Play(ctx, nil))
	p.told, p.took, p.end, p.caught = story.Told, time.Since(begun), clock.Now(), catcher.Mails()
	p.zone, err = time.LoadLocation("America/New_York")
	require.NoError(t, err)
	require.NoError(t, store.Read(ctx, demo.Site, func(v tracker.View) error { return p.read(ctx, v) }))
	return p
}

// send runs the sender until the test ends.
func send(t *testing.T, outbox alerts.Outbox, gate *demo.Gate, catcher *mail.Catcher) {
	t.Helper()
	s := &mail.Sender{Outbox: demo.Hurried{Outbox: outbox}, Log: slog.New(slog.DiscardHandler), Relay: mail.Relay{
		Addr: catcher.Addr(), TLS: mail.None, From: "vialward@quillmere.example", Dial: gate.Dial,
	}}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		require.NoError(t, <-ended)
	})
}

func (p *played) read(ctx context.Context, v tracker.View) (err error) {
	if p.events, err = v.Events(ctx, tracker.EventQuery{}); err != nil {
		return err
	}
	if p.vials, err = v.Find(ctx, tracker.VialQuery{}); err != nil {
		return err
	}
	if p.lists, err = v.Sweeps(ctx, 1000); err != nil {
		return err
	}
	if p.cases, err = v.Cases(ctx, tracker.CaseQuery{}); err != nil {
		return err
	}
	for _, c := range p.cases {
		if p.holds[c.No], err = v.Holds(ctx, c.No); err != nil {
			return err
		}
	}
	if p.mails, err = v.Outbox(ctx, 100_000); err != nil {
		return err
	}
	reverse(p.lists)
	reverse(p.cases)
	reverse(p.mails)
	p.intakes, err = v.Intakes(ctx, 100_000)
	return err
}

func reverse[T any](all []T) {
	for i, j := 0, len(all)-1; i < j; i, j = i+1, j-1 {
		all[i], all[j] = all[j], all[i]
	}
}

// at is a day of the story: 1 is Mon 13 Oct 2025. Only for wall times that come once.
func (p *played) at(day, hour, minute int) time.Time {
	return time.Date(2025, 10, 12+day, hour, minute, 0, 0, p.zone)
}

// The days are played once; what they left is looked at from every side.
func TestThirtyDays(t *testing.T) {
	p := play(t)
	t.Logf("thirty days in %s", p.took)
	t.Run("the sum of the events", p.recounts)
	t.Run("the whole record", p.verifies)
	t.Run("every list", p.listsFollow)
	t.Run("every metric", p.metricsAgree)
	t.Run("cases", p.casesAreTheStorys)
	t.Run("mail", p.mailArrived)
	t.Run("T5", p.clockFound)
	t.Run("readings", p.readingsAreWhole)
	t.Run("decisions", p.decisionsHold)
	t.Run("the waste report", p.wasteRecounted)
	t.Run("totals", p.totalsStand)
	t.Run("the morning goes on", p.lives)
	t.Run("the whole record, a while later", p.verifies)
}

// Walked from outside, the chain is whole and every row is the one an event speaks for.
func (p *played) verifies(t *testing.T) {
	all, err := db.Verify(t.Context(), p.dsn, db.VerifyOptions{})
	require.NoError(t, err)
	require.Len(t, all, 1)
	v := all[0]
	require.Empty(t, v.Faults)
	require.Empty(t, v.Remarks)
	require.GreaterOrEqual(t, v.Events, int64(len(p.events)))
	require.GreaterOrEqual(t, v.Vials, int64(len(p.vials)))
	require.GreaterOrEqual(t, v.Cases, int64(len(p.cases)))
	require.GreaterOrEqual(t, v.Intakes, int64(len(p.intakes)))
	t.Logf("%d events, %d readings walked in %s", v.Events, v.Readings, v.Took)
}

// Cases are those of the script and no other: in particular R3's defrost, twice a day to 8.6 °C, is none.
func (p *played) casesAreTheStorys(t *testing.T) {
	type line struct {
		unit, kind, state string
		muted             bool
		raised            time.Time
	}
	want := []line{
		{"R1", "warm", "recovered", false, p.at(3, 2, 40)},          // 02:23 and 15 minutes, at the next reading
		{"R3", "no_data", "recovered", false, p.at(7, 0, 45)},       // an hour and a half without a delivery, at the next look
		{"R6", "freeze", "recovered", false, p.at(13, 4, 10)},       // cold for 15 minutes, and freezing at the same reading
		{"R1", "warm", "recovered", false, p.at(18, 3, 10)},         //
		{"R2", "warm", "recovered", true, p.at(20, 10, 35)},         // planned: the record has it, nobody was woken
		{"R5", "no_data", "not borne out", false, p.at(26, 21, 45)}, // the logger's own log had it all
	}
	require.Len(t, p.cases, len(want))
	for i, w := range want {
		c := p.cases[i]
		require.Equal(t, w, line{c.Unit, c.Kind, c.State, c.Muted, c.RaisedAt.In(p.zone)}, "case %d", c.No) //nolint:testifylint // in this order
		require.False(t, c.Late, "case %d", c.No)
	}
	for _, m := range p.mails {
		require.NotContains(t, m.Subject, "WARM R3")
		require.NotContains(t, m.Subject, "WARM R2", "planned work mutes the page")
		require.NotEqual(t, alerts.AllSilent, m.Kind)
	}
}

// Nothing waits, nothing failed, everything posted was caught, whatever night it was.
func (p *played) mailArrived(t *testing.T) {
	caught := map[string]mail.Mail{}
	for _, m := range p.caught {
		require.NotContains(t, caught, m.MessageID+m.To, "a mail came twice")
		caught[m.MessageID+m.To] = m
	}
	night := 0
	for _, m := range p.mails {
		if m.State == alerts.Superseded {
			continue
		}
		require.Equal(t, alerts.Accepted, m.State, m.Subject)
		got, ok := caught[m.MessageID+m.To]
		require.True(t, ok, m.Subject)
		require.Equal(t, m.Subject, got.Subject)
		require.Equal(t, m.Created.Truncate(time.Second), got.At, "its own time, however late it came")
		if m.Created.After(p.at(23, 18, 0)) && m.Created.Before(p.at(24, 6, 40)) {
			night++
		}
	}
	require.GreaterOrEqual(t, night, 4, "the evening's list for three, and that mail is stuck")
	last := p.mails[len(p.mails)-1]
	require.Contains(t, last.Subject, "SWEEP")
	require.True(t, last.Created.Equal(p.at(31, 7, 0)))
}

// T5 stands at UTC-5 all year: found by its third live delivery, declared, and every reading is where it belongs.
func (p *played) clockFound(t *testing.T) {
	var found, declared []stock.Event
	for _, e := range p.events {
		switch e.Kind { //nolint:exhaustive // the others are not of clocks
		case stock.ClockSuspect:
			found = append(found, e)
		case stock.ZoneDeclared:
			declared = append(declared, e)
		}
	}
	require.Len(t, found, 1)
	require.Equal(t, "T5", found[0].Body.Sensor)
	require.True(t, found[0].At.Equal(p.at(1, 6, 30)), found[0].At)
	require.Contains(t, found[0].Body.Reason, "60 minutes behind")
	require.Len(t, declared, 1)
	require.Equal(t, "-05:00", declared[0].Body.Note)
	withdrawn := 0
	for _, in := range p.intakes {
		if in.Withdrawn {
			withdrawn++
			require.Contains(t, in.Name, "T5")
		}
	}
	require.Equal(t, 5, withdrawn, "the night until 06:00, and four deliveries")
}

// Every logger's readings are there once, at their instants, whatever form they came in: 728 hours and the first reading,
// the hour that came twice included; T4 less 32 hours of a dead battery, in which 385 readings are missing. (C)
func (p *played) readingsAreWhole(t *testing.T) {
	want := map[string]int{"T1": 728*12 + 1, "T2": 728*12 + 1, "T3": 728*12 + 1, "T4": 728*12 + 1 - 385, "T5": 728*6 + 1, "T6": 728*4 + 1, "T7": 728*12 + 1}
	every := map[string]time.Duration{"T5": 10 * time.Minute, "T6": 15 * time.Minute}
	require.NoError(t, p.store.Read(t.Context(), demo.Site, func(v tracker.View) error {
		for code, n := range want {
			rs, conflicts, err := v.Readings(t.Context(), code, p.at(1, 0, 0), p.end)
			require.NoError(t, err)
			require.Empty(t, conflicts, code)
			require.Len(t, rs, n, code)
			step, gaps := max(every[code], 5*time.Minute), 0
			for i := 1; i < len(rs); i++ {
				if rs[i].AtMicros-rs[i-1].AtMicros != step.Microseconds() {
					gaps++
				}
			}
			require.Equal(t, map[string]int{"T4": 1}[code], gaps, code)
		}
		rs, _, err := v.Readings(t.Context(), "T6", p.at(1, 0, 0), p.end)
		for _, r := range rs { // °F come back as °C
			require.InDelta(t, 4600, float64(r.MilliC), 900)
		}
		return err
	}))
}
