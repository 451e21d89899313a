package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The house: which package may import which. Imports run downwards only; a new edge is a decision, made here.

// pureRooms hold the rules of the trade. Each imports the standard library, without what touches the world, and of the
// others only those above it in this list.
var pureRooms = []string{
	"tracker/walltime", "tracker/chain", "tracker/stock", "tracker/access", "tracker/thermal", "tracker/templog", "tracker/beyonduse",
	"tracker/mixing", "tracker/sweep", "tracker/waste", "tracker/label",
}

// worldly are the parts of the standard library that a pure room does without: files, network, processes, logs, chance.
var worldly = []string{
	"os", "net", "log", "syscall", "database", "os/exec", "runtime/debug", "math/rand", "crypto/rand", "plugin",
}

// harmless are below a worldly name and touch nothing.
var harmless = []string{"net/url", "net/mail", "net/netip", "net/textproto"}

// ceilings says, for a package that is no pure room, up to where it sees: everything named, and the pure rooms.
var ceilings = map[string][]string{
	"alerts":                          {},
	"tracker":                         {"alerts"},
	"db":                              {"alerts", "tracker"},
	"db/local":                        {},
	"alerts/mail":                     {"alerts"},
	"metrics":                         {"alerts", "tracker"},
	"cmd/vialward/internal/config":    {"alerts", "tracker"},
	"cmd/vialward/internal/calc":      {"cmd/vialward/internal/config"},
	"cmd/vialward/internal/passwords": {},
	"cmd/vialward/internal/render":    {"alerts", "tracker"},
	"cmd/vialward/internal/present":   {"alerts", "tracker"},
	"cmd/vialward/internal/schedule":  {"tracker"},
	"cmd/vialward/internal/intake":    {"alerts", "tracker", "cmd/vialward/internal/config"},
	"cmd/vialward/internal/demo":      {"alerts", "tracker", "cmd/vialward/internal/config"},
	"cmd/vialward/internal/web": {
		"alerts", "tracker", "cmd/vialward/internal/config", "cmd/vialward/internal/intake", "cmd/vialward/internal/render",
		"cmd/vialward/internal/present",
	},
	// The one place that sees all the parts, to put them together.
	"cmd/vialward/internal/app": {"..."},
	"cmd/vialward": {
		"alerts", "tracker", "cmd/vialward/internal/app", "cmd/vialward/internal/calc", "cmd/vialward/internal/config",
		"cmd/vialward/internal/render", "cmd/vialward/internal/present",
		"cmd/vialward/internal/intake", // `vialward ingest`
	},
}

// libraries says who may import what is not ours. A library that is not here may be imported by nobody.
var libraries = map[string][]string{
	"github.com/jackc/pgx":                {"db", "db/local"},
	"github.com/pressly/goose":            {"db"},
	"github.com/emersion/go-smtp":         {"alerts/mail"},
	"github.com/emersion/go-message":      {"alerts/mail"},
	"github.com/emersion/go-sasl":         {"alerts/mail"},
	"github.com/prometheus/client_golang": {"metrics"},
	"github.com/prometheus/common":        {"metrics"},
	"github.com/robfig/cron":              {"cmd/vialward/internal/schedule"},
	"github.com/boombuler/barcode":        {"cmd/vialward/internal/render"},
	"github.com/xuri/excelize":            {"cmd/vialward/internal/render"},
	"codeberg.org/go-pdf/fpdf":            {"cmd/vialward/internal/render"},
	"golang.org/x/image":                  {"cmd/vialward/internal/render"},
	"gonum.org/v1/plot":                   {"cmd/vialward/internal/render"},
	"github.com/fsnotify/fsnotify":        {"cmd/vialward/internal/intake"},
	"github.com/BurntSushi/toml":          {"cmd/vialward/internal/config"},
	"github.com/alecthomas/kong":          {"cmd/vialward"},
	"github.com/alexedwards/argon2id":     {"cmd/vialward/internal/passwords"},
	"golang.org/x/text":                   {"cmd/vialward/internal/passwords"},
	"golang.org/x/term":                   {"cmd/vialward"},
}

