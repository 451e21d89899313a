package db_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"

	"vialward/db"
	"vialward/tracker"
	"vialward/tracker/chain"
)

// verify the one site of a test.
func verify(t *testing.T, c *pgx.Conn, heads ...chain.Head) tracker.Verification {
	t.Helper()
	all, err := db.Verify(t.Context(), c.Config().ConnString(), db.VerifyOptions{Heads: heads})
	require.NoError(t, err)
	require.Len(t, all, 1)
	return all[0]
}

// unguarded is what a database administrator does first who wants no trigger, foreign key or check in the way.
const unguarded = "set session_replication_role = replica; alter table event drop constraint if exists event_check; "

func tamper(t *testing.T, c interface {
	Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error)
}, sql string) {
	t.Helper()
	tag, err := c.Exec(t.Context(), unguarded+sql)
	require.NoError(t, err, sql)
	require.NotZero(t, tag.RowsAffected(), "this tampers with nothing: %s", sql)
}

// Every deed of a database administrator is named, at the event it was done to. The events of this record: 1 site loaded,
// 2 prepared, 3 labelled, 4 verified, 5 placed, 6 discarded, 7 delivery taken in, 8 case opened, 9 released, 10 area set,
// 11 work planned, 12 list made, 13 list confirmed, 14 counted, 15 password set.
func TestTampering(t *testing.T) {
	t.Parallel()
	const canonical = `update event set canonical = replace(canonical, '"at":"2025-11-01', '"at":"2025-10-31') where seq = 5`
	_, conn := full(t)
	require.Empty(t, verify(t, conn).Faults, "nobody has touched it")
	for name, c := range map[string]struct {
		sql  string
		seq  int64
		kind chain.Kind
		say  string
	}{
		"a line":                          {`update event set canonical = replace(canonical, 'R1/A', 'R2/A') where seq = 5`, 5, chain.Changed, "event 5 was changed"},
		"a line made earlier":             {canonical, 5, chain.Changed, "event 5 was changed"},
		"a column":                        {`update event set by_person = 'tech-2' where seq = 5`, 5, chain.Changed, `by_person says "tech-2", its line "tech-1"`},
		"a kind":                          {`update event set kind = 'moved' where seq = 5`, 5, chain.Changed, "kind"},
		"when it happened":                {`update event set at = at - interval '3 hours' where seq = 5`, 5, chain.BackDated, "its column at says 2025-11-01T13:00"},
		"when it was entered":             {`update event set entered_at = entered_at - interval '3 days' where seq = 9`, 9, chain.BackDated, "entered_at says 2025-10-29"},
		"entered later":                   {`update event set entered_at = entered_at + interval '3 days' where seq = 9`, 9, chain.Changed, "entered_at says 2025-11-04"},
		"one removed":                     {`delete from event where seq = 5`, 5, chain.Removed, "event 5 was removed"},
		"three removed":                   {`delete from event where seq between 9 and 11`, 9, chain.Removed, "events 9 to 11 were removed"},
		"the first removed":               {`delete from event where seq = 1`, 1, chain.Removed, "event 1 was removed"},
		"the last removed":                {`delete from event where seq = 15`, 15, chain.Removed, "event 15 was removed from the end"},
		"one removed, the rest moved up":  {`delete from event where seq = 9; update event set seq = seq - 1 where seq > 9`, 9, chain.Removed, "event 9 was removed"},
		"two swapped":                     {`update event set seq = case seq when 5 then 6 else 5 end + 1000 where seq in (5, 6); update event set seq = seq - 1000 where seq > 1000`, 5, chain.OutOfPlace, "events 5 and 6 stand in each other's place"},
		"slipped in":                      {slippedIn, 10, chain.SlippedIn, "event 10 was slipped in"},
		"a reading":                       {`update reading set packed = '\x01' || substr(packed, 2, length(packed) - 2) || '\x7e'`, 7, chain.Changed, "delivery 1"},
		"a reading removed":               {`delete from reading`, 7, chain.Removed, "1 rows of readings"},
		"a reading slipped in":            {`insert into reading select site, 'T2', from_at, to_at, intake, 2, n, min_millic, max_millic, packed from reading`, 0, chain.SlippedIn, "readings of delivery 1"},
		"a lowest temperature":            {`update reading set min_millic = 2000`, 7, chain.Changed, "delivery 1"},
		"a reading of another sensor":     {`update reading set sensor = 'T2'`, 7, chain.Changed, "delivery 1"},
		"what was refused":                {`update refused_value set why = 'a blank line'`, 7, chain.Changed, "delivery 1"},
		"a refused value removed":         {`delete from refused_value`, 7, chain.Changed, "delivery 1"},
		"who sent a delivery":             {`update intake set by_person = 'y'`, 7, chain.Changed, "delivery 1"},
		"a delivery's classes":            {`update intake set stored = 2, refused = 0`, 7, chain.Changed, "delivery 1"},
		"a delivery withdrawn":            {`update intake set withdrawn_seq = 9`, 9, chain.Disagrees, "withdrawn"},
		"a delivery removed":              {`delete from intake`, 7, chain.Removed, "delivery 1 was removed"},
		"a delivery slipped in":           {`insert into intake select site, 2, source, name, by_person, received_at, digest, layout, zone, 0, 0, 0, 0, 0, 0, null, null, null from intake`, 0, chain.SlippedIn, "delivery 2"},
		"the sum of all values":           {`update intake_total set stored = stored + 1, values_read = values_read + 1`, 0, chain.Disagrees, "summed up"},
		"a product's document":            {`update product_version set document = replace(document, '"P"', '"Q"')`, 1, chain.Changed, "product P"},
		"who approved a product":          {`update product_version set approved_by = 'rph-2'`, 1, chain.Changed, "product P"},
		"a product slipped in":            {`insert into product_version select site, 'Z', version, document, made_at, approved_by, approved_at, seq from product_version`, 1, chain.Changed, "product Z"},
		"a product brought by nothing":    {`insert into product_version select site, 'Z', version, document, made_at, approved_by, approved_at, 10 from product_version`, 10, chain.Changed, "product Z"},
		"a product of no event":           {`insert into product_version select site, 'Z', version, document, made_at, approved_by, approved_at, 99 from product_version`, 99, chain.SlippedIn, "there is none"},
		"a product removed":               {`delete from product_version`, 1, chain.Changed, "site 1"},
		"the site file":                   {`update site_version set document = replace(document, 'New_York', 'Chicago')`, 1, chain.Changed, "site 1"},
		"the site's zone":                 {`update site set zone = 'UTC'`, 0, chain.Disagrees, "zone"},
		"a batch's document":              {`update batch set document = replace(document, 'tech-1', 'tech-2')`, 2, chain.Changed, "batch B1"},
		"a batch's limit":                 {`update batch set latest_bud = latest_bud + interval '1 day'`, 2, chain.Changed, "batch B1"},
		"a batch removed":                 {`delete from batch`, 2, chain.Removed, "event 2"},
		"who did a step":                  {`update batch_step set by_person = 'tech-2'`, 3, chain.Changed, "step B1"},
		"a step added":                    {`insert into batch_step (site, batch, n, name, by_person, at, seq) values (1, 'B1', 2, 'mixed', 'tech-1', '2025-11-01Z', 9)`, 9, chain.Changed, "step B1"},
		"a batch's yield":                 {`update batch_closing set document = replace(document, '"filled":3', '"filled":4')`, 3, chain.Changed, "closing B1"},
		"a batch opened again":            {`delete from batch_closing`, 3, chain.Changed, "step B1"},
		"a vial's BUD":                    {`update vial set bud = bud + interval '1 day' where vial = 'V1'`, 9, chain.Disagrees, "vial V1"},
		"a vial's state":                  {`update vial set state = 'available', closed_by = null, closed_at = null where vial = 'V2'`, 6, chain.Disagrees, "vial V2"},
		"when a vial ended":               {`update vial set closed_at = closed_at - interval '1 day' where vial = 'V2'`, 6, chain.Disagrees, "vial V2"},
		"who verified":                    {`update vial set verified_by = 'rph-2' where vial = 'V1'`, 9, chain.Disagrees, "vial V1"},
		"a vial removed":                  {`delete from vial where vial = 'V3'`, 14, chain.Removed, "vial V3"},
		"a vial slipped in":               {`insert into vial select site, 'V4', batch, 4, product, version, prepared_by, verified_by, state, bud, label, unit, shelf, area, destination, punctured_at, last_seen, closed_by, closed_at, holds, seq from vial where vial = 'V1'`, 9, chain.SlippedIn, "vial V4"},
		"a closing removed":               {`delete from vial_closing`, 6, chain.Disagrees, "end of vial V2"},
		"a hold of its own":               {`insert into vial_hold values (1, 'V1', 'recall', 5)`, 9, chain.Disagrees, "own holds of vial V1"},
		"a stay elsewhere":                {`update stay set unit = 'R2' where vial = 'V1'`, 5, chain.Disagrees, "vial V1"},
		"a stay that ended":               {`update stay set to_at = from_at where vial = 'V1'`, 5, chain.Disagrees, "vial V1"},
		"a stay removed":                  {`delete from stay where vial = 'V1'`, 5, chain.Removed, "stays of vial V1"},
		"a stay slipped in":               {`insert into stay values (1, 'V1', '2025-11-01Z', null, 'R2', 'A', false, 9)`, 9, chain.SlippedIn, "R2/A"},
		"where a vial may have been":      {`delete from stay where possible`, 14, chain.Removed, "event 14"},
		"where it may have been slipped":  {`insert into stay values (1, 'V1', '2025-11-01Z', '2025-11-02Z', 'R2', 'A', true, 9)`, 9, chain.Changed, "possible V1"},
		"the index of a vial's events":    {`delete from event_vial where vial = 'V1' and seq = 5`, 9, chain.Disagrees, "vial V1"},
		"a hold shrunk":                   {`update hold set to_at = to_at - interval '30 minutes'`, 8, chain.Changed, "hold 1"},
		"a hold removed":                  {`delete from hold`, 8, chain.Removed, "hold 1"},
		"a hold slipped in":               {`insert into hold select site, 2, case_no, 2, kind, unit, shelves, from_at, to_at from hold`, 0, chain.SlippedIn, "hold 2"},
		"a case closed":                   {`update incident set state = 'closed'`, 8, chain.Changed, "case 1"},
		"an extreme":                      {`update excursion set extreme_millic = 8100`, 8, chain.Changed, "excursion 1"},
		"an excursion's own form":         {`update excursion set document = '{}'`, 8, chain.Changed, "excursion 1"},
		"a release of more":               {`update hold_release set covered_to = covered_to + interval '1 day'`, 9, chain.Changed, "release 1"},
		"a release slipped in":            {`insert into hold_release select site, hold_id, 'V3', seq, covered_from, covered_to from hold_release`, 9, chain.Changed, "release 1"},
		"a list":                          {`update sweep set document = replace(document, '{', '{ ')`, 12, chain.Changed, "list"},
		"who confirmed a list":            {`update sweep set confirmed_by = 'tech-2'`, 13, chain.Disagrees, "list 1"},
		"a list missed":                   {`update sweep set missed_at = made_at`, 0, chain.Disagrees, "list 1"},
		"an area's category":              {`update area_status set category = '2'`, 10, chain.Changed, "area PA"},
		"planned work":                    {`update planned_work set to_at = to_at + interval '1 day'`, 11, chain.Changed, "work R1"},
		"a head":                          {`update site set head_hash = decode(repeat('00', 32), 'hex')`, 15, chain.Changed, "head"},
		"the last removed, its head with": {`delete from event where seq = 15; update site set head = 14, head_hash = (select hash from event where seq = 14)`, 0, chain.SlippedIn, "token 1 stands in no event"},
		"a token of somebody else":        {`update api_token set person = 'rph-2'`, 15, chain.Changed, "token 1"},
		"a token slipped in":              {`insert into api_token (site, token_hash, person, scopes, name, created_at) values (1, 'x', 'rph-1', '{act}', 'x', '2025-11-01Z')`, 0, chain.SlippedIn, "token"},
		"a token revoked by nobody":       {`update api_token set revoked_at = '2025-11-02Z'`, 15, chain.Changed, "token 1"},
		"a password":                      {`update credential set password_hash = '$argon2id$y'`, 15, chain.Changed, "what rph-1 proves themselves with"},
		"a password slipped in":           {`insert into credential (site, person, password_hash, password_at) values (1, 'rph-2', '$argon2id$y', '2025-11-01Z')`, 0, chain.SlippedIn, "what rph-2 proves"},
		"a password removed":              {`delete from credential`, 15, chain.Removed, "credential rph-1"},
		"a guard switched off":            {`alter table event disable trigger only_added_to; update site set zone = zone`, 0, chain.Disagrees, "only_added_to of table event is switched off"},
		"a guard taken away":              {`drop trigger keep_vial on vial; update site set zone = zone`, 0, chain.Disagrees, "keep_vial of table vial was taken away"},
	} {
		p, err := conn.Begin(t.Context())
		require.NoError(t, err)
		tamper(t, p, c.sql)
		all, err := db.VerifyIn(t.Context(), p, db.VerifyOptions{})
		require.NoError(t, err, name)
		require.NoError(t, p.Rollback(t.Context()))
		require.Len(t, all, 1)
		got := all[0].Faults
		require.NotEmpty(t, got, name)
		require.Contains(t, got[0].Say, c.say, "%s: %v", name, got)
		require.Equal(t, c.seq, got[0].Seq, "%s: %v", name, got)
		require.Equal(t, c.kind, got[0].Kind, "%s: %v", name, got)
	}
	require.Empty(t, verify(t, conn).Faults, "all of it taken back")
}

