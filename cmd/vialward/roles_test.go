package main

import (
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
	"github.com/stretchr/testify/require"

	"vialward/db/dbtest"
	"vialward/tracker/access"
	"vialward/tracker/stock"
)

// asked is every command, what it asks for, and words that would be right in some state of the record, written out by
// hand: a command under the wrong operation would let the wrong people in. A new one is missing here, and fails the test.
// FILE and SITE stand for a temperature log and a site file that changes something.
var asked = map[string]struct {
	op   access.Operation
	args string // one space between words, _ for a space in one
}{
	"calc mkt": {access.Calculate, "FILE"}, "calc bud": {access.Calculate, "FILE"}, "calc mix": {access.Calculate, "FILE"},
	"calc exposure": {access.Calculate, "FILE FILE"}, "calc stock": {access.Calculate, "FILE"},
	"site load": {access.LoadSite, "SITE"}, "site show": {access.Read, ""}, "site list": {access.Read, ""},
	"batch prepare":   {access.Prepare, "--product PANT --count 1 --area PA-1 --started 2025-11-12T08:00:00-05:00"},
	"batch take-over": {access.TakeOver, "PANT 1 --bud 2025-10-20 --made 2025-10-10 --to R1/A"},
	"batch step":      {access.SignStep, "251110-2 dissolved"},
	"batch close":     {access.CloseBatch, "251110-2 --filled 1 --sharps 1"},
	"batch labels":    {access.Label, "251110-2 --size VIAL-10 --pdf FILE.pdf"}, "batch count-labels": {access.Label, "251110-2"},
	"batch materials": {access.Read, "PANT 12"},
	"batch show":      {access.Read, "251112-1"},
	"vial label":      {access.Label, "251112-1-01"}, "vial verify": {access.Verify, "251112-1-01"}, "vial place": {access.Place, "251112-1-01 --to R1/A"},
	"vial issue": {access.Issue, "251112-1-01 --to WARD-5E"}, "vial give": {access.Give, "251112-1-01"},
	"vial return": {access.Return, "251112-1-01 --to R1/A"}, "vial enter": {access.Enter, "251112-1-01"},
	"vial hold": {access.Hold, "251112-1-01 --reason cap"}, "vial lift": {access.Lift, "251112-1-01 --kind manual --reason cap"},
	"vial shorten": {access.Shorten, "251112-1-01 --bud 2025-11-13T08:00:00-05:00 --reason cap"}, "vial relabel": {access.Relabel, "251112-1-01"},
	"vial discard": {access.Discard, "251112-1-01 --reason expired"}, "vial lose": {access.Lose, "251112-1-01 --reason unaccounted"},
	"vial void": {access.Void, "251112-1-01 --reason wrong"}, "vial send": {access.Send, "251112-1-01 --to elsewhere"},
	"vial find": {access.Find, "251112-1-01 --to R1/A"}, "vial count": {access.Count, "R1 PANT 0"}, "vial recall": {access.Recall, "--lot P1 --reason letter"},
	"vial correct-cause": {access.Correct, "251112-1-01 --reason expired --note wrong"}, "stock short": {access.Short, "PANT 2"},
	"trace lot":     {access.Read, "P1"},
	"vial exposure": {access.Read, "251112-1-01"}, "vial show": {access.Read, "251112-1-01"}, "vial list": {access.Read, ""},
	"ingest": {access.WriteReadings, "FILE"}, "intake list": {access.Read, ""}, "intake withdraw": {access.Withdraw, "1 --reason zone"},
	"intake zone": {access.DeclareZone, "T1 set --reason asked"},
	"sweep print": {access.Read, ""}, "sweep list": {access.Read, ""}, "sweep confirm": {access.Confirm, "1"},
	"case list": {access.Read, ""}, "case show": {access.Read, "1"}, "case release": {access.Release, "251112-1-01 --case 1 --basis allowance"},
	"unit work":    {access.PlanWork, "R1 --from 2099-11-12T08:00:00-05:00 --to 2099-11-12T09:00:00-05:00 --reason cleaning"},
	"unit area":    {access.SetArea, "PA-1 none --reason repair"},
	"person first": {access.FirstPassword, "admin"}, "person list": {access.Read, ""}, "person password": {access.OwnAccount, ""},
	"person add": {access.AddPerson, "new-1 --role technician"}, "person change": {access.ChangePerson, "tech-2 --name New"},
	"person assess": {access.Assess, "tech-2 sweeping --until 2099-12-31"},
	"session list":  {access.OwnAccount, ""}, "session end": {access.OwnAccount, "1"},
	"token make": {access.MakeToken, "WHO --name bench"}, "token list": {access.MakeToken, ""}, "token revoke": {access.MakeToken, "1"},
	"record recount": {access.Check, ""}, "record verify": {access.Check, ""}, "report waste": {access.Read, ""},
	"daemon": {access.Operate, ""}, "check": {access.Operate, ""}, "demo": {access.Operate, ""}, "config": {access.Operate, ""},
}

