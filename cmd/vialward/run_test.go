package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/db/dbtest"
	"vialward/tracker"
	"vialward/tracker/stock"
)

// vialward runs the whole program on its own streams. Whoever acts proves it by the tests' password, unless another is named.
func vialward(t *testing.T, stdin string, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	if slices.Contains(args, "--as") && !slices.Contains(args, "--password-file") {
		args = append(slices.Clone(args), "--password-file", passwordFile)
	}
	var out, errs bytes.Buffer
	code = run(t.Context(), args, strings.NewReader(stdin), &out, &errs)
	return code, out.String(), errs.String()
}

// done runs a command that must succeed and reads its JSON.
func done(t *testing.T, into any, args ...string) {
	t.Helper()
	code, stdout, stderr := vialward(t, "", append([]string{"--json"}, args...)...)
	require.Equal(t, exitDone, code, "%v: %s", args, stderr)
	require.NoError(t, json.Unmarshal([]byte(stdout), into), stdout)
}

// Exit codes people script against: 0 done, 2 wrong usage or not the document described, 3 refused.
func TestExitCodes(t *testing.T) {
	const bud = `{"zone":"America/New_York","started_at":"2025-10-28T09:00:00-04:00","storage":"refrigerator",
		"sterility":{"category":"2","method":"aseptic","sterility_tested":false,"nonsterile_component":false},
		"stability":[{"storage":"refrigerator","hours":240,"source":"invented"}],"components":[],"cap_hours":null}`
	log := "sensor,at,celsius\nR1,2025-11-01T00:00:00Z,4\nR1,2025-11-01T00:05:00Z,5\n"
	tests := []struct {
		name  string
		stdin string
		args  []string
		code  int
		says  string // on stdout for 0 and 3, on stderr for 2
	}{
		{"help", "", []string{"--help"}, exitDone, "Usage"},
		{"no command", "", nil, exitUsage, "vialward --help"},
		{"no such command", "", []string{"fly"}, exitUsage, "fly"},
		{"a date", bud, []string{"--json", "calc", "bud", "-"}, exitDone, `"2025-11-07T08:00:00-05:00"`},
		{"no date", strings.Replace(bud, `"refrigerator","hours"`, `"room","hours"`, 1), []string{"--json", "calc", "bud", "-"}, exitRefused, `"why"`},
		{"not the document", `{"zone":1}`, []string{"--json", "calc", "bud", "-"}, exitUsage, "zone"},
		{"a log", log, []string{"--json", "calc", "mkt", "-"}, exitDone, `"stored": 2`},
		{"a log with a bad row", log + "R1,2025-11-01T00:10:00Z,warm\n", []string{"--json", "calc", "mkt", "-"}, exitRefused, `"line": 4`},
		{"not a log", "a;b\n1;2\n", []string{"--json", "calc", "mkt", "-"}, exitUsage, "sensor"},
		{"no such file", "", []string{"calc", "mkt", "nowhere.csv"}, exitUsage, "nowhere.csv"},
		{"no such zone", log, []string{"calc", "mkt", "-", "--zone", "Mars"}, exitUsage, "Mars"},
		{"the zone of some machine", log, []string{"calc", "mkt", "-", "--zone", "Local"}, exitUsage, "Local"},
		{"a fixed offset", log, []string{"--json", "calc", "mkt", "-", "--zone=-05:00"}, exitDone, `"2025-10-31T19:00:00-05:00"`},
		{"text for a person", bud, []string{"calc", "bud", "-"}, exitDone, "Fri 7 Nov 2025 08:00 EST"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			code, stdout, stderr := vialward(t, tt.stdin, tt.args...)
			require.Equal(t, tt.code, code, stderr)
			said := stdout
			if tt.code == exitUsage {
				said = stderr
			}
			require.Contains(t, said, tt.says)
		})
	}
}

