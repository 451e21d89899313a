package db_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"vialward/alerts/mail/mailtest"
	"vialward/db"
	"vialward/db/dbtest"
	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/templog"
	"vialward/tracker/thermal"
)

// full is a database with one of everything, and a connection as its owner.
func full(t *testing.T) (*db.DB, *pgx.Conn) {
	t.Helper()
	ctx, dsn := t.Context(), dbtest.Fresh(t)
	d, err := db.Open(ctx, dsn)
	require.NoError(t, err)
	t.Cleanup(d.Close)
	_, err = d.NewSite(ctx, "A", "America/New_York")
	require.NoError(t, err)
	bud := noon.Add(48 * time.Hour)
	require.NoError(t, d.In(ctx, "A", func(tx tracker.Tx) error { return fill(t, tx, bud) }))
	c, err := pgx.Connect(ctx, dsn)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, c.Close(t.Context())) })
	return d, c
}

func fill(t *testing.T, tx tracker.Tx, bud time.Time) error {
	t.Helper()
	ctx := t.Context()
	act := func(kind stock.Kind, by, via string, b stock.Body, vials ...stock.Vial) []stock.Vial {
		e := stock.Event{Kind: kind, At: noon, EnteredAt: noon, By: by, Via: via, Body: b}
		signs(&e)
		for _, v := range vials {
			e.Vials = append(e.Vials, v.Code)
		}
		require.NoError(t, tx.Append(ctx, &e))
		after := make([]stock.Vial, len(vials))
		for i, v := range vials {
			var err error
			after[i], err = v.Apply(e)
			require.NoError(t, err)
		}
		require.NoError(t, tx.SaveVials(ctx, e, vials, after))
		return after
	}
	site := stock.Site{Code: "A", Zone: "America/New_York", Version: 1}
	require.NoError(t, tx.SaveSite(ctx, site, []stock.Product{{Code: "P", Version: 1, ApprovedBy: "rph-1"}}, noon))
	act(stock.SiteLoaded, "rph-1", "token", stock.Body{Version: 1})
	require.NoError(t, tx.NewBatch(stock.Batch{Code: "B1", Product: "P", Version: 1, StartedAt: noon, CompletedAt: noon, PreparedBy: "tech-1", BUD: bud}, bud, nil))
	vials := []stock.Vial{{Site: 1, Code: "V1", Serial: 1}, {Site: 1, Code: "V2", Serial: 2}, {Site: 1, Code: "V3", Serial: 3}}
	vials = act(stock.Prepared, "tech-1", "token", stock.Body{Batch: "B1", Product: "P", Version: 1, BUD: &bud}, vials...)
	tx.SignStep("B1", 1, stock.Step{Name: "area fit and cleaned", By: "tech-1", At: noon})
	require.NoError(t, tx.CloseBatch("B1", stock.Closing{By: "tech-1", At: noon, Filled: 3}))
	vials = act(stock.Labelled, "tech-1", "token", stock.Body{Label: 1}, vials...)
	first := act(stock.Verified, "rph-1", "token", stock.Body{}, vials[:2]...)
	first = act(stock.Placed, "tech-1", "token", stock.Body{To: "R1/A"}, first...)
	act(stock.Discarded, "tech-1", "token", stock.Body{Reason: "expired"}, first[1])

	in := tracker.Intake{Source: "command", Name: "x\xff\x00.csv", By: "x", ReceivedAt: noon, Finished: noon, Rows: templog.Rows{Read: 2, Stored: 1, Refused: 1}}
	var err error
	in.ID, err = tx.NewIntake(ctx, in)
	require.NoError(t, err)
	_, err = tx.AddReadings(ctx, in.ID, 1, "T1", []thermal.Reading{{AtMicros: noon.UnixMicro(), MilliC: 9000}})
	require.NoError(t, err)
	in.Refused = []templog.Refusal{{Line: 2, Why: "\xff\x00 is no temperature"}}
	require.NoError(t, tx.FinishIntake(ctx, in))
	act(stock.IntakeTaken, "x", "machine", stock.Body{Intake: in.ID, Number: 1})
	c := tracker.Case{Unit: "R1", Kind: "warm", State: "open", From: noon, RaisedAt: noon}
	require.NoError(t, tx.SaveCase(ctx, &c))
	x := tracker.ExcursionRow{Case: c.No, Sensor: "T1", Rule: "R1 warm 0", Unit: "R1", Found: thermal.Excursion{Kind: thermal.Warm, FromMicros: noon.UnixMicro(), OpenedMicros: noon.UnixMicro(), Readings: 1, ExtremeMilliC: 9000}}
	require.NoError(t, tx.SaveExcursion(ctx, &x))
	h := tracker.HoldRow{Case: c.No, Excursion: x.ID, Kind: "warm", Unit: "R1", From: noon, To: noon.Add(time.Hour)}
	require.NoError(t, tx.SaveHold(ctx, &h))
	act(stock.CaseOpened, "vialward", "daemon", stock.Body{Case: c.No})
	tx.Release(h, []string{"V1"}, noon.Add(time.Hour))
	act(stock.Released, "rph-1", "token", stock.Body{Case: c.No}, first[0])
	tx.SetArea("PA", stock.AreaStatus{From: noon, Category: "1", Reason: "x"})
	act(stock.AreaSet, "rph-1", "token", stock.Body{Area: "PA"})
	tx.PlanWork(tracker.PlannedWork{Unit: "R1", From: noon, To: noon.Add(time.Hour), Reason: "x", By: "x"})
	act(stock.WorkPlanned, "rph-1", "token", stock.Body{To: "R1"})
	fresh, err := tx.SaveSweep(ctx, tracker.SweepRow{Slot: "2025-11-01 07:00", Number: 1, Due: noon, Made: noon, Until: noon, ConfirmBy: noon})
	require.NoError(t, err)
	require.True(t, fresh)
	act(stock.SweepMade, "vialward", "daemon", stock.Body{Number: 1})
	_, err = tx.ConfirmSweep(ctx, 1, "tech-1", noon)
	require.NoError(t, err)
	act(stock.SweepConfirmed, "tech-1", "token", stock.Body{Number: 1})
	tx.Linger(tracker.Stay{Vial: "V3", Unit: "R1", Shelf: "A", From: noon.Add(-time.Hour), To: noon})
	act(stock.Counted, "tech-1", "token", stock.Body{}, vials[2])
	_, err = tx.Once(ctx, "job", "slot", noon)
	require.NoError(t, err)
	require.NoError(t, tx.AddToken(ctx, []byte("hash"), tracker.Token{Person: "rph-1", Scopes: []string{tracker.ScopeRead}, Name: "desk", MadeAt: noon, UsedAt: noon}))
	require.NoError(t, tx.SaveCredential(ctx, tracker.Credential{Person: "rph-1", PasswordHash: "$argon2id$x", PasswordAt: noon}))
	act(stock.PasswordSet, "rph-1", "token", stock.Body{To: "rph-1"})
	for n := range byte(2) {
		s := tracker.Session{Person: "rph-1", Device: []byte{1}, Method: tracker.ByPassword, FullAt: noon, StartedAt: noon, SeenAt: noon.Add(time.Minute)}
		require.NoError(t, tx.NewSession(ctx, append(make([]byte, 31), n), &s))
		if n == 1 {
			_, err = tx.EndSession(ctx, s.Number, "rph-1", "signed out", noon)
			require.NoError(t, err)
		}
	}
	return nil
}