// slippedIn puts an event between 9 and 10, bound as it should be, and moves the others up.
const slippedIn = `update event set seq = seq + 1000 where seq >= 10; update event set seq = seq - 999 where seq > 1000;
	insert into event select 1, 10, 'lost', '2025-11-01 16:00Z', '2025-11-01 16:00Z', 'x', 'x', l, chain_link((select hash from event where seq = 9), l) from (
	select '{"site":1,"seq":10,"kind":"lost","at":"2025-11-01T16:00:00.000000Z","entered_at":"2025-11-01T16:00:00.000000Z","by":"x","via":"x","body":{}}' l) x;
	update site set head = 16`

// An administrator who switches every guard off, changes what suits him and binds the whole chain anew leaves a record that
// is of one piece. Whoever has a head from before, on a mail or a list, still knows.
func TestWholeChainRewritten(t *testing.T) {
	t.Parallel()
	_, c := full(t)
	before := verify(t, c)
	require.Empty(t, before.Faults)
	published := before.Head
	require.Empty(t, verify(t, c, published).Faults)

	rewrite(t, c)
	after := verify(t, c)
	require.Len(t, after.Faults, 1, "nothing in the chain tells; a signature under what was changed does, unless it is made anew too")
	require.Contains(t, after.Faults[0].Say, "signature broken under event 13")
	require.Equal(t, published.Seq, after.Head.Seq)
	require.NotEqual(t, published.Hash, after.Head.Hash)

	caught := verify(t, c, published)
	require.Len(t, caught.Faults, 2, "and the signature")
	require.Equal(t, chain.Rewritten, caught.Faults[0].Kind)
	require.Contains(t, caught.Faults[0].Say, published.String())

	tamper(t, c, `delete from event where seq > 10; delete from event_vial where seq > 10; update site set head = 10, head_hash = (select hash from event where seq = 10)`)
	require.Contains(t, fmt.Sprint(verify(t, c, published).Faults), "event 15 was published as "+published.String()+", and is not there")
}

