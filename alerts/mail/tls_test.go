package mail_test

import (
	"context"
	"net"
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
	"vialward/alerts/mail"
	"vialward/alerts/mail/mailtest"
)

func certificate(t *testing.T, host string) mailtest.Certificate {
	t.Helper()
	c, err := mailtest.NewCertificate(host)
	require.NoError(t, err)
	return c
}

// What protects a mail on its way, and what is done when it cannot be protected: nothing is sent, the row waits and
// says why.
func TestProtection(t *testing.T) {
	good, wrong := certificate(t, "relay.example"), certificate(t, "other.example")
	for _, c := range []struct {
		what   string
		script mailtest.Script
		relay  func(*mail.Relay)
		reason string // "" = accepted, under TLS
	}{
		{"STARTTLS", mailtest.Script{TLS: good.TLS}, nil, ""},
		{"implicit", mailtest.Script{TLS: good.TLS, Implicit: true}, func(r *mail.Relay) { r.TLS = mail.Implicit }, ""},
		{"AUTH PLAIN", mailtest.Script{TLS: good.TLS, User: "u", Password: "p"}, func(r *mail.Relay) { r.Username, r.Password = "u", "p" }, ""},
		{"AUTH LOGIN", mailtest.Script{TLS: good.TLS, User: "u", Password: "p", Login: true}, func(r *mail.Relay) { r.Username, r.Password = "u", "p" }, ""},
		{"no STARTTLS", mailtest.Script{}, nil, "does not offer STARTTLS"},
		{"chatter between STARTTLS and TLS", mailtest.Script{TLS: good.TLS, Chatter: true}, nil, "somebody may be in between"},
		{"another host's certificate", mailtest.Script{TLS: wrong.TLS}, func(r *mail.Relay) { r.RootCAs = wrong.Pool }, "certificate is valid for other.example, not relay.example"},
		{"a stranger's certificate", mailtest.Script{TLS: wrong.TLS}, nil, "certificate"},
		{"implicit, a stranger's", mailtest.Script{TLS: wrong.TLS, Implicit: true}, func(r *mail.Relay) { r.TLS = mail.Implicit }, "certificate"},
		{"wrong password", mailtest.Script{TLS: good.TLS, User: "u", Password: "p"}, func(r *mail.Relay) { r.Username, r.Password = "u", "x" }, "signing in as u: the relay said 535"},
		{"a user and no AUTH", mailtest.Script{TLS: good.TLS}, func(r *mail.Relay) { r.Username, r.Password = "u", "p" }, "neither AUTH PLAIN nor AUTH LOGIN"},
		{"AUTH forgotten", mailtest.Script{TLS: good.TLS, User: "u", Password: "p"}, nil, "530 5.7.0 sign in first"},
	} {
		t.Run(c.what, func(t *testing.T) {
			// Real sockets: a pipe without a buffer cannot carry both sides' words of a handshake that fails.
			p := mailtest.NewPeer(c.script)
			addr, err := p.Listen(t.Cleanup)
			require.NoError(t, err)
			r := plain(p)
			r.Dial = func(ctx context.Context, network, _ string) (net.Conn, error) {
				return (&net.Dialer{}).DialContext(ctx, network, addr)
			}
			r.Addr, r.TLS, r.RootCAs = "relay.example:587", mail.STARTTLS, good.Pool
			if c.relay != nil {
				c.relay(&r)
			}
			rows := carry(t, p, mailtest.NewOutbox(mailtest.Sample(1, alice)), r, tried)
			if c.reason != "" {
				require.Equal(t, alerts.Waiting, rows[0].State, "it says nothing about the mail, so the mail waits")
				require.Contains(t, rows[0].LastError, c.reason)
				require.NotContains(t, rows[0].LastError, "\n")
				require.Empty(t, p.Taken())
				return
			}
			require.Equal(t, alerts.Accepted, rows[0].State, rows[0].LastError)
			require.True(t, p.Taken()[0].TLS)
			require.Equal(t, r.Username, p.Taken()[0].User)
			for _, h := range p.Hellos() {
				require.Equal(t, "vialward.pharmacy.example", h, "never localhost, which relays that check names refuse")
			}
		})
	}
}

func TestSettingsAreCheckedWhole(t *testing.T) {
	for _, c := range []struct {
		relay mail.Relay
		want  []string
	}{
		{mail.Relay{Addr: "127.0.0.1:25", TLS: mail.None, From: "a@b.example"}, nil},
		{mail.Relay{Addr: "[::1]:25", TLS: mail.None, From: "a@b.example"}, nil},
		{mail.Relay{Addr: "relay.example:587", TLS: mail.STARTTLS, From: "A <a@b.example>"}, nil},
		{mail.Relay{Addr: "relay.example:25", TLS: mail.None, From: "a@b.example"}, []string{"without TLS only a relay on this machine"}},
		{mail.Relay{Addr: "10.0.0.1:25", TLS: mail.None, From: "a@b.example"}, []string{"without TLS only a relay on this machine"}},
		{mail.Relay{Addr: "relay.example", TLS: "ssl", From: "nobody", Password: "p"},
			[]string{"write host:port", "one of starttls, implicit, none", `sender "nobody" is not an address`, "a password without a user name"}},
	} {
		err := c.relay.Check()
		if c.want == nil {
			require.NoError(t, err)
		}
		for _, w := range c.want {
			require.ErrorContains(t, err, w)
		}
	}
	require.Error(t, (&mail.Sender{}).Run(t.Context()), "wrong settings are said at once, not at the first mail")
}