// inserted is an event of the line's kind, bound to the newest one.
func inserted(seq int, kind, lineKind string) string {
	line := fmt.Sprintf(`{"site":1,"seq":%d,%s,"at":"2025-01-01T00:00:00.000000Z","entered_at":"2025-01-01T00:00:00.000000Z","by":"x","via":"x"}`, seq, lineKind)
	return fmt.Sprintf(`insert into event select 1, %d, '%s', '2025-01-01Z', '2025-01-01Z', 'x', 'x', l, chain_link((select head_hash from site), l) from (select '%s' l) x`,
		seq, kind, line)
}

// What the record says stays said: each statement here would unsay something, and is refused to the owner of the tables
// as well as to the daemon's role.
func TestRulesTheSchemaHolds(t *testing.T) {
	t.Parallel()
	d, c := full(t)
	mail := mailtest.Sample(1, "a@x.example")
	outbox{d, t}.Put(mail)
	rows, err := d.Claim(t.Context(), 1, time.Minute, "A")
	require.NoError(t, err)
	require.NoError(t, d.Accepted(t.Context(), rows[0], "250 ok"))
	for _, role := range []string{"reset role", "set role vialward_daemon"} {
		_, err := c.Exec(t.Context(), role)
		require.NoError(t, err)
		for name, sql := range map[string]string{
			"a date moved later":             `update vial set bud = bud + interval '1 minute', seq = 99 where vial = 'V1'`,
			"a vial changed by no event":     `update vial set shelf = 'B' where vial = 'V1'`,
			"a preparer who verifies":        `update vial set verified_by = 'tech-1', state = 'available', seq = 99 where vial = 'V3'`,
			"issued without a check":         `update vial set state = 'issued', seq = 99 where vial = 'V3'`,
			"another verifier":               `update vial set verified_by = 'rph-2', seq = 99 where vial = 'V1'`,
			"back from the bin":              `update vial set state = 'available', closed_by = null, closed_at = null, seq = 99 where vial = 'V2'`,
			"an older label":                 `update vial set label = 0, seq = 99 where vial = 'V1'`,
			"a second closing":               `insert into vial_closing values (1, 'V2', 5, 'lost')`,
			"discarded by a rule":            `insert into vial_closing values (1, 'V1', 8, 'discarded')`,
			"released by another's event":    `insert into hold_release values (1, 1, 'V2', 9, '2025-11-01Z', '2025-11-02Z')`,
			"ended by another's event":       `insert into vial_closing values (1, 'V1', 6, 'discarded')`,
			"a stay rewritten":               `update stay set unit = 'R2' where vial = 'V1'`,
			"a stay begun later":             `update stay set from_at = from_at + interval '1 hour', to_at = from_at + interval '2 hours' where vial = 'V1'`,
			"a stay ended twice":             `update stay set to_at = to_at + interval '1 hour' where vial = 'V2'`,
			"a stay deleted":                 `delete from stay`,
			"a product version rewritten":    `update product_version set document = '{}'`,
			"a product version deleted":      `delete from product_version`,
			"a site version rewritten":       `update site_version set document = '{}'`,
			"a site deleted":                 `delete from site`,
			"an area's past":                 `update area_status set category = '3'`,
			"a token with more scope":        `update api_token set scopes = '{act,read}'`,
			"a token of another":             `update api_token set person = 'rph-2'`,
			"a token deleted":                `delete from api_token`,
			"a finished intake":              `update intake set stored = 2, refused = 0`,
			"an intake's digest":             `update intake set digest = '\x00'`,
			"what was refused":               `delete from refused_value`,
			"a reading":                      `update reading set n = 2`,
			"a month's readings":             `delete from reading_202511`,
			"an excursion":                   `delete from excursion`,
			"a case":                         `delete from incident`,
			"a hold that shrinks":            `update hold set to_at = to_at - interval '1 minute'`,
			"a hold that begins later":       `update hold set from_at = from_at + interval '1 minute'`,
			"a hold elsewhere":               `update hold set unit = 'R2'`,
			"a release":                      `delete from hold_release`,
			"released by a rule":             `insert into hold_release values (1, 1, 'V3', 8, '2025-11-01Z', '2025-11-02Z')`,
			"released by nothing":            `insert into hold_release values (1, 1, 'V3', 999, '2025-11-01Z', '2025-11-02Z')`,
			"work planned backwards":         `update planned_work set reason = 'y'`,
			"a list rewritten":               `update sweep set document = '{}'`,
			"a list confirmed by another":    `update sweep set confirmed_by = 'tech-2'`,
			"a list deleted":                 `delete from sweep`,
			"a slot done once more":          `delete from slot_done`,
			"an accepted mail sent again":    `update outbox set state = 'waiting', finished_at = null`,
			"a mail reworded":                `update outbox set body_text = 'x'`,
			"a mail deleted":                 `delete from outbox`,
			"a session of somebody else":     `update session set person = 'rph-2' where number = 1`,
			"a session made younger":         `update session set full_at = full_at + interval '1 hour' where number = 1`,
			"a session seen less":            `update session set seen_at = started_at where number = 1`,
			"a session that ended, again":    `update session set ended_at = null, ended_by = null, ended_why = null where number = 2`,
			"a session deleted":              `delete from session`,
			"a password that is none":        `update credential set password_hash = 'kettle moss nine'`,
			"a token where a hash belongs":   `insert into session (site, session_hash, person, device, browser, address, method, full_at, started_at, seen_at) values (1, 'x', 'x', 'x', '', '', 'pin', '2025-11-01Z', '2025-11-01Z', '2025-11-01Z')`,
			"a batch rewritten":              `update batch set document = '{}'`,
			"a step by another":              `update batch_step set by_person = 'tech-2'`,
			"a step taken back":              `delete from batch_step`,
			"a step before its turn":         `insert into batch_step (site, batch, n, name, by_person, at, seq) values (1, 'B1', 3, 'mixed', 'tech-1', '2025-11-01Z', 2)`,
			"a step signed again":            `insert into batch_step (site, batch, n, name, by_person, at, seq) values (1, 'B1', 1, 'mixed', 'tech-1', '2025-11-01Z', 2)`,
			"a batch opened again":           `delete from batch_closing`,
			"a batch closed twice":           `insert into batch_closing (site, batch, document, seq) values (1, 'B1', '{}', 2)`,
			"a closing rewritten":            `update batch_closing set document = '{}'`,
			"a component's lot":              `update batch_component set lot = 'x'`,
			"a head moved back":              `update site set head = 5, head_hash = (select hash from event where seq = 5)`,
			"a head made up":                 `update site set head = 16, head_hash = decode(repeat('00', 32), 'hex')`,
			"a site by another name":         `update site set code = 'B'`,
			"an event's hash":                `update event set hash = decode(repeat('00', 32), 'hex')`,
			"an event that is not its line":  inserted(16, "lost", `"kind":"found"`),
			"an event's line without a kind": inserted(16, "lost", `"sort":"lost"`),
			"an event out of order":          inserted(17, "lost", `"kind":"lost"`),
			"an event of another time":       strings.Replace(inserted(16, "lost", `"kind":"lost"`), "'2025-01-01Z'", "'2024-01-01Z'", 1),
			"an event entered back then":     strings.Replace(inserted(16, "lost", `"kind":"lost"`), "'2025-01-01Z', '2025-01-01Z'", "'2025-01-01Z', '2024-01-01Z'", 1),
			"an event bound to nothing":      strings.Replace(inserted(16, "lost", `"kind":"lost"`), "head_hash", `decode('00', 'hex')`, 1),
			"an event bound to another":      strings.Replace(inserted(16, "lost", `"kind":"lost"`), "select head_hash from site", `select hash from event where seq = 11`, 1),
		} {
			tag, err := c.Exec(t.Context(), sql)
			require.Error(t, err, "%s: %s (%s)", role, name, tag)
			_, broken := db.Broken(err)
			require.True(t, broken, "%s: %s: %v", role, name, err)
		}
	}
	// And what it may do, it can.
	for _, sql := range []string{
		`update api_token set revoked_at = '2025-11-02Z'`,
		`update session set seen_at = seen_at + interval '1 minute' where number = 1`,
		`update session set ended_at = seen_at, ended_by = 'rph-1', ended_why = 'x' where number = 1`,
		`update hold set to_at = null`,
		`update hold set to_at = '2025-11-05Z', from_at = from_at - interval '1 minute'`,
		`update intake set withdrawn_seq = 7`,
		inserted(16, "lost", `"kind":"lost"`),
	} {
		_, err := c.Exec(t.Context(), sql)
		require.NoError(t, err, sql)
	}
	_, err = c.Exec(t.Context(), `update hold set to_at = '2025-11-04Z'`)
	require.Error(t, err)
}

// A revoked token is nobody's; the role of the daemon can do nothing else to tables than it has to.
func TestDaemonsRightsAreFew(t *testing.T) {
	t.Parallel()
	_, c := full(t)
	rows, err := c.Query(t.Context(), `select table_name || ' ' || lower(privilege_type) from information_schema.role_table_grants
		where grantee = 'vialward_daemon' and privilege_type not in ('SELECT', 'INSERT') order by 1`)
	require.NoError(t, err)
	got, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	require.Equal(t, []string{
		"checkpoint delete", "checkpoint update", "counter update", "draft delete", "excursion update", "incident update", "intake_total update",
		"sensor_now update", "sent_form delete", "site_silence update", "verification update", "vial update", "vial_closing delete", "vial_hold delete",
	}, got, "whole tables; single columns are granted beside")
}
