package mail_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/alerts/mail"
)

// A relay that is there is good; a port nobody listens on, or one asked for TLS it lacks, is said in a sentence.
func TestProbe(t *testing.T) {
	t.Parallel()
	c, err := mail.NewCatcher("127.0.0.1:0", nil)
	require.NoError(t, err)
	r := mail.Relay{Addr: c.Addr(), TLS: mail.None, From: "vialward@site.example"}
	require.NoError(t, mail.Probe(t.Context(), r))
	r.TLS = mail.STARTTLS
	require.ErrorContains(t, mail.Probe(t.Context(), r), "STARTTLS")
	require.NoError(t, c.Close())
	r.TLS = mail.None
	require.Error(t, mail.Probe(t.Context(), r))
	require.Empty(t, c.Mails())
}
