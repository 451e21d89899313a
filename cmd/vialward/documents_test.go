package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/db/dbtest"
)

// Whatever prints JSON names its units in the key the same way, and writes times with the site's offset: a program that
// read 4700 as degrees, or no end as the year 1, would be misled without an error.
func TestDocumentsAreInTheSitesTimeAndUnits(t *testing.T) {
	t.Setenv("VIALWARD_DSN", dbtest.Fresh(t))
	t.Setenv("VIALWARD_STATE", t.TempDir())
	var loaded any
	done(t, &loaded, "site", "load", "internal/demo/site.toml")
	secrets(t, "")
	at := time.Now().Add(-time.Minute).UTC().Format(time.RFC3339)
	code, _, stderr := vialward(t, "sensor,at,celsius\nT1,"+at+",5.1\nT1,"+at+",5.1\n", "ingest", "-")
	require.Equal(t, exitDone, code, stderr)
	done(t, &loaded, "unit", "work", "R1", "--as", "rph-1", "--from", "2099-07-01T12:00:00Z", "--to", "2099-07-01T13:00:00Z", "--reason", "cleaning")
	require.Equal(t, "2099-07-01T08:00:00-04:00", loaded.(map[string]any)["from"])

	key := regexp.MustCompile(`^[a-z0-9]+(_[a-z0-9]+)*$`)
	foreign := regexp.MustCompile(`(^|_)(ns|milli|micro\w*)(_|$)`)
	instant := regexp.MustCompile(`^\d{4}-\d\d-\d\dT.*`)
	ours := regexp.MustCompile(`-0[45]:00$`)
	var look func(where string, v any)
	look = func(where string, v any) {
		switch x := v.(type) {
		case map[string]any:
			for k, v := range x {
				require.Regexp(t, key, k, where)
				require.NotRegexp(t, foreign, k, where)
				look(where+"."+k, v)
			}
		case []any:
			for _, v := range x {
				look(where, v)
			}
		case string:
			if instant.MatchString(x) {
				require.Regexp(t, ours, x, where)
			}
		}
	}
	for _, args := range []string{"site show", "sweep print", "intake list", "vial list", "case list", "sweep list"} {
		var document any
		done(t, &document, strings.Fields(args)...)
		look(args, document)
	}

	var site struct {
		Sensors []struct {
			Interval    float64 `json:"interval_minutes"`
			Assignments []struct{ To *string }
			Calibration []struct {
				Uncertainty json.Number `json:"uncertainty_celsius"`
			} `json:"calibrations"`
		}
		Products []struct {
			Amount float64 `json:"amount_mg"`
		}
	}
	done(t, &site, "site", "show")
	require.InDelta(t, 5, site.Sensors[0].Interval, 0)
	require.Nil(t, site.Sensors[0].Assignments[0].To)
	require.Equal(t, "0.3", site.Sensors[0].Calibration[0].Uncertainty.String())
	require.InDelta(t, 100, site.Products[0].Amount, 0)
	var list struct {
		Units []struct {
			Head struct {
				Probes []struct{ Celsius json.Number }
			}
		}
	}
	done(t, &list, "sweep", "print")
	require.Equal(t, "5.1", list.Units[0].Head.Probes[0].Celsius.String())

	code, stdout, _ := vialward(t, "", "intake", "list")
	require.Equal(t, exitDone, code)
	require.NotContains(t, stdout, "withdrawn")
	done(t, &loaded, "intake", "withdraw", "1", "--as", "rph-1", "--reason", "another room")
	_, stdout, _ = vialward(t, "", "intake", "list")
	require.Contains(t, stdout, "withdrawn", "set aside, it would still read as stored")
}

// A flag that a command would not heed is none of its flags; what is not in the record is said and listed, not an empty
// answer.
func TestNothingIsIgnored(t *testing.T) {
	t.Setenv("VIALWARD_DSN", dbtest.Fresh(t))
	t.Setenv("VIALWARD_STATE", t.TempDir())
	var loaded any
	done(t, &loaded, "site", "load", "internal/demo/site.toml")
	for _, args := range []string{
		"sweep print --at 2026-01-01T07:00:00-05:00", "vial list --at 2026-01-01T07:00:00-05:00", "case list --as rph-1",
		"batch prepare --as tech-1 --product PANT --count 2 --area PA-1 --at 2026-01-01T07:00:00-05:00",
	} {
		code, stdout, stderr := vialward(t, "", strings.Fields(args)...)
		require.Equal(t, exitUsage, code, args)
		require.Empty(t, stdout)
		require.Contains(t, stderr, "unknown flag")
	}
	log := filepath.Join(t.TempDir(), "T4.csv")
	require.NoError(t, os.WriteFile(log, []byte("12/11/2025 07:00,5.1\n"), 0o600))
	layout := "internal/demo/layouts/T4.toml" // of New York
	code, _, stderr := vialward(t, "", "ingest", log, "--layout", layout, "--zone", "Europe/Berlin")
	require.Equal(t, exitUsage, code)
	require.Contains(t, stderr, `the layout says zone = "America/New_York", but the zone was given as Europe/Berlin: leave one out`)
	done(t, &loaded, "ingest", log, "--layout", layout, "--zone", "America/New_York")
	for _, args := range []string{"vial list --unit R77", "sweep print 999", "case show 99", "batch show 251110-7"} {
		var refused struct {
			Refused []struct{ Code, Why string }
		}
		code, stdout, _ := vialward(t, "", append([]string{"--json"}, strings.Fields(args)...)...)
		require.Equal(t, exitFailed, code, args)
		require.NoError(t, json.Unmarshal([]byte(stdout), &refused), args)
		require.Equal(t, "not_found", refused.Refused[0].Code)
		require.Contains(t, refused.Refused[0].Why, "not in the record")
	}
}

// A log that cannot be read on is taken up to there, and the document says from where on it was not read: exit code 3, as
// wherever some of the data is refused.
func TestIngestInPart(t *testing.T) {
	t.Setenv("VIALWARD_DSN", dbtest.Fresh(t))
	t.Setenv("VIALWARD_STATE", t.TempDir())
	var loaded any
	done(t, &loaded, "site", "load", "internal/demo/site.toml")
	log := filepath.Join(t.TempDir(), "T1.csv")
	text := csv(time.Now().Add(-time.Hour), 3, time.Minute, "5.0")
	require.NoError(t, os.WriteFile(log, []byte(text+strings.Repeat("x", 5<<20)), 0o600))
	code, stdout, stderr := vialward(t, "", "--json", "ingest", log)
	require.Equal(t, exitRefused, code, stderr)
	var said struct {
		Files []struct {
			Rows    map[string]int64
			Refused []struct{ Line int }
			NotRead struct {
				FromLine int `json:"from_line"`
				Bytes    int64
				Why      string
			} `json:"not_read"`
		}
	}
	require.NoError(t, json.Unmarshal([]byte(stdout), &said))
	f := said.Files[0]
	require.Equal(t, map[string]int64{"read": 3, "stored": 3, "duplicate": 0, "conflicting": 0, "missing": 0, "refused": 0}, f.Rows)
	require.Equal(t, 5, f.NotRead.FromLine)
	require.Equal(t, int64(5<<20), f.NotRead.Bytes)
	require.Contains(t, f.NotRead.Why, "goes on for more than 4 MB")
	require.Equal(t, 5, f.Refused[0].Line)
}
