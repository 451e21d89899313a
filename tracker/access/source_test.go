package access_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/tracker/access"
)

func TestSource(t *testing.T) {
	t.Parallel()
	for address, source := range map[string]string{
		"192.0.2.7": "192.0.2.7", "::ffff:192.0.2.7": "192.0.2.7", "2001:db8:1:2:3:4:5:6": "2001:db8:1:2::/64",
		"2001:db8:1:2::": "2001:db8:1:2::/64", "fe80::1%eth0": "fe80::/64", "::1": "::/64", "": "", "the machine": "the machine",
	} {
		require.Equal(t, source, access.Source(address), address)
	}
}