// forTests may not be in the binary, not even below somebody's library.
var forTests = []string{
	"testing", "github.com/stretchr/testify", "pgregory.net/rapid", "github.com/chromedp", "net/http/httptest",
}

const module = "vialward"

// pkg is what `go list` says of a package.
type pkg struct {
	ImportPath string
	Imports    []string // without its tests'
}

func TestHouse(t *testing.T) {
	t.Parallel()
	broken := checkHouse(list(t, "./..."))
	require.Empty(t, broken, "%s", strings.Join(broken, "\n"))
}

func TestNothingForTestsIsInTheBinary(t *testing.T) {
	t.Parallel()
	all := list(t, "-deps", "./cmd/vialward")
	require.Greater(t, len(all), 100, "the binary's packages")
	broken := checkBinary(all)
	require.Empty(t, broken, "%s", strings.Join(broken, "\n"))
}

// checkHouse lists every import of our packages that the table does not have.
func checkHouse(packages []pkg) []string {
	var broken []string
	for _, p := range packages {
		at := ours(p.ImportPath)
		if forTesting(at) {
			continue // it sees what it needs; nothing but tests may import it, see room
		}
		if !known(at) {
			broken = append(broken, at+": has no place in the table; give it one")
			continue
		}
		for _, i := range p.Imports {
			if why := edge(at, i); why != "" {
				broken = append(broken, at+" imports "+i+": "+why)
			}
		}
	}
	return broken
}

// edge says why a package may not import another, or nothing.
func edge(at, path string) string {
	if path == module || strings.HasPrefix(path, module+"/") {
		return room(at, ours(path))
	}
	if first, _, _ := strings.Cut(path, "/"); strings.Contains(first, ".") {
		for name, who := range libraries {
			if !under(path, name) {
				continue
			}
			if slices.Contains(who, at) {
				return ""
			}
			return "only " + strings.Join(who, " and ") + " may"
		}
		return "a library that is not in the table"
	}
	pure := slices.Contains(pureRooms, at) || at == "alerts"
	if pure && slices.ContainsFunc(worldly, func(w string) bool { return under(path, w) }) &&
		!slices.Contains(harmless, path) {
		return "a pure room touches nothing of the world"
	}
	return ""
}

// room is edge between two packages of ours.
func room(at, other string) string {
	if forTesting(other) {
		return "only tests may"
	}
	if mine := slices.Index(pureRooms, at); mine >= 0 {
		if its := slices.Index(pureRooms, other); its < 0 || its >= mine {
			return "a pure room imports only pure rooms above it"
		}
		return ""
	}
	if slices.Contains(pureRooms, other) || slices.Contains(ceilings[at], other) || slices.Contains(ceilings[at], "...") {
		return ""
	}
	return "imports run downwards only"
}

// checkBinary lists what only tests may have.
func checkBinary(all []pkg) []string {
	var broken []string
	for _, p := range all {
		bad := forTesting(ours(p.ImportPath)) && under(p.ImportPath, module)
		if bad || slices.ContainsFunc(forTests, func(l string) bool { return under(p.ImportPath, l) }) {
			broken = append(broken, p.ImportPath+": is in the binary, and only tests may import it")
		}
	}
	return broken
}

func known(at string) bool {
	_, ok := ceilings[at]
	return ok || slices.Contains(pureRooms, at)
}

// forTesting is true for our packages that serve tests: dbtest, mailtest.
func forTesting(at string) bool {
	return strings.HasSuffix(at, "test")
}

func under(path, name string) bool { return path == name || strings.HasPrefix(path, name+"/") }

func ours(path string) string { return strings.TrimPrefix(path, module+"/") }

