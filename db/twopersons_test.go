package db_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/db"
	"vialward/tracker"
	"vialward/tracker/stock"
)

// Where two are asked, the record refuses what one did alone, whatever the program above it forgot to look at.
func TestWhoDecidesIsNotAlone(t *testing.T) {
	t.Parallel()
	d, _ := full(t)
	ctx, bud := t.Context(), noon.Add(48*time.Hour)
	require.NoError(t, d.In(ctx, "A", func(tx tracker.Tx) error {
		site := *tx.Site()
		site.Version++
		require.NoError(t, tx.SaveSite(ctx, site, []stock.Product{{Code: "TWO", Version: 1, ApprovedBy: "rph-1", TwoPersons: true}}, noon))
		e := stock.Event{Kind: stock.SiteLoaded, At: noon, EnteredAt: noon, By: "rph-1", Via: "token", Body: stock.Body{Version: site.Version}}
		signs(&e)
		require.NoError(t, tx.Append(ctx, &e))
		require.NoError(t, tx.NewBatch(stock.Batch{Code: "B2", Product: "TWO", Version: 1, StartedAt: noon, CompletedAt: noon, PreparedBy: "tech-1", BUD: bud}, bud, nil))
		made := stock.Event{Kind: stock.Prepared, At: noon, EnteredAt: noon, By: "tech-1", Via: "token", Vials: []string{"T1"}, Body: stock.Body{Batch: "B2", Product: "TWO", Version: 1, BUD: &bud}}
		require.NoError(t, tx.Append(ctx, &made))
		after, err := stock.Vial{Site: 1, Code: "T1", Serial: 1}.Apply(made)
		require.NoError(t, err)
		return tx.SaveVials(ctx, made, []stock.Vial{{Site: 1, Code: "T1", Serial: 1}}, []stock.Vial{after})
	}))
	record := func(kind stock.Kind, witness string, vials ...string) error {
		return d.In(ctx, "A", func(tx tracker.Tx) error {
			e := stock.Event{Kind: kind, At: noon, EnteredAt: noon, By: "rph-1", Via: "token", Vials: vials, Body: stock.Body{Reason: "x", Witness: witness}}
			signs(&e)
			return tx.Append(ctx, &e)
		})
	}
	refused := func(err error, say string) {
		t.Helper()
		why, broken := db.Broken(err)
		require.True(t, broken, "%v", err)
		require.Contains(t, why, say)
	}
	for _, kind := range []stock.Kind{stock.Discarded, stock.Released, stock.Lifted, stock.Lost, stock.Voided} {
		refused(record(kind, "", "T1"), "by one person alone")
		refused(record(kind, "", "V1", "T1"), "by one person alone")
		refused(record(kind, "rph-1", "T1"), "event_check")
		require.NoError(t, record(kind, "rph-2", "T1"), kind)
	}
	for _, kind := range []stock.Kind{stock.Lost, stock.Voided} { // of any product
		refused(record(kind, "", "V1"), "by one person alone")
		require.NoError(t, record(kind, "tech-1", "V1"))
	}
	for _, kind := range []stock.Kind{stock.Discarded, stock.Released, stock.Lifted, stock.Placed, stock.Held} {
		require.NoError(t, record(kind, "", "V1"), kind)
	}
	require.NoError(t, record(stock.Held, "", "T1"), "the safe direction waits for nobody")
}

// Nor does anybody verify what they had a hand in, whichever of the two came first.
func TestWhoPreparedDoesNotVerify(t *testing.T) {
	t.Parallel()
	d, c := full(t)
	ctx := t.Context()
	sign := func(by string) error {
		return d.In(ctx, "A", func(tx tracker.Tx) error {
			tx.SignStep("B1", 2, stock.Step{Name: "dissolved", By: by, At: noon})
			e := stock.Event{Kind: stock.StepSigned, At: noon, EnteredAt: noon, By: "tech-1", Via: "token", Body: stock.Body{Batch: "B1", Number: 2}}
			return tx.Append(ctx, &e)
		})
	}
	why, broken := db.Broken(sign("rph-1")) // who verified V1 and V2
	require.True(t, broken)
	require.Contains(t, why, "verified vials of batch B1")
	require.NoError(t, sign("rph-3"))
	for _, by := range []string{"rph-3", "tech-1"} {
		_, err := c.Exec(ctx, `update vial set verified_by = $1, state = 'available', seq = 99 where vial = 'V3'`, by)
		why, broken = db.Broken(err)
		require.True(t, broken, by)
		require.Contains(t, why, "did a step", by)
	}
	_, err := c.Exec(ctx, `update vial set verified_by = 'rph-2', state = 'available', seq = 99 where vial = 'V3'`)
	require.NoError(t, err)
}
