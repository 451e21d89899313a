package db_test

import (
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"vialward/alerts"
	"vialward/alerts/mail/mailtest"
	"vialward/db"
	"vialward/db/dbtest"
	"vialward/tracker"
	"vialward/tracker/stock"
)

// yearsOf fills the tables that grow with a few years of three sites, straight, past triggers: only plans are looked at.
const yearsOf = `
set session_replication_role = replica;
insert into site (site, code, zone, head) select s, chr(64 + s), 'UTC', 20000 from generate_series(1, 3) s;
insert into product_version select s, 'P', 1, '{}', '2023-01-01Z', null, null, 1 from generate_series(1, 3) s;
insert into event select s, i, case when i % 50 = 0 then 'recall_opened' else 'moved' end, t, t, 'x', 'x',
    json_build_object('site', s, 'seq', i, 'kind', case when i % 50 = 0 then 'recall_opened' else 'moved' end, 'by', 'x', 'via', 'x')::text,
    decode(repeat('00', 32), 'hex')
  from generate_series(1, 3) s, generate_series(1, 8000) i, lateral (select '2023-01-01Z'::timestamptz + i * interval '3 hours' t) x;
insert into event_vial select s, 'V' || i % 4000, i from generate_series(1, 3) s, generate_series(1, 8000) i;
insert into batch select s, 'B' || i, 'P', 1, '2023-01-01Z', '2023-01-01Z', 'x', false, '2023-01-05Z', '2023-01-05Z', null, '{}', 1
  from generate_series(1, 3) s, generate_series(0, 500) i;
insert into batch_component select s, 'B' || i, 1, 'p', 'L' || i, null, 1 from generate_series(1, 3) s, generate_series(0, 500) i;
insert into vial (site, vial, batch, serial, product, version, prepared_by, verified_by, state, bud, label, unit, shelf, last_seen, closed_by, closed_at, seq)
  select s, 'V' || i, 'B' || i / 20, i % 20 + 1, 'P', 1, 'x', 'y', case when i < 300 then 'available' else 'given' end,
    '2026-01-05Z', 1, case when i < 300 then 'R' || i % 6 end, case when i < 300 then 'A' end, '2025-12-01Z',
    case when i >= 300 then 'given' end, case when i >= 300 then '2025-12-01Z'::timestamptz end, 1
  from generate_series(1, 3) s, generate_series(0, 10000) i;
insert into stay select s, 'V' || i, t, case when i >= 300 then t + interval '3 days' end, 'R' || i % 6, 'A', false, 1
  from generate_series(1, 3) s, generate_series(0, 10000) i, lateral (select '2025-12-28Z'::timestamptz - i * interval '2 hours' t) x;
insert into incident (site, case_no, unit, kind, state, from_at, to_at, raised_at, late_untold)
  select s, i, 'R' || i % 6, 'warm', case when i > 2990 then 'open' else 'recovered' end, t, case when i <= 2990 then t + interval '1 hour' end, t,
    case when i = 2000 then t end
  from generate_series(1, 3) s, generate_series(1, 3000) i, lateral (select '2023-01-01Z'::timestamptz + i * interval '8 hours' t) x;
insert into excursion select s, i, i, 'T' || i % 6, 'R' || i % 6 || ' warm 0', 'warm', 'R' || i % 6, null, t, t + interval '1 hour', t, t + interval '1 hour', t,
    case when i <= 2990 then t + interval '1 hour' end, 9000, 1, 0, '{"kind":"warm","from_micros":1}', null, false
  from generate_series(1, 3) s, generate_series(1, 3000) i, lateral (select '2023-01-01Z'::timestamptz + i * interval '8 hours' t) x;
insert into hold (site, hold_id, case_no, excursion, kind, unit, from_at, to_at)
  select s, i, i, i, 'warm', 'R' || i % 6, t, case when i <= 2990 then t + interval '1 hour' end
  from generate_series(1, 3) s, generate_series(1, 3000) i, lateral (select '2023-01-01Z'::timestamptz + i * interval '8 hours' t) x;
insert into hold_release select s, i % 2990 + 1, 'V' || i, 1000 + i, '2023-01-01Z', '2026-01-01Z' from generate_series(1, 3) s, generate_series(0, 4000) i;
insert into intake (site, intake, source, name, by_person, received_at, digest, layout, zone)
  select s, i, 'http', 'x', 'x', '2025-01-01Z', '', '', '' from generate_series(1, 3) s, generate_series(1, 12000) i;
insert into refused_value select s, i, 1, 1, 'x' from generate_series(1, 3) s, generate_series(1, 12000) i;
select make_reading_month('2025-11-01Z'), make_reading_month('2025-12-01Z');
insert into reading select s, 'T' || i % 6, t, t, i, 0, 1, 5000, 5000, '\x01'
  from generate_series(1, 12000) i, generate_series(1, 3) s, lateral (select '2025-11-02Z'::timestamptz + i * interval '6 minutes' t) x;
insert into checkpoint select s, 'T' || i % 6, '2023-01-01Z'::timestamptz + i * interval '1 day', '{}' from generate_series(1, 3) s, generate_series(1, 6000) i;
insert into outbox (site, kind, severity, dedupe, recipient, subject, body_text, body_html, thread, first_in_thread, message_id, created_at, state, finished_at)
  select s, 'warm', 'high', 'k' || i, 'a@x.example', 's', 't', 'h', 'case/' || i / 4, false, 'm' || i, t, 'accepted', t
  from generate_series(1, 3) s, generate_series(1, 8000) i, lateral (select '2023-01-01Z'::timestamptz + i * interval '3 hours' t) x;
insert into sweep select s, 'slot ' || i, i, '2025-01-01Z', '2025-01-01Z', '2025-01-01Z', '{}', '2025-01-01Z', null, null, null, 1 from generate_series(1, 3) s, generate_series(1, 3000) i;
insert into slot_done select s, 'job', 'slot ' || i, '2025-01-01Z' from generate_series(1, 3) s, generate_series(1, 3000) i;
reset session_replication_role;
analyze;
select pg_stat_force_next_flush();
`

