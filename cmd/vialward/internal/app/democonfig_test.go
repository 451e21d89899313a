package app

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// A demo that looked for a home of its own found none, and ended at once for everyone but root.
func TestDemoConfigIsOfItsOwnFolder(t *testing.T) {
	t.Setenv("HOME", "")
	t.Setenv("VIALWARD_DSN", "postgres://somebody@elsewhere/else")
	c, err := demoConfig(DemoOptions{StateFolder: "/home/a visitor/state/demo"})
	require.NoError(t, err)
	require.Equal(t, "/home/a visitor/state/demo", c.State.Folder)
	require.Empty(t, c.Database.DSN)
}
