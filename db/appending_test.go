package db_test

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/chain"
	"vialward/tracker/stock"
	"vialward/tracker/thermal"
)

// What is handed over for an event and has none is not stored: nobody would miss it if it were changed.
func TestRowsNeedAnEvent(t *testing.T) {
	t.Parallel()
	d := freshSite(t)
	ctx := t.Context()
	reading := []thermal.Reading{{AtMicros: noon.UnixMicro(), MilliC: 5000}}
	for name, f := range map[string]func(tx tracker.Tx) error{
		"an area": func(tx tracker.Tx) error {
			tx.SetArea("PA", stock.AreaStatus{From: noon, Category: "1", Reason: "x"})
			return nil
		},
		"a site": func(tx tracker.Tx) error {
			return tx.SaveSite(ctx, stock.Site{Code: "A", Zone: "UTC", Version: 1}, nil, noon)
		},
		"a batch":  func(tx tracker.Tx) error { return tx.NewBatch(stock.Batch{Code: "B"}, noon, nil) },
		"readings": func(tx tracker.Tx) error { _, err := tx.AddReadings(ctx, 1, 1, "T1", reading); return err },
		"a case": func(tx tracker.Tx) error {
			return tx.SaveCase(ctx, &tracker.Case{Unit: "R1", Kind: "warm", State: "open", From: noon, RaisedAt: noon})
		},
	} {
		require.ErrorContains(t, d.In(ctx, "A", f), "an event that was not recorded", name)
	}
}

// However a case, its excursions and holds are changed after the event that says so, the commit's last event has them as
// they stand; one that stores what stood already adds nothing.
func TestCasesAreKeptAsTheyStand(t *testing.T) {
	t.Parallel()
	d := freshSite(t)
	ctx := t.Context()
	c := tracker.Case{Unit: "R1", Kind: "warm", State: "open", From: noon, RaisedAt: noon}
	require.NoError(t, d.In(ctx, "A", func(tx tracker.Tx) error {
		require.NoError(t, tx.SaveCase(ctx, &c))
		x := tracker.ExcursionRow{Case: c.No, Sensor: "T1", Rule: "r", Unit: "R1", Found: thermal.Excursion{Kind: thermal.Warm, FromMicros: noon.UnixMicro(), OpenedMicros: noon.UnixMicro()}}
		require.NoError(t, tx.SaveExcursion(ctx, &x))
		require.NoError(t, tx.Append(ctx, &stock.Event{Kind: stock.CaseOpened, At: noon, EnteredAt: noon, By: "vialward", Via: "daemon", Body: stock.Body{Case: c.No}}))
		c.State = "recovered"
		return tx.SaveCase(ctx, &c)
	}))
	var again int64
	require.NoError(t, d.In(ctx, "A", func(tx tracker.Tx) error {
		require.NoError(t, tx.Append(ctx, &stock.Event{Kind: stock.AreaSet, At: noon, EnteredAt: noon, By: "rph-1", Via: "test"}))
		c.Told, c.NextReminder = true, noon.Add(time.Hour) // that is about mail
		return tx.SaveCase(ctx, &c)
	}))
	require.NoError(t, d.Read(ctx, "A", func(v tracker.View) error {
		events, err := v.Events(ctx, tracker.EventQuery{})
		require.NoError(t, err)
		require.Len(t, events, 3)
		require.Equal(t, []stock.Kind{stock.CaseOpened, stock.RowsKept, stock.AreaSet}, []stock.Kind{events[0].Kind, events[1].Kind, events[2].Kind})
		for _, e := range events[:2] {
			var rows [][]any
			require.NoError(t, json.Unmarshal([]byte(e.Body.Details), &rows))
			last := rows[len(rows)-1]
			require.Equal(t, []any{"incident", 1.0, "R1", "warm"}, last[:4])
			require.Equal(t, map[stock.Kind]string{stock.CaseOpened: "open", stock.RowsKept: "recovered"}[e.Kind], last[4])
		}
		head, err := v.Head(ctx)
		require.NoError(t, err)
		var walked chain.Head
		for _, e := range events {
			walked = walked.Next(chain.Content(e.Canonical()))
		}
		require.Equal(t, walked, head)
		again = head.Seq
		return nil
	}))
	require.EqualValues(t, 3, again)
}
