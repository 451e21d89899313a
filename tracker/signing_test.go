package tracker_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/stock"
)

// 21 CFR 11.50(a), 11.70 and 11.200(a)(1) from memory (M): every signed operation takes its own person's password of
// now; its event says who, by printed name, when and what it means; and a record that was changed afterwards shows it.
func TestSigned(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 4, "R1/A")
	s.live(t, "5", "9", "9", "9", "9", "5", "5")
	made, err := s.Prepare(ctx, "SMALL", technician, tracker.Prepare{Product: "PANT", Count: 2, Area: "PA", StartedAt: s.now.Add(-30 * time.Minute), Components: lots("pantoprazole")})
	require.NoError(t, err)
	labelled := []string{made.Vials[0].Code, made.Vials[1].Code}
	_, err = s.Label(ctx, "SMALL", technician, labelled, time.Time{})
	require.NoError(t, err)
	s.now = time.Date(2025, 10, 14, 11, 0, 0, 0, time.UTC) // 07:00 EDT: a list is due
	require.NoError(t, s.Sweeps(ctx, "SMALL", s.now))
	hold := tracker.Hold{Vials: codes[:1], Kind: "manual", Reason: "a crack"}
	_, err = s.Hold(ctx, "SMALL", technician, hold)
	require.NoError(t, err)
	site, err := s.ShowSite(ctx, "SMALL")
	require.NoError(t, err)
	site.Name = "Small Pharmacy, renamed"
	tried := map[access.Operation]bool{}
	for _, c := range []struct {
		op   access.Operation
		name string
		do   func(a tracker.Actor) error
	}{
		{access.Verify, "verified", func(a tracker.Actor) error {
			_, err := s.Tracker.Verify(ctx, "SMALL", a, labelled, time.Time{})
			return err
		}},
		{access.Release, "released", func(a tracker.Actor) error {
			_, err := s.Tracker.Release(ctx, "SMALL", a, tracker.Release{Case: 1, Vials: codes, Basis: "within its allowance"})
			return err
		}},
		{access.Confirm, "sweep_confirmed", func(a tracker.Actor) error {
			_, err := s.Tracker.ConfirmSweep(ctx, "SMALL", a, 1, time.Time{})
			return err
		}},
		{access.Lift, "lifted", func(a tracker.Actor) error { _, err := s.Tracker.Lift(ctx, "SMALL", a, hold); return err }},
		{access.Shorten, "shortened", func(a tracker.Actor) error {
			_, err := s.Tracker.Shorten(ctx, "SMALL", a, tracker.Shorten{Vials: codes[1:2], BUD: s.now.Add(time.Hour), Reason: "decided"})
			return err
		}},
		{access.LoadSite, "site_loaded", func(a tracker.Actor) error { _, err := s.Tracker.LoadSite(ctx, a, site); return err }},
	} {
		a := pharmacist
		tried[c.op] = true
		for why, proof := range map[string]*tracker.Proof{
			"none":         nil,
			"stale":        {Person: "rph-1", Method: tracker.ByPassword, At: s.now.Add(-5 * time.Minute)},
			"of tomorrow":  {Person: "rph-1", Method: tracker.ByPassword, At: s.now.Add(24 * time.Hour)},
			"of another":   {Person: "rph-2", Method: tracker.ByPassword, At: s.now},
			"of no person": {Method: tracker.ByPassword, At: s.now},
		} {
			a.Proof = proof
			var no *stock.Refusal
			require.ErrorAs(t, c.do(a), &no, "%s, proof %s", c.name, why)
			require.Equal(t, "signature", no.Code, "%s, proof %s: %s", c.name, why, no.Say)
		}
		require.NoError(t, c.do(s.signing(a)), c.name)
		all := s.events(t, "SMALL")
		e := all[len(all)-1]
		require.Equal(t, stock.Kind(c.name), e.Kind)
		g := e.Body.Signature
		require.NotNil(t, g, c.name)
		require.Equal(t, []string{"rph-1", "password"}, []string{g.Person, g.Method})
		require.NotEmpty(t, g.Name)
		require.NotEmpty(t, g.Meaning)
		require.True(t, g.At.Equal(s.now))
		require.Len(t, g.Over, 64)
		require.Empty(t, s.broken(t, e), c.name)
	}
	for _, op := range access.Operations() {
		rule, _ := access.Of(op)
		require.Equal(t, rule.Signed != "", tried[op], "%s is signed and tried here, or neither", op)
	}
	for _, e := range s.events(t, "SMALL") {
		require.Empty(t, s.broken(t, e), "what came later breaks no signature: event %d", e.Seq)
	}
}

