package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// The calculators of one vial's exposure and of how many to prepare, as commands: exit codes and streams.
func TestExposureAndStockCommands(t *testing.T) {
	const exposed = "../../testdata/exposure/"
	const advised = "../../testdata/waste/"
	clean := filepath.Join(t.TempDir(), "clean.csv")
	require.NoError(t, os.WriteFile(clean, []byte("sensor,at,celsius\nR1,2025-11-10T15:30:00Z,5\nR1,2025-11-10T18:00:00Z,9\n"), 0o600))
	for name, c := range map[string]struct {
		args []string
		code int
		says string // on stdout for 0 and 3, on stderr for 2
	}{
		"a vial":                     {[]string{"calc", "exposure", exposed + "no_basis.in.json", clean, "--max-gap", "3h"}, exitDone, "ASK"},
		"as a document":              {[]string{"--json", "calc", "exposure", exposed + "no_basis.in.json", clean}, exitDone, `"unknown_minutes": 150`},
		"some values refused":        {[]string{"--json", "calc", "exposure", exposed + "too_long_out.in.json", exposed + "two_units.csv"}, exitRefused, `"line": 284`},
		"stays refused":              {[]string{"--json", "calc", "exposure", exposed + "refused.in.json", clean}, exitRefused, `"why"`},
		"no such log":                {[]string{"calc", "exposure", exposed + "no_basis.in.json", "nowhere.csv"}, exitUsage, "nowhere.csv"},
		"not a log":                  {[]string{"calc", "exposure", exposed + "no_basis.in.json", exposed + "no_basis.in.json"}, exitUsage, "sensor"},
		"a log for a document":       {[]string{"calc", "exposure", clean, clean}, exitUsage, "not a JSON object"},
		"two from standard input":    {[]string{"calc", "exposure", "-", "-"}, exitUsage, "cannot both come from standard input"},
		"no wait":                    {[]string{"calc", "exposure", exposed + "no_basis.in.json", clean, "--max-gap", "0s"}, exitUsage, "--max-gap must be above 0"},
		"how many":                   {[]string{"calc", "stock", advised + "poisson.in.json"}, exitDone, "Prepare         19, with 6 on hand"},
		"how many, as a document":    {[]string{"--json", "calc", "stock", advised + "past_days.in.json"}, exitDone, `"seed": 1`},
		"how many, refused":          {[]string{"--json", "calc", "stock", advised + "refused.in.json"}, exitRefused, `"why"`},
		"how many, not the document": {[]string{"calc", "stock", exposed + "no_basis.in.json"}, exitUsage, `"demand" is missing`},
	} {
		t.Run(name, func(t *testing.T) {
			code, stdout, stderr := vialward(t, "", c.args...)
			require.Equal(t, c.code, code, stderr)
			said := stdout
			if c.code == exitUsage {
				said = stderr
			}
			require.Contains(t, said, c.says)
		})
	}
}