// A site, a batch through its life, a log: by command line alone, on a database of its own.
func TestByCommandLineAlone(t *testing.T) {
	t.Setenv("VIALWARD_DSN", dbtest.Fresh(t))
	t.Setenv("VIALWARD_STATE", t.TempDir())
	file := inventedSite(t)
	var loaded struct {
		Site    string   `json:"site"`
		Changes []string `json:"changes"`
	}
	done(t, &loaded, "site", "load", file)
	require.NotEmpty(t, loaded.Changes)
	done(t, &loaded, "site", "load", file)
	require.Empty(t, loaded.Changes, "loading the same file twice changes nothing")
	code, shown, _ := vialward(t, "", "site", "show")
	require.Equal(t, exitDone, code)
	copied := filepath.Join(t.TempDir(), "site.toml")
	require.NoError(t, os.WriteFile(copied, []byte(shown), 0o600))
	done(t, &loaded, "site", "load", copied)
	require.Empty(t, loaded.Changes, "what site show prints loads to the same site")

	var site struct {
		People []struct {
			Code  string   `json:"code"`
			Roles []string `json:"roles"`
		} `json:"people"`
		Products []struct {
			Code       string `json:"code"`
			Components []struct {
				Name string `json:"name"`
			} `json:"components"`
		} `json:"products"`
		Areas []struct {
			Code string `json:"code"`
		} `json:"areas"`
		Rooms []struct {
			Units []struct {
				Code    string `json:"code"`
				Shelves []struct {
					Code string `json:"code"`
				} `json:"shelves"`
			} `json:"units"`
		} `json:"rooms"`
	}
	done(t, &site, "site", "show")
	person := func(role string) string {
		for _, p := range site.People {
			if slices.Contains(p.Roles, role) {
				return p.Code
			}
		}
		require.Fail(t, "no "+role)
		return ""
	}
	tech, rph := person("technician"), person("pharmacist")
	secrets(t, "")
	unit := site.Rooms[0].Units[0]
	shelf := unit.Code + "/" + unit.Shelves[0].Code
	var made struct {
		Batch struct {
			Code string `json:"code"`
		} `json:"batch"`
		Vials []struct {
			Code string `json:"code"`
		} `json:"vials"`
	}
	started := time.Now().Add(-time.Hour).Format(time.RFC3339)
	prepare := []string{"batch", "prepare", "--as", tech, "--product", site.Products[0].Code, "--count", "2", "--area", site.Areas[0].Code, "--started", started, "--source-vials", "2"}
	for _, c := range site.Products[0].Components {
		prepare = append(prepare, "--component", c.Name+",L1,expires=2099-12")
	}
	done(t, &made, prepare...)
	codes := []string{made.Vials[0].Code, made.Vials[1].Code}
	var out map[string]any
	done(t, &out, append([]string{"vial", "label", "--as", tech}, codes...)...)
	for _, step := range tracker.Steps() {
		done(t, &out, "batch", "step", "--as", tech, "--at", started, made.Batch.Code, step)
	}
	closing := []string{"batch", "close", "--as", tech, made.Batch.Code, "--filled", "2", "--sharps", "5", "--source-vials", "2"}
	code, _, said := vialward(t, "", closing...)
	require.Equal(t, exitFailed, code)
	require.Contains(t, said, "measure what is left")
	done(t, &out, append(closing, "--left-ml", "0.4", "--container", "residue=drain, neutralised")...)
	require.Len(t, out["closing"].(map[string]any)["disposed"], 3)
	code, stdout, _ := vialward(t, "", "--json", "batch", "show", made.Batch.Code)
	require.Equal(t, exitDone, code)
	require.NotRegexp(t, "microlitres|micrograms|milli_", stdout, "units in the keys are those people measure in")
	for _, pair := range []string{`"left_ml": "0.4"`, `"diluent_ml": "10"`, `"mg_per_source_vial": "`, `"mg_per_ml": "`, `"mass_balance_percent": "100"`, `"found_percent": "`} {
		require.Contains(t, stdout, pair)
	}
	code, stdout, _ = vialward(t, "", "batch", "show", made.Batch.Code)
	require.Equal(t, exitDone, code)
	require.Contains(t, stdout, "2 filled = 2 labelled + 0 rejected + 0 samples")
	require.Contains(t, stdout, "residue: 0.4 mL into drain, neutralised")
	code, _, stderr := vialward(t, "", append([]string{"vial", "verify", "--as", tech}, codes...)...)
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, "pharmacist")
	done(t, &out, append([]string{"vial", "verify", "--as", rph}, codes...)...)
	done(t, &out, append([]string{"vial", "place", "--as", tech, "--to", shelf}, codes...)...)
	done(t, &out, "vial", "show", codes[0])
	require.Equal(t, shelf, out["vial"].(map[string]any)["place"])
	code, _, _ = vialward(t, "", "vial", "show", "251110-2-07-00")
	require.Equal(t, exitUsage, code, "wrong check digits")
	done(t, &out, "batch", "materials", site.Products[0].Code, "16", "--spare", "2")
	require.InDelta(t, 16, out["source_vials"], 0)
	require.Equal(t, []any{"sodium chloride 0.9 %"}, out["diluents"])
	code, stdout, _ = vialward(t, "", "batch", "materials", site.Products[0].Code, "16", "--spare", "2")
	require.Equal(t, exitDone, code)
	require.Contains(t, stdout, "16  source vials of hydrocortisone sodium succinate, powder, each dissolved in 10 mL")
	require.Contains(t, stdout, "19  labels, one of them for the record")
	require.Contains(t, stdout, stock.Caution)
	done(t, &out, "sweep", "print")
	code, _, said = vialward(t, "", "sweep", "confirm", "last", "--as", "tech-1")
	require.Equal(t, exitUsage, code)
	require.Contains(t, said, "neither a list's running number nor the code on its pages")
	code, _, said = vialward(t, "", "sweep", "confirm", "SWEEP-ELSEWHERE-001", "--as", "tech-1")
	require.Equal(t, exitFailed, code)
	require.Contains(t, said, "that is a list of site ELSEWHERE, and this is QUILLMERE")
	code, _, said = vialward(t, "", "sweep", "confirm", "SWEEP-QUILLMERE-001", "--as", "tech-1")
	require.Equal(t, exitFailed, code)
	require.Contains(t, said, "not in the record", "no list was made")
	done(t, &out, "record", "recount")
	require.Empty(t, out["differs"])
}