// broken says why the signature under an event does not stand.
func (s *setup) broken(t *testing.T, e stock.Event) string {
	t.Helper()
	var why string
	require.NoError(t, s.store.Read(t.Context(), "SMALL", func(v tracker.View) (err error) {
		why, err = tracker.BrokenSignature(t.Context(), v, e)
		return err
	}))
	return why
}

// Whoever changes what was signed, past every guard, is given away by the signature; and it fits no other record.
func TestSignatureBroken(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 2, "R1/A")
	other := s.batch(t, 2, "R1/B")
	var verified []stock.Event
	for _, e := range s.events(t, "SMALL") {
		if e.Kind == stock.Verified {
			verified = append(verified, e)
		}
	}
	require.Len(t, verified, 2)
	require.Empty(t, s.broken(t, verified[0]))
	require.Empty(t, s.broken(t, verified[1]))

	moved := verified[0]
	moved.Vials = other
	require.NotEmpty(t, s.broken(t, moved), "put over other vials")
	swapped := verified[0]
	swapped.Body.Signature = verified[1].Body.Signature
	require.NotEmpty(t, s.broken(t, swapped), "another record's")
	off := verified[0]
	off.Body.Signature = nil
	require.Equal(t, "it was taken off", s.broken(t, off))
	for name, change := range map[string]func(g *stock.Signature){
		"name":    func(g *stock.Signature) { g.Name = "Somebody Else" },
		"meaning": func(g *stock.Signature) { g.Meaning = "looked at" },
		"time":    func(g *stock.Signature) { g.At = g.At.Add(time.Second) },
		"method":  func(g *stock.Signature) { g.Method = "pin" },
		"person":  func(g *stock.Signature) { g.Person = "rph-2" },
	} {
		e, g := verified[0], *verified[0].Body.Signature
		change(&g)
		e.Body.Signature = &g
		require.NotEmpty(t, s.broken(t, e), name)
	}

	c, err := pgx.Connect(ctx, s.dsn)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, c.Close(t.Context())) })
	_, err = c.Exec(ctx, `set session_replication_role = replica`)
	require.NoError(t, err)
	for _, x := range []struct{ there, back string }{
		{`update batch set document = replace(document, 'tech-1', 'tech-x')`, `update batch set document = replace(document, 'tech-x', 'tech-1')`},
		{`update batch set bud = bud - interval '1 hour'`, `update batch set bud = bud + interval '1 hour'`},
		{`update batch_component set lot = lot || '9'`, `update batch_component set lot = left(lot, -1)`},
		{`update product_version set document = replace(document, 'black box', 'sink')`, `update product_version set document = replace(document, 'sink', 'black box')`},
		{`update event set canonical = replace(canonical, '"label":1', '"label":9') where kind = 'labelled'`, `update event set canonical = replace(canonical, '"label":9', '"label":1') where kind = 'labelled'`},
		{`update event_vial set vial = 'x' where vial = '` + codes[0] + `' and seq < ` + fmt.Sprint(verified[0].Seq), `update event_vial set vial = '` + codes[0] + `' where vial = 'x'`},
	} {
		tag, err := c.Exec(ctx, x.there)
		require.NoError(t, err, x.there)
		require.NotZero(t, tag.RowsAffected(), x.there)
		require.NotEmpty(t, s.broken(t, verified[0]), x.there)
		_, err = c.Exec(ctx, x.back)
		require.NoError(t, err, x.back)
		require.Empty(t, s.broken(t, verified[0]), "taken back: %s", x.back)
	}
}
