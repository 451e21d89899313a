package db_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
	"vialward/alerts/mail/mailtest"
	"vialward/db"
	"vialward/db/dbtest"
	"vialward/tracker"
)

// outbox is a site's outbox on a real Postgres, for the contract every outbox keeps.
type outbox struct {
	*db.DB
	t *testing.T
}

func freshSite(t *testing.T) *db.DB {
	t.Helper()
	d, err := db.Open(t.Context(), dbtest.Fresh(t))
	require.NoError(t, err)
	t.Cleanup(d.Close)
	_, err = d.NewSite(t.Context(), "A", "America/New_York")
	require.NoError(t, err)
	return d
}

func (o outbox) Put(rows ...alerts.Row) {
	require.NoError(o.t, o.In(context.Background(), "A", func(tx tracker.Tx) error { return tx.Post(context.Background(), rows) }))
}

func (o outbox) Rows() []alerts.Row {
	var rows []alerts.Row
	require.NoError(o.t, o.Read(context.Background(), "A", func(v tracker.View) (err error) {
		rows, err = v.Outbox(context.Background(), 1000)
		return err
	}))
	return rows
}

func TestOutboxContract(t *testing.T) {
	t.Parallel()
	mailtest.Contract(t, func(t *testing.T) mailtest.Store { return outbox{freshSite(t), t} })
}

// What a newer mail of the thread overtakes is ended in the same commit, and never sent.
func TestOvertaken(t *testing.T) {
	t.Parallel()
	o := outbox{freshSite(t), t}
	reminder, recovered := mailtest.Sample(1, "a@x.example"), mailtest.Sample(2, "a@x.example")
	reminder.Kind, reminder.Thread = alerts.StillOpen, "case/1"
	recovered.Kind, recovered.Thread = alerts.Recovered, "case/1"
	o.Put(reminder)
	o.Put(recovered)
	got, err := o.Claim(t.Context(), 10, 0, "A")
	require.NoError(t, err)
	require.Len(t, got, 1)
	require.Equal(t, alerts.Recovered, got[0].Kind)
}

// What a killed daemon had claimed is due at once for its successor; what others hold, and what has ended, is not touched.
func TestGiveBack(t *testing.T) {
	t.Parallel()
	o := outbox{freshSite(t), t}
	o.Put(mailtest.Sample(1, "a@x.example"), mailtest.Sample(2, "a@x.example"), mailtest.Sample(3, "a@x.example"))
	ended, err := o.Claim(t.Context(), 1, time.Hour, "A")
	require.NoError(t, err)
	require.NoError(t, o.Accepted(t.Context(), ended[0], "250 queued"))
	mine, err := o.Claim(t.Context(), 1, time.Hour, "A")
	require.NoError(t, err)
	others, err := o.Claim(t.Context(), 1, time.Hour, "B")
	require.NoError(t, err)
	n, err := o.GiveBack(t.Context(), "A")
	require.NoError(t, err)
	require.Equal(t, int64(1), n)
	again, err := o.Claim(t.Context(), 10, time.Hour, "A")
	require.NoError(t, err)
	require.Len(t, again, 1)
	require.Equal(t, mine[0].ID, again[0].ID)
	require.Equal(t, 2, again[0].Attempt)
	require.ErrorIs(t, o.Accepted(t.Context(), mine[0], "250 late"), alerts.ErrLeaseLost, "the dead one's word counts no more")
	require.NoError(t, o.Accepted(t.Context(), others[0], "250 queued"))
}
