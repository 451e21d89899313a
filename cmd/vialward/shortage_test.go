package main

import (
	"archive/zip"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/present"
	"vialward/db/dbtest"
)

// By command line: a discard under the wrong cause, corrected; a demand that was not met; and the report that has both.
func TestWasteByCommandLine(t *testing.T) {
	t.Setenv("VIALWARD_DSN", dbtest.Fresh(t))
	t.Setenv("VIALWARD_STATE", t.TempDir())
	var out any
	done(t, &out, "site", "load", inventedSite(t))
	secrets(t, "")
	var over struct{ Vials []present.Vial }
	done(t, &over, "batch", "take-over", "PANT", "2", "--bud", "2025-10-20", "--made", "2025-10-10", "--to", "R1/A", "--as", "rph-1")
	code := over.Vials[0].Code
	done(t, &out, "vial", "discard", code, "--reason", "expired", "--as", "tech-1")
	args := []string{"vial", "correct-cause", code, "--reason", "broken", "--note", "it was dropped"}
	exit, _, said := vialward(t, "", append(args, "--as", "tech-1")...)
	require.Equal(t, exitFailed, exit, said)
	var handled present.Handled
	done(t, &handled, append(args, "--as", "rph-1")...)
	require.Equal(t, "discarded", string(handled.Vials[0].State))
	exit, _, said = vialward(t, "", "vial", "correct-cause", over.Vials[1].Code, "--reason", "broken", "--note", "x", "--as", "rph-1")
	require.Equal(t, exitFailed, exit)
	require.Contains(t, said, "neither discarded nor lost")

	exit, stdout, said := vialward(t, "", "stock", "short", "PANT", "3", "--to", "WARD-5E", "--as", "tech-1")
	require.Equal(t, exitDone, exit, said)
	require.Equal(t, "recorded: 3 of PANT wanted and not there\n", stdout)
	exit, _, said = vialward(t, "", "stock", "short", "PANT", "0", "--as", "tech-1")
	require.Equal(t, exitFailed, exit)
	require.Contains(t, said, "at least one")

	var r present.WasteReport
	year := time.Now().Format("2006")
	done(t, &r, "report", "waste", "--from", year+"-01", "--to", year+"-12")
	require.Equal(t, 1, r.CorrectedCauses)
	folder := filepath.Join(t.TempDir(), "tables")
	book := filepath.Join(t.TempDir(), "waste.xlsx")
	done(t, &r, "report", "waste", "--from", year+"-01", "--to", year+"-12", "--csv", folder, "--xlsx", book)
	causes, err := os.ReadFile(filepath.Join(folder, "causes_by_cost.csv"))
	require.NoError(t, err)
	require.Equal(t, fmt.Sprintf("cause,code,class,wasted,cost,up to here\r\nbroken or leaking,broken,not avoidable,1,%d.%02d,1\r\n", r.CostCents/100, r.CostCents%100), string(causes))
	files, err := os.ReadDir(folder)
	require.NoError(t, err)
	z, err := zip.OpenReader(book)
	require.NoError(t, err)
	defer func() { require.NoError(t, z.Close()) }()
	sheets := 0
	for _, f := range z.File {
		if strings.HasPrefix(f.Name, "xl/worksheets/sheet") {
			sheets++
		}
	}
	require.Equal(t, len(files)+1, sheets, "one a table, and definitions")
	exit, _, said = vialward(t, "", "report", "waste", "--xlsx", filepath.Join(folder, "none", "x.xlsx"))
	require.Equal(t, exitUsage, exit, said)
	require.Equal(t, "broken", r.CausesByCost[0].Cause)
	require.Equal(t, []present.FellShort{{Product: "PANT", Times: 1, Vials: 3}}, r.FellShort)
}