// leaves are the commands as a person types them.
func leaves(t *testing.T) map[string]*kong.Node {
	t.Helper()
	parser, err := kong.New(&commands{}, kong.Name("vialward"))
	require.NoError(t, err)
	all := map[string]*kong.Node{}
	for _, n := range parser.Model.Leaves(false) {
		var path []string
		for at := n; at.Type == kong.CommandNode; at = at.Parent {
			path = append([]string{at.Name}, path...)
		}
		all[strings.Join(path, " ")] = n
	}
	return all
}

func hasFlag(n *kong.Node, name string) bool {
	return slices.ContainsFunc(slices.Concat(n.AllFlags(false)...), func(f *kong.Flag) bool { return f.Name == name })
}

// Every command is in the table under what it does; what takes a role asks who acts, and what does not is for whoever is
// on the machine.
func TestEveryCommandNamesItsOperation(t *testing.T) {
	t.Parallel()
	all := leaves(t)
	for path, n := range all {
		x, known := asked[path]
		require.True(t, known, "%s: say in asked what it asks for", path)
		require.Equal(t, x.op, operationOf(n), path)
		rule, known := access.Of(x.op)
		require.True(t, known, "%s asks for %q, which nobody may", path, x.op)
		if !hasFlag(n, "as") {
			require.True(t, rule.Machine || rule.Anyone, "%s takes a role and asks nobody who they are", path)
		}
	}
	require.Len(t, all, len(asked), "what is asked for and no command any more")
}

// Every command by which a person acts, with every role and with none: who may not is told so, and leaves no trace.
func TestEveryCommandByEveryRole(t *testing.T) {
	t.Parallel()
	p := newPlace(t, dbtest.Fresh(t), "")
	p.load(t)
	var out map[string]any
	var whose []string
	for _, role := range stock.Roles() {
		code := "only-" + strings.ReplaceAll(role, " ", "-")
		p.do(t, &out, "person", "add", code, "--role", role, "--as", "admin")
		if role != stock.Logger { // a machine has no password
			whose = append(whose, code)
		}
	}
	give(t, p.config, whose...)
	log := filepath.Join(t.TempDir(), "log.csv")
	require.NoError(t, os.WriteFile(log, []byte("sensor,at,celsius\nT1,2025-11-12T08:00:00-05:00,4.8\n"), 0o600))
	site, err := os.ReadFile(inventedSite(t))
	require.NoError(t, err)
	renamed := filepath.Join(t.TempDir(), "site.toml")
	require.NoError(t, os.WriteFile(renamed, []byte(strings.Replace(string(site), "Quillmere Infusion", "Quillmere Invented", 1)), 0o600))

	head := func() int64 { return dbtest.Ask(t, p.dsn, `select max(seq) from event`) }
	try := func(path, as string) (int, string) {
		args := append([]string{"--config", p.config}, strings.Fields(path)...)
		for _, w := range strings.Fields(asked[path].args) {
			args = append(args, strings.NewReplacer("FILE", log, "SITE", renamed, "WHO", as, "_", " ").Replace(w))
		}
		if as != "" {
			args = append(args, "--as", as)
		}
		if path == "person password" {
			args = append(args, "--new-password-file", secretFile(t, "a lamp beside "+strconv.Itoa(len(as))+" quiet rivers"))
		}
		code, _, stderr := vialward(t, "", args...)
		return code, stderr
	}
	before := head()
	var allowed [][2]string
	for path, n := range leaves(t) {
		if !hasFlag(n, "as") {
			continue
		}
		rule, _ := access.Of(asked[path].op)
		if !rule.Machine {
			code, said := try(path, "")
			require.Contains(t, []int{exitUsage, exitFailed}, code, "%s by nobody: %s", path, said)
			require.Contains(t, said, "say who", "%s by nobody", path)
		}
		for _, role := range stock.Roles() {
			as := "only-" + strings.ReplaceAll(role, " ", "-")
			if slices.Contains(rule.Roles, role) {
				allowed = append(allowed, [2]string{path, as})
				continue
			}
			code, said := try(path, as)
			if path == "person password" { // whose it is not said to whoever does not know it
				require.Contains(t, said, "do not go together", "%s as %s", path, role)
				continue
			}
			require.Equal(t, exitFailed, code, "%s as %s: %s", path, role, said)
			require.Contains(t, said, as+" may not "+rule.Do, "%s as %s", path, role)
		}
	}
	require.Equal(t, before, head(), "somebody without the role changed the record")
	slices.SortFunc(allowed, func(a, b [2]string) int { // what changes a password or ends it comes last
		return strings.Compare(last(a[0])+a[0], last(b[0])+b[0])
	})
	for _, x := range allowed {
		if x[1] == "only-logger" { // it brings its readings by token, and has no password
			continue
		}
		_, said := try(x[0], x[1])
		rule, _ := access.Of(asked[x[0]].op)
		require.NotContains(t, said, "may not "+rule.Do+": it takes", "%s as %s", x[0], x[1])
		require.NotContains(t, said, "do not go together", "%s as %s", x[0], x[1])
	}
}

func last(path string) string {
	if path == "person password" {
		return "z"
	}
	return "a"
}
