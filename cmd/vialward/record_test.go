package main

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/db/dbtest"
)

// The record is walked beside a running daemon, in text and as a document; what a database administrator does to it is
// named, with the code that says so; and metrics have it.
func TestRecordVerify(t *testing.T) {
	p := setUp(t, "")
	codes := p.stocked(t, 3, time.Hour)
	g := p.start(t, "")
	require.Equal(t, 200, g.api("/readings", "text/csv", strings.NewReader("sensor,at,celsius\nT1,"+time.Now().UTC().Format(time.RFC3339)+",4.7\n")).status)
	published := p.sound(t)
	p.sound(t, "--head", published)

	code, text, said := vialward(t, "", "--config", p.config, "record", "verify", "--head", spaced(published))
	require.Equal(t, exitDone, code, said)
	require.Contains(t, text, "SOUND")
	require.Contains(t, text, "it comes by the head given")
	code, text, _ = vialward(t, "", "--config", p.config, "record", "verify", "--site", "QUILLMERE")
	require.Equal(t, exitDone, code)
	require.Contains(t, text, "only a head from elsewhere can tell")

	for _, c := range []struct {
		code int
		args []string
		says string
	}{
		{exitUsage, []string{"--head", "12"}, "not a head of the record"},
		{exitFailed, []string{"--site", "NOWHERE"}, `site "NOWHERE" is not in the record`},
	} {
		code, _, said := vialward(t, "", append([]string{"--config", p.config, "record", "verify"}, c.args...)...)
		require.Equal(t, c.code, code, said)
		require.Contains(t, said, c.says)
	}

	dbtest.Exec(t, p.dsn, "set session_replication_role = replica; update vial set bud = bud + interval '1 day' where vial = '"+codes[0]+"'")
	code, doc, _ := vialward(t, "", "--json", "--config", p.config, "record", "verify")
	require.Equal(t, exitFailed, code)
	var out verifiedDocument
	require.NoError(t, json.Unmarshal([]byte(doc), &out))
	require.False(t, out.Sites[0].Sound)
	require.Contains(t, out.Sites[0].First.Why, codes[0])
	code, text, _ = vialward(t, "", "--config", p.config, "record", "verify")
	require.Equal(t, exitFailed, code)
	require.Contains(t, text, "BROKEN, first: vial "+codes[0])
	require.Contains(t, text, "Copy the database as it is")
	require.EqualValues(t, 1, dbtest.Ask(t, p.dsn, "select faults from verification"))
}

// spaced is a head as it is printed.
func spaced(head string) string {
	seq, digits, _ := strings.Cut(head, ":")
	for i := 0; i < len(digits); i += 8 {
		seq += map[bool]string{true: ": ", false: " "}[i == 0] + digits[i:i+8]
	}
	return seq
}