// list asks the go command.
func list(t *testing.T, what ...string) []pkg {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "go", append([]string{"list", "-json=ImportPath,Imports"}, what...)...)
	cmd.Dir = "../.." // the module's root
	out, err := cmd.Output()
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		require.NoError(t, err, "%s", exit.Stderr)
	}
	require.NoError(t, err)
	var all []pkg
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p pkg
		err := d.Decode(&p)
		if errors.Is(err, io.EOF) {
			require.NotEmpty(t, all)
			return all
		}
		require.NoError(t, err)
		all = append(all, p)
	}
}

// The check itself can fail: each edge here breaks one rule, beside a near one that breaks none.
func TestHouseSeesABadEdge(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ at, imports, why string }{
		{"tracker/walltime", "vialward/tracker/stock", "only pure rooms above it"},
		{"tracker/stock", "vialward/tracker/walltime", ""},
		{"tracker/stock", "vialward/tracker/access", "only pure rooms above it"},
		{"tracker/label", "vialward/tracker/waste", ""},
		{"tracker/waste", "vialward/tracker/label", "only pure rooms above it"},
		{"tracker/sweep", "vialward/tracker/sweep", "only pure rooms above it"},
		{"tracker/sweep", "vialward/tracker", "only pure rooms above it"},
		{"tracker/thermal", "vialward/alerts", "only pure rooms above it"},
		{"tracker/thermal", "os", "nothing of the world"},
		{"tracker/thermal", "log/slog", "nothing of the world"},
		{"tracker/thermal", "net/http", "nothing of the world"},
		{"tracker/thermal", "net/url", ""},
		{"tracker/thermal", "time", ""},
		{"tracker/templog", "github.com/BurntSushi/toml", "only cmd/vialward/internal/config may"},
		{"alerts", "vialward/tracker/label", ""},
		{"alerts", "vialward/tracker", "downwards only"},
		{"alerts", "os", "nothing of the world"},
		{"tracker", "vialward/alerts", ""},
		{"tracker", "vialward/db", "downwards only"},
		{"tracker", "log/slog", ""},
		{"db", "vialward/tracker", ""},
		{"db", "vialward/alerts/mail", "downwards only"},
		{"db", "github.com/jackc/pgx/v5/pgxpool", ""},
		{"tracker", "github.com/jackc/pgx/v5", "only db and db/local may"},
		{"alerts", "github.com/emersion/go-smtp", "only alerts/mail may"},
		{"alerts/mail", "vialward/tracker", "downwards only"},
		{"cmd/vialward/internal/app", "github.com/prometheus/client_golang/prometheus", "only metrics may"},
		{"cmd/vialward/internal/app", "vialward/alerts/mail", ""},
		{"cmd/vialward/internal/app", "vialward/db/dbtest", "only tests may"},
		{"cmd/vialward/internal/web", "vialward/db", "downwards only"},
		{"cmd/vialward/internal/web", "vialward/cmd/vialward/internal/app", "downwards only"},
		{"cmd/vialward", "vialward/db", "downwards only"},
		{"cmd/vialward/internal/app", "github.com/robfig/cron/v3", "only cmd/vialward/internal/schedule may"},
		{"db", "github.com/stretchr/testify/require", "not in the table"},
		{"tracker/waste/more", "time", "has no place in the table"},
	} {
		got := strings.Join(checkHouse([]pkg{{ImportPath: "vialward/" + c.at, Imports: []string{c.imports}}}), "\n")
		name := fmt.Sprintf("%s imports %s", c.at, c.imports)
		if c.why == "" {
			require.Empty(t, got, name)
		} else {
			require.Contains(t, got, c.why, name)
		}
	}
}

func TestBinaryCheckSeesATestLibrary(t *testing.T) {
	t.Parallel()
	for path, bad := range map[string]bool{
		"testing": true, "testing/fstest": true, "pgregory.net/rapid": true, "github.com/chromedp/cdproto/page": true,
		"vialward/db/dbtest": true, "vialward/alerts/mail/mailtest": true, "vialward/db": false, "time": false,
		"golang.org/x/net/nettest": false,
	} {
		require.Equal(t, bad, len(checkBinary([]pkg{{ImportPath: path}})) == 1, path)
	}
}
