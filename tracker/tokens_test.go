package tracker_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// A token reaches as far as its scopes, shows its last use, ends after a year at the latest unless told otherwise, and can be
// revoked by its person or an administrator. Only its hash is stored.
func TestTokens(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	ctx := t.Context()
	tech := tracker.Actor{Person: stock.Person{Code: "tech-1"}, Via: tracker.ViaPage}
	logger := tracker.Token{Person: "log-1", Scopes: []string{"readings", "read", "readings"}, Sensors: []string{"T1"}, Name: "gateway"}
	token, err := d.MakeToken(ctx, site, admin, logger)
	require.NoError(t, err)
	require.Len(t, token, 52)
	own, err := d.MakeToken(ctx, site, tech, tracker.Token{Person: "tech-1", Scopes: []string{"act"}, Name: "bench", Ends: d.now.Add(time.Hour)})
	require.NoError(t, err)

	k, _, err := d.store.TokenActor(ctx, tracker.HashToken(token), d.now)
	require.NoError(t, err)
	require.Equal(t, []string{"read", "readings"}, k.Scopes)
	require.Equal(t, []string{"T1"}, k.Sensors)
	require.Equal(t, d.now.AddDate(1, 0, 0), k.Ends)
	for scope, reaches := range map[string]bool{"read": true, "readings": true, "act": false} {
		require.Equal(t, reaches, k.Allows(scope), scope)
		require.True(t, tracker.Token{Scopes: []string{"act"}}.Allows(scope), "act includes all")
		require.False(t, tracker.Token{}.Allows(scope))
	}

	for _, pass := range []time.Duration{30 * time.Second, 50 * time.Second} { // the first is not worth a write
		d.pass(pass)
		_, _, err = d.store.TokenActor(ctx, tracker.HashToken(token), d.now)
		require.NoError(t, err)
	}
	all, err := d.Tokens(ctx, site, admin, "")
	require.NoError(t, err)
	require.Len(t, all, 2)
	require.Equal(t, d.now, all[1].UsedAt)
	require.Zero(t, all[0].UsedAt, "never used")
	mine, err := d.Tokens(ctx, site, tech, "tech-1")
	require.NoError(t, err)
	require.Equal(t, all[:1], mine)
	_, err = d.Tokens(ctx, site, tech, "")
	refused(t, err, "role")

	_, err = d.RevokeToken(ctx, site, tech, all[1].Number)
	refused(t, err, "role")
	_, err = d.RevokeToken(ctx, site, tech, 4711)
	refused(t, err, "role")
	_, err = d.RevokeToken(ctx, site, admin, 4711)
	require.ErrorIs(t, err, tracker.ErrNotFound)
	_, err = d.RevokeToken(ctx, site, admin, all[1].Number)
	require.NoError(t, err)
	_, err = d.RevokeToken(ctx, site, admin, all[1].Number)
	refused(t, err, "ended")
	_, _, err = d.store.TokenActor(ctx, tracker.HashToken(token), d.now)
	require.ErrorIs(t, err, tracker.ErrNotFound)
	_, _, err = d.store.TokenActor(ctx, tracker.HashToken(own), all[0].Ends.Add(-time.Microsecond))
	require.NoError(t, err)
	_, _, err = d.store.TokenActor(ctx, tracker.HashToken(own), all[0].Ends)
	require.ErrorIs(t, err, tracker.ErrNotFound, "at the instant itself it has ended")
	last := d.events(t, site)
	require.Equal(t, stock.TokenRevoked, last[len(last)-1].Kind)
	require.Equal(t, "log-1", last[len(last)-1].Body.To)
}

func TestTokensThatAreNotMade(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	read := []string{"read"}
	for code, k := range map[string]tracker.Token{
		"scope":  {Person: "log-1", Scopes: []string{"write"}},
		"sensor": {Person: "log-1", Scopes: read, Sensors: []string{"T9"}},
		"person": {Person: "nobody", Scopes: read},
		"ends":   {Person: "log-1", Scopes: read, Ends: d.now},
	} {
		_, err := d.MakeToken(t.Context(), site, admin, k)
		refused(t, err, code)
	}
	_, err := d.MakeToken(t.Context(), site, admin, tracker.Token{Person: "log-1"})
	refused(t, err, "scope")
	_, err = d.MakeToken(t.Context(), site, admin, tracker.Token{Person: "tech-1", Scopes: []string{"act"}})
	refused(t, err, "scope")
}