// rewrite changes who confirmed a list in every place there is, and binds the whole chain anew.
func rewrite(t *testing.T, c *pgx.Conn) {
	t.Helper()
	tamper(t, c, `update event set canonical = replace(canonical, '"tech-1"', '"tech-9"'), by_person = 'tech-9' where seq = 13;
		update sweep set confirmed_by = 'tech-9'`)
	ctx := t.Context()
	var head chain.Head
	rows, err := c.Query(ctx, `select seq, canonical from event order by seq`)
	require.NoError(t, err)
	type line struct {
		Seq       int64
		Canonical string
	}
	all, err := pgx.CollectRows(rows, pgx.RowToStructByPos[line])
	require.NoError(t, err)
	for _, l := range all {
		head = head.Next(chain.Content([]byte(l.Canonical)))
		_, err := c.Exec(ctx, `update event set hash = $1 where seq = $2`, head.Hash[:], l.Seq)
		require.NoError(t, err)
	}
	_, err = c.Exec(ctx, `update site set head_hash = $1`, head.Hash[:])
	require.NoError(t, err)
}

// The walk needs no more than the right to read, and cannot write.
func TestVerifyOnlyReads(t *testing.T) {
	t.Parallel()
	_, c := full(t)
	role := "reads_" + c.Config().Database
	admin := func(sql string) { // on a connection of its own: it is also done after the test's context has ended
		conn, err := pgx.ConnectConfig(context.Background(), c.Config())
		require.NoError(t, err)
		_, err = conn.Exec(context.Background(), sql)
		require.NoError(t, err)
		require.NoError(t, conn.Close(context.Background()))
	}
	admin("create role " + role + " login; grant select on all tables in schema public to " + role)
	t.Cleanup(func() { admin("drop owned by " + role + "; drop role " + role) })
	was := c.Config().User
	dsn := strings.NewReplacer("//"+was+"@", "//"+role+"@", "user="+was, "user="+role).Replace(c.Config().ConnString())
	require.NotEqual(t, c.Config().ConnString(), dsn)
	all, err := db.Verify(t.Context(), dsn, db.VerifyOptions{Site: "A"})
	require.NoError(t, err)
	require.Empty(t, all[0].Faults)
	require.EqualValues(t, 15, all[0].Events)
	require.EqualValues(t, 1, all[0].Readings)
	_, err = db.Verify(t.Context(), dsn, db.VerifyOptions{Site: "NONE"})
	require.ErrorIs(t, err, tracker.ErrNotFound)
}

// Every table of the schema is held against the events, or is a working table whose loss or change says nothing of what
// happened: a new table is one or the other.
func TestEveryTableIsLookedAt(t *testing.T) {
	t.Parallel()
	_, c := full(t)
	working := map[string]string{
		"goose_db_version": "which migrations ran", "checkpoint": "made again from the readings", "counter": "numbers not given yet",
		"sensor_now": "what pages show of the newest readings", "site_silence": "what was told of a silence", "slot_done": "what a clock has done",
		"outbox": "mail under way; what was told is in the events", "verification": "for metrics", "session": "who is signed in",
		"device_person": "where a PIN may be used", "known_address": "for throttling", "draft": "what people typed and did not send", "sent_form": "which forms were done",
	}
	rows, err := c.Query(t.Context(), `select relname from pg_class where relkind in ('r', 'p') and relnamespace = 'public'::regnamespace and not relispartition`)
	require.NoError(t, err)
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	for _, table := range tables {
		_, known := working[table]
		require.True(t, known || slices.Contains(db.LookedAt(), table), "%s: verify does not look at it, and nobody says why", table)
	}
	require.Greater(t, len(tables), 30)
}