// The statements of every minute and of every delivery read no table that grows from end to end: what they cost does not
// grow with the years. Each is asked often enough that Postgres may settle on a plan of its own choice, and the tables'
// own counts of sequential scans are looked at. Metrics and the pages' long lists are not among them.
func TestNoScanOfWhatGrows(t *testing.T) {
	t.Parallel()
	ctx, dsn := t.Context(), dbtest.Fresh(t)
	owner, err := pgx.Connect(ctx, dsn)
	require.NoError(t, err)
	defer func() { require.NoError(t, owner.Close(ctx)) }()
	_, err = owner.Exec(ctx, yearsOf)
	require.NoError(t, err)
	_, err = owner.Exec(ctx, "select pg_stat_reset()") // filling counts too
	require.NoError(t, err)

	d, err := db.Open(ctx, dsn)
	require.NoError(t, err)
	at := time.Date(2025, 12, 20, 8, 0, 0, 0, time.UTC)
	for i := range 8 {
		require.NoError(t, d.Read(ctx, "B", func(v tracker.View) error { return everyMinute(t, v, at) }))
		require.NoError(t, d.In(ctx, "B", func(tx tracker.Tx) error { return everyDelivery(t, tx, at) }))
		mail := mailtest.Sample(100_000+i, "b@x.example")
		mail.Kind, mail.Thread = "recovered", "case/7"
		require.NoError(t, d.In(ctx, "B", func(tx tracker.Tx) error { return tx.Post(ctx, []alerts.Row{mail}) }))
		claimed, err := d.Claim(ctx, 10, time.Minute, "A")
		require.NoError(t, err)
		for _, m := range claimed {
			require.NoError(t, d.Accepted(ctx, m, "250"))
		}
	}
	d.Close() // each session writes its counts when it ends
	rows, err := owner.Query(ctx, `select relname::text from pg_stat_user_tables
		where seq_scan > 0 and relname not in ('site', 'site_version', 'sensor_now', 'site_silence', 'counter', 'planned_work', 'product_version', 'intake_total', 'goose_db_version') order by 1`)
	require.NoError(t, err)
	scanned, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	require.Empty(t, scanned)
	var seen bool // the counts have arrived
	require.NoError(t, owner.QueryRow(ctx, `select bool_and(idx_scan > 0) from pg_stat_user_tables where relname in ('vial', 'stay', 'hold', 'excursion', 'outbox')`).Scan(&seen))
	require.True(t, seen)
}

func everyMinute(t *testing.T, v tracker.View, at time.Time) error {
	t.Helper()
	ctx := t.Context()
	_, err := v.Find(ctx, tracker.VialQuery{Unit: "R1", States: []stock.State{stock.InPreparation, stock.Available}})
	require.NoError(t, err)
	vials, err := v.Find(ctx, tracker.VialQuery{States: []stock.State{stock.InPreparation, stock.Available}})
	require.NoError(t, err)
	require.Len(t, vials, 300)
	_, err = v.Find(ctx, tracker.VialQuery{ComponentLot: "L7"})
	require.NoError(t, err)
	for _, q := range []tracker.CaseQuery{{No: 7}, {Unit: "R1", From: at, To: at.Add(time.Hour)}, {OpenOnly: true}, {UntoldBefore: at}, {Together: true}} {
		_, err = v.Cases(ctx, q)
		require.NoError(t, err)
	}
	_, err = v.Holds(ctx, 2995)
	require.NoError(t, err)
	_, err = v.Touched(ctx, 2995)
	require.NoError(t, err)
	_, err = v.Stays(ctx, "V7")
	require.NoError(t, err)
	_, found, err := v.FirstStay(ctx, "R1", "A", at)
	require.NoError(t, err)
	require.True(t, found)
	_, err = v.Events(ctx, tracker.EventQuery{Kinds: []stock.Kind{stock.RecallOpened}, Limit: 3})
	require.NoError(t, err)
	_, err = v.SiteSilence(ctx)
	require.NoError(t, err)
	_, err = v.Sweeps(ctx, 1)
	require.NoError(t, err)
	_, err = v.Unsent(ctx, at, at, 100)
	require.NoError(t, err)
	_, err = v.Done(ctx, "job", "slot 5")
	return err
}

func everyDelivery(t *testing.T, tx tracker.Tx, at time.Time) error {
	t.Helper()
	ctx := t.Context()
	_, err := tx.Vials(ctx, []string{"V1", "V2"})
	require.NoError(t, err)
	_, err = tx.Excursions(ctx, "T1", "R1 warm 0", at)
	require.NoError(t, err)
	_, err = tx.Raw(ctx, "T1", at, at.Add(time.Hour))
	require.NoError(t, err)
	_, _, err = tx.Newest(ctx, "T1")
	require.NoError(t, err)
	_, _, err = tx.Checkpoint(ctx, "T1", at.UnixMicro())
	require.NoError(t, err)
	locked, err := tx.LockSensors(ctx, []string{"T2", "T1"})
	require.NoError(t, err)
	require.Len(t, locked, 2)
	c, _, err := tx.Checkpoint(ctx, "T2", at.AddDate(50, 0, 0).UnixMicro())
	require.NotZero(t, c.AtMicros)
	return err
}
